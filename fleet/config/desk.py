"""The service desk: Django's admin site with our sign-in rule, our order of places and a home.

Kept beside the settings, because the site must exist before any app registers its pages on it;
what the home shows is named as a string and loaded when it is asked for.
"""

from collections.abc import Mapping
from typing import Any

from django.contrib.admin import AdminSite
from django.contrib.admin.apps import AdminConfig
from django.http import HttpRequest
from django.template.response import TemplateResponse
from django.utils.module_loading import import_string

HOME = "calibration.admin.home.home"

# Where people look for things; what is named nowhere stands under its app.
PLACES: Mapping[str, tuple[str, ...]] = {
    "Work": ("DriftFlag", "Reminder", "Visit", "SeasonPlan", "DueState", "Blackout", "DayOff"),
    "Records": ("Calibration", "FunctionalTest", "ImportRun"),
    "Fleet": ("Sensor", "Machine", "Installation", "Customer"),
    "Rules": ("ReferenceStandard", "TolerancePolicy", "SensorModel", "MachineModel"),
    "People": ("Dealer", "User", "Membership"),
    "Runs": ("ScanRun", "Digest", "CustomerNote", "CalendarFeed"),
}


class Desk(AdminSite):
    """The admin site of Spanbook."""

    site_header = "Spanbook"
    site_title = "Spanbook"
    index_title = "Today"
    site_url = None
    empty_value_display = "-"

    def has_permission(self, request: HttpRequest) -> bool:
        """Whether somebody may come in: a staff account that has a role somewhere."""
        from fleet.admin.door import scope_in

        if not super().has_permission(request):
            return False
        scope = scope_in(request)
        return scope.everywhere or bool(scope.dealers)

    def get_app_list(
        self, request: HttpRequest, app_label: str | None = None
    ) -> list[dict[str, Any]]:
        """Return the pages by what they are for; by app only where one app is asked for."""
        apps = super().get_app_list(request, app_label)
        if app_label is not None:
            return apps
        pages = {page["object_name"]: page for app in apps for page in app["models"]}
        groups = [
            {
                "name": name,
                "app_label": name.lower(),
                "app_url": "",
                "has_module_perms": True,
                "models": [pages.pop(page) for page in wanted if page in pages],
            }
            for name, wanted in PLACES.items()
        ]
        if pages:
            groups.append({**groups[-1], "name": "More", "models": list(pages.values())})
        return [group for group in groups if group["models"]]

    def index(
        self, request: HttpRequest, extra_context: dict[str, Any] | None = None
    ) -> TemplateResponse:
        """Show what needs a decision today."""
        return super().index(request, {**import_string(HOME)(request), **(extra_context or {})})


class DeskConfig(AdminConfig):
    """Django's admin app, with our site."""

    default_site = "fleet.config.desk.Desk"
