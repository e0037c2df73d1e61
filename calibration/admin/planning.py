"""What the plan and its mails came to, the calendars that were given, and dealers' calendars."""

from typing import Any

from django.contrib import admin
from django.http import HttpRequest
from django.utils import timezone

from calibration import following
from calibration.models import CalendarFeed, CustomerNote, SeasonPlan
from calibration.planning.progress import readiness
from fleet.admin.dealers import DealerAdmin
from fleet.admin.door import scope_in
from fleet.admin.filters import ScopedRelatedFilter
from fleet.admin.scoped import ReadOnly
from fleet.models import Dealer

admin.site.unregister(Dealer)


@admin.register(Dealer)
class DealerPage(DealerAdmin):
    """Dealers; another calendar makes other seasons and due days."""

    def after_save(self, request: HttpRequest, row: Any, changed: Any) -> None:
        """Have the sensors of a dealer whose calendar was edited judged again."""
        following.dealer_edited(row, changed or (), now=timezone.now())


@admin.register(SeasonPlan)
class SeasonPlanAdmin(ReadOnly):
    """How each dealer's last plan was made, and what it could not place."""

    resource = "visits"
    list_display = ("dealer", "planned_at", "left_out", "says")
    list_select_related = ("dealer",)
    list_filter = (("dealer", ScopedRelatedFilter),)
    fields = (
        "dealer", "how_far", "by_week", "planned_at", "says", "reasons",
    )  # fmt: skip

    def get_object(self, request: HttpRequest, object_id: str, from_field: Any = None) -> Any:
        """Return the plan, with how far the season's work is by now."""
        row = super().get_object(request, object_id, from_field)
        if row is not None and not hasattr(row, "progress"):
            (row.progress,) = readiness(
                scope=scope_in(request), now=timezone.now(), dealers=[row.dealer_id]
            )
        return row

    @admin.display(description="how far")
    def how_far(self, row: Any) -> str:
        """Return the share that is ready, what is planned and what is to be expected."""
        return "\n".join(_how_far(row.progress))

    @admin.display(description="machines by week")
    def by_week(self, row: Any) -> str:
        """Return what was planned and done, week by week."""
        return "\n".join(map(_week, row.progress["weeks"])) or "none planned"

    @admin.display(description="found no day when it was planned")
    def left_out(self, row: SeasonPlan) -> int:
        """Return how many visits have no day."""
        return len(row.unplanned)

    @admin.display(description="found no day when it was planned")
    def reasons(self, row: SeasonPlan) -> str:
        """Return who has no day, and why."""
        said = [f"{each['customer_name']}: {each['reason']}" for each in row.unplanned]
        return "; ".join(said) or "nobody"


def _how_far(found: dict[str, Any]) -> list[str]:
    """Return the figures as a manager reads them."""
    if not found["sensors"]:
        return ["No sensors are installed."]
    ready, forecast = (f"{found[name]:.0%}" for name in ("share_ready", "forecast_share_ready"))
    starts = f"Season {found['season']} starts on {found['season_starts_on']}"
    sensors = f"{found['sensors_ready']} of {found['sensors']} sensors ({ready})"
    machines = f"{found['machines_ready']} of {found['machines']} machines"
    planned = f"Planned before it starts: {found['sensors_planned']} sensors"
    return [
        f"{starts}, the last working day before it is {found['last_working_day']}.",
        f"Ready now: {sensors}, {machines}; overdue today: {found['overdue']} sensors.",
        f"{planned}, without a visit: {found['sensors_not_planned']}.",
        f"Ready on the day it starts, if every visit is made: {forecast}.",
    ]


def _week(week: dict[str, Any]) -> str:
    return (
        f"Week of {week['week']}: {week['machines_planned']} planned, {week['machines_done']} "
        f"done; {week['done_so_far']} of {week['planned_so_far']} so far"
    )


@admin.register(CustomerNote)
class CustomerNoteAdmin(ReadOnly):
    """Notes to customers before a visit."""

    about = (
        "What a customer is told by e-mail before a visit, when it moves and when it is called "
        "off. Made by itself, for the dealers on whose page Tells customers is ticked."
    )
    resource = "customer-notes"
    list_display = ("planned_on", "customer", "subject", "sent_at", "attempts", "last_error")
    list_select_related = ("visit__customer__dealer",)
    list_filter = (("visit__customer__dealer", ScopedRelatedFilter),)
    date_hierarchy = "planned_on"
    fields = (
        "visit", "planned_on", "cancels", "to", "subject", "body", "sent_at", "attempts",
        "last_error",
    )  # fmt: skip

    @admin.display(description="customer")
    def customer(self, row: CustomerNote) -> str:
        """Return whom it is for."""
        return str(row.visit.customer)

    @admin.display(description="to")
    def to(self, row: CustomerNote) -> str:
        """Return to whom it goes."""
        return ", ".join(row.recipients)


@admin.register(CalendarFeed)
class CalendarFeedAdmin(ReadOnly):
    """Calendars under a secret address; given over the API, where the address is shown once."""

    about = (
        "A secret address under which a calendar program shows the visits of a dealer or of one "
        "technician. It is given over the API (POST /api/v1/calendar-feeds/), which shows it once."
    )
    resource = "calendar-feeds"
    list_display = ("dealer", "technician", "created_at")
    list_select_related = ("dealer", "technician")
    list_filter = (("dealer", ScopedRelatedFilter),)
    fields = ("dealer", "technician", "created_at")
