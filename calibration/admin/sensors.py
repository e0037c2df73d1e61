"""The register's sensor pages, with what was measured; registered again, as `equipment` does."""

from typing import Any

from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.db import models
from django.db.models.functions import Greatest
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseRedirect
from django.urls import path, reverse
from django.utils import timezone

from calibration import documents, following
from calibration.admin import replacing, wording
from calibration.admin.fleet_page import fleet_page
from calibration.admin.sensor_page import sensor_page
from calibration.admin.showing import Desk, state
from calibration.documents.procedure import CAUTIONS
from calibration.models import DriftFlag, Verdict
from fleet.admin.door import scope_in
from fleet.admin.equipment import SensorAdmin
from fleet.models import Sensor

_JUDGED = "due__last_calibration__judgement__expected_p_out_"
_LIKELIEST = Greatest(f"{_JUDGED}slope", f"{_JUDGED}offset")

admin.site.unregister(Sensor)


class VerdictFilter(admin.SimpleListFilter):
    """By the verdict of the last calibration."""

    title = "last verdict"
    parameter_name = "verdict"

    def lookups(self, request: HttpRequest, model_admin: Any) -> list[tuple[str, str]]:
        """Return the verdicts."""
        return [*Verdict.choices, ("none", "never calibrated")]

    def queryset(
        self, request: HttpRequest, queryset: models.QuerySet[Any]
    ) -> models.QuerySet[Any]:
        """Return the sensors with that verdict."""
        if self.value() is None:
            return queryset
        if self.value() == "none":
            return queryset.filter(due__last_calibration__isnull=True)
        return queryset.filter(due__last_calibration__judgement__verdict=self.value())


def _open_flags() -> models.Exists:
    flags = DriftFlag.objects.filter(sensor=models.OuterRef("pk"))
    return models.Exists(flags.exclude(status=DriftFlag.Status.CLOSED))


@admin.register(Sensor)
class SensorPage(Desk, SensorAdmin):
    """Sensors with their last numbers; each with its whole life."""

    change_form_template = "desk/sensor.html"
    list_display = (
        "serial", "model", "lot", "dealer_code", "where", "calibrated", "decisive", "verdict",
        "flagged", "due_on",
    )  # fmt: skip
    list_select_related = ("model", "dealer", "due__last_calibration__judgement")
    list_filter = (*SensorAdmin.list_filter, VerdictFilter)

    def get_queryset(self, request: HttpRequest) -> models.QuerySet[Any]:
        """Return the sensors, each with whether a flag is open; its page reads places itself."""
        rows = super().get_queryset(request)
        if request.resolver_match and request.resolver_match.url_name == "fleet_sensor_change":
            return rows.prefetch_related(None)
        flagged: models.QuerySet[Any] = rows.annotate(has_open_flag=_open_flags())
        return flagged

    def _judged(self, row: Any) -> Any:
        last = getattr(getattr(row, "due", None), "last_calibration", None)
        return getattr(last, "judgement", None)

    @admin.display(description="calibrated", ordering="due__last_calibration__performed_at")
    def calibrated(self, row: Any) -> str:
        """Return the day of its last calibration."""
        last = getattr(getattr(row, "due", None), "last_calibration", None)
        return wording.local_day(last.performed_at, row.dealer.zone) if last else ""

    @admin.display(description="decisive change, judged", ordering=_LIKELIEST)
    def decisive(self, row: Any) -> str:
        """Return what the verdict beside it rests on: the likelier of slope and offset."""
        last = getattr(getattr(row, "due", None), "last_calibration", None)
        return wording.decisive(self._judged(row), last.load_unit) if last else ""

    @admin.display(description="verdict")
    def verdict(self, row: Any) -> str:
        """Return the verdict of its last calibration."""
        judged = self._judged(row)
        return state(judged.verdict, judged.verdict) if judged else state("none", "none yet")

    @admin.display(description="flag")
    def flagged(self, row: Any) -> str:
        """Return whether something about it is open."""
        return "open" if row.has_open_flag else ""

    @admin.display(description="due", ordering="due__due_on")
    def due_on(self, row: Any) -> str:
        """Return the day on which it is due; the plan is the dealer's own business."""
        due = getattr(row, "due", None)
        return due.due_on.isoformat() if due else ""

    def get_list_display(self, request: HttpRequest) -> Any:
        """Leave the plan out where the caller does not plan, and the dealer where it is one."""
        scope, left_out = scope_in(request), set()
        if not (scope.administers or scope.dealers):
            left_out.add("due_on")
        if scope.at_one_dealer:
            left_out.add("dealer_code")
        return [name for name in super().get_list_display(request) if name not in left_out]

    def change_view(
        self, request: HttpRequest, object_id: str, form_url: str = "", extra_context: Any = None
    ) -> HttpResponse:
        """Show the sensor's life above what is registered of it."""
        row = self.visible_or_404(request, object_id)
        now = timezone.now()
        context = {
            "page": sensor_page(row, scope=scope_in(request), now=now),
            "may_record": self._may(request, "create", row),
            "may_replace": self._may(request, "edit", row),
            **(extra_context or {}),
        }
        return super().change_view(request, object_id, form_url, context)

    def after_save(self, request: HttpRequest, row: Any, changed: Any) -> None:
        """Have a sensor of another model, lot or tag judged again."""
        following.sensor_edited(row, changed or (), now=timezone.now())

    def get_urls(self) -> list[Any]:
        """Add the fleet at a glance and the dossier."""
        door = self.admin_site.admin_view
        return [
            path("glance/", door(self.glance), name="fleet_sensor_glance"),
            path("<path:object_id>/dossier/", door(self.dossier), name="fleet_sensor_dossier"),
            path("<path:object_id>/replace/", door(self.replace), name="fleet_sensor_replace"),
            *super().get_urls(),
        ]

    def replace(self, request: HttpRequest, object_id: str) -> HttpResponse:
        """Put another sensor in this one's place."""
        row = self.visible_or_404(request, object_id, "edit")
        asked = replacing.ask(request, row)
        place, new = asked.place, asked.new
        if place is None and new is None:
            raise Http404("It sits on no machine.")
        if new is None:
            title = f"Replace {row.serial}"
            context = {"title": title, "place": place, "form": asked.form, "cautions": CAUTIONS}
            return self.page(request, "desk/replace.html", context)
        said = f"{new.sensor.serial} sits at {new.position} now. Calibrate it before it is used."
        self.message_user(request, said, messages.SUCCESS)
        return HttpResponseRedirect(reverse("admin:fleet_sensor_change", args=[new.sensor_id]))

    def glance(self, request: HttpRequest) -> HttpResponse:
        """Show seasons by sensors, the heaviest first."""
        if not self.has_module_permission(request):
            raise PermissionDenied
        return self.page(request, "desk/fleet.html", fleet_page(request))

    def dossier(self, request: HttpRequest, object_id: str) -> HttpResponse:
        """Serve the sensor's whole life as an archive."""
        row = self.visible_or_404(request, object_id)
        link = self.link_to(request, "admin:fleet_sensor_change", row)
        made = documents.dossier(
            row,
            scope=scope_in(request),
            now=timezone.now(),
            paper=self.paper(request),
            link=link,
        )
        answer = HttpResponse(made, content_type="application/zip")
        answer.headers["Content-Disposition"] = f'attachment; filename="sensor-{row.pk}.zip"'
        return answer
