"""The addresses of the API: a router's, and the few that it cannot make."""

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.urls import URLPattern, URLResolver, include, path, re_path
from django.views.decorators.csrf import csrf_exempt
from drf_spectacular.views import SpectacularAPIView, SpectacularSwaggerSplitView
from rest_framework.routers import SimpleRouter

from api.errors import describe
from api.registers import Resource
from api.resources.audit import AuditViews
from api.resources.blackouts import BlackoutViews
from api.resources.calendar_feeds import CalendarFeedViews
from api.resources.calibrations import CalibrationViews
from api.resources.customers import CustomerViews
from api.resources.days_off import DayOffViews
from api.resources.dealers import DealerViews
from api.resources.events import EventViews
from api.resources.flags import FlagViews
from api.resources.functional_tests import FunctionalTestViews
from api.resources.imports import ImportViews
from api.resources.installations import InstallationViews
from api.resources.machine_models import MachineModelViews
from api.resources.machines import MachineViews
from api.resources.mailings import CustomerNoteViews, DigestViews
from api.resources.memberships import MembershipViews
from api.resources.policies import PolicyViews
from api.resources.references import ReferenceViews
from api.resources.reminders import ReminderViews
from api.resources.scans import ScanViews
from api.resources.sensor_models import SensorModelViews
from api.resources.sensors import SensorViews
from api.resources.tokens import TokenViews
from api.resources.users import UserViews
from api.resources.visits import VisitViews
from api.resources.webhooks import WebhookViews
from api.subscriptions import subscription
from fleet.errors import NotFound

RESOURCES: tuple[type[Resource], ...] = (
    DealerViews,
    UserViews,
    MembershipViews,
    CustomerViews,
    MachineModelViews,
    MachineViews,
    SensorModelViews,
    SensorViews,
    InstallationViews,
    ReferenceViews,
    PolicyViews,
    CalibrationViews,
    FunctionalTestViews,
    FlagViews,
    ReminderViews,
    VisitViews,
    ScanViews,
    ImportViews,
    EventViews,
    WebhookViews,
    AuditViews,
    TokenViews,
    DayOffViews,
    BlackoutViews,
    CalendarFeedViews,
    DigestViews,
    CustomerNoteViews,
)

router = SimpleRouter()
for views in RESOURCES:
    router.register(views.resource, views, basename=views.resource)


@csrf_exempt
def absent(request: HttpRequest, **_: Any) -> HttpResponse:
    """Answer an address that there is not in the API's own words."""
    details = describe(NotFound("There is nothing at this address, or not for you."))
    assert details is not None
    return details.response()


urlpatterns: list[URLPattern | URLResolver] = [
    path("v1/visits/calendar.ics", VisitViews.as_view({"get": "calendar"}, detail=False)),
    path("v1/calendars/<str:secret>.ics", subscription),
    path("v1/", include(router.urls)),
    path("schema/", SpectacularAPIView.as_view(), name="schema"),
    path(
        "docs/",
        SpectacularSwaggerSplitView.as_view(template_name="api/docs.html"),
        name="docs",
    ),
    re_path(r"^v1/[\s\S]*$", absent),  # newlines too
]
