"""The register's installations: whoever puts a sensor on or takes it off sees the cautions."""

from typing import Any

from django.contrib import admin
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from calibration import following
from calibration.documents.procedure import CAUTIONS
from fleet.admin.equipment import InstallationAdmin
from fleet.models import Installation

admin.site.unregister(Installation)


@admin.register(Installation)
class InstallationPage(InstallationAdmin):
    """Which sensor sat where; the register knows nothing of the work at the machine."""

    change_form_template = "desk/installation.html"

    def after_save(self, request: HttpRequest, row: Any, changed: Any) -> None:
        """Have the sensor judged again where it sits now, and due by that."""
        if changed is None or changed:
            following.sensors_moved(row, now=timezone.now())

    def render_change_form(
        self, request: HttpRequest, context: dict[str, Any], *args: Any, **kwargs: Any
    ) -> HttpResponse:
        """Show the cautions above the form."""
        context["cautions"] = CAUTIONS
        return super().render_change_form(request, context, *args, **kwargs)
