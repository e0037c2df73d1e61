"""The service desk: Django's admin site with our sign-in rule, our order of places and a home.

Kept beside the settings, because the site must exist before any app registers its pages on it;
what the home shows is named as a string and loaded when it is asked for.
"""

from collections.abc import Mapping
from functools import partial
from typing import Any

from django.contrib.admin import AdminSite
from django.contrib.admin.apps import AdminConfig
from django.http import HttpRequest, HttpResponse
from django.template.response import TemplateResponse
from django.urls import path
from django.utils.module_loading import import_string

HOME = "calibration.admin.home.home"
DOOR = "fleet.admin.signing_in"

# Where people look for things; what is named nowhere stands under its app.
PLACES: Mapping[str, tuple[str, ...]] = {
    "Work": ("DriftFlag", "Reminder", "Visit", "SeasonPlan", "DueState", "Blackout", "DayOff"),
    "Records": ("Calibration", "FunctionalTest", "ImportRun"),
    "Fleet": ("Sensor", "Machine", "Installation", "Customer"),
    "Rules": ("ReferenceStandard", "TolerancePolicy", "SensorModel", "MachineModel"),
    "People": ("Dealer", "User", "Membership"),
    "Runs": ("ScanRun", "Digest", "CustomerNote", "CalendarFeed", "Change", "Erasure"),
}


class Desk(AdminSite):
    """The admin site of Spanbook."""

    site_header = "Spanbook"
    site_title = "Spanbook"
    index_title = "Today"
    site_url = None
    empty_value_display = "-"

    @property
    def login_form(self) -> Any:  # type: ignore[override] # forms exist after the apps do
        """The form that asks for a code, too, where there is one to ask for."""
        return import_string(f"{DOOR}.SignInForm")

    def has_permission(self, request: HttpRequest) -> bool:
        """Whether somebody may come in: staff, with a role and all that is asked."""
        from fleet.admin.door import is_let_in

        return super().has_permission(request) and is_let_in(request)

    def login(self, request: HttpRequest, extra_context: dict[str, Any] | None = None) -> Any:
        """Sign in; who guesses waits, and who has yet to enrol a second factor goes there."""
        first: HttpResponse | None = import_string(f"{DOOR}.before_signing_in")(self, request)
        return first or super().login(request, extra_context)

    def get_urls(self) -> list[Any]:
        """Add the page of one's own second factor, which asks by itself who may see it."""
        page = import_string(f"{DOOR}.second_factor_page")
        own = path("second-factor/", partial(page, site=self), name="second_factor")
        return [own, *super().get_urls()]

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
