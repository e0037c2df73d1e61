"""What people have to do: reminders, visits, due days."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

from django import forms
from django.contrib import admin
from django.db import models
from django.http import HttpRequest
from django.utils import timezone

from calibration.models import DueState, Reminder, Visit, VisitLine
from calibration.planning import appointments
from calibration.readout import due_answer
from fleet.admin.filters import ScopedRelatedFilter
from fleet.admin.refusals import RefusalForm
from fleet.admin.scoped import ReadOnly, Scoped, refused
from fleet.errors import Invalid


@admin.register(Reminder)
class ReminderAdmin(ReadOnly):
    """Sensors that have to be calibrated again, until they are."""

    resource = "reminders"
    list_display = ("sensor", "due_on", "why", "status", "last_told_on", "done_at")
    list_select_related = ("sensor",)
    list_filter = ("status", ("sensor__dealer", ScopedRelatedFilter))
    search_fields = ("sensor__serial",)
    date_hierarchy = "due_on"
    linked_by = ("sensor",)


@admin.register(DueState)
class DueStateAdmin(ReadOnly):
    """The day on which each sensor is due, and what decided it."""

    resource = "reminders"
    list_display = ("sensor", "due_on", "decided_by", "last_calibration")
    list_select_related = ("sensor", "last_calibration")
    list_filter = ("decided_by", ("sensor__dealer", ScopedRelatedFilter))
    search_fields = ("sensor__serial",)
    date_hierarchy = "due_on"
    linked_by = ("sensor",)
    fields = ("sensor", "due_on", "decided_by", "why", "last_calibration")

    @admin.display(description="why")
    def why(self, row: DueState) -> str:
        """Return every day that competed, the earliest first."""
        said = [f"{each['on']}: {each['says']}" for each in due_answer(row.sensor)["candidates"]]
        return "\n".join(said)


class LineInline(admin.TabularInline):  # type: ignore[type-arg] # not subscriptable at run time
    """The machines of a visit."""

    model = VisitLine
    extra = 0
    can_delete = False
    fields = ("machine", "due_on", "sensors", "done", "done_at")
    verbose_name_plural = "machines"

    def get_queryset(self, request: HttpRequest) -> models.QuerySet[VisitLine]:
        """Return the lines with their machines."""
        return super().get_queryset(request).select_related("machine")

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Whoever sees the visit sees its machines."""
        return True

    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """The plan writes them."""
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """The plan writes them."""
        return False


CLOSED = "although_closed"
ASKED = "another day; or tick below that you go there all the same"


@contextmanager
def _asking() -> Iterator[None]:
    """Ask about a closed day as the form asks: by its box, not by the name of a field."""
    try:
        yield
    except Invalid as refusal:
        problems = (
            replace(problem, accepted=ASKED) if CLOSED in problem.accepted else problem
            for problem in refusal.problems
        )
        raise Invalid(*problems) from refusal


class VisitForm(RefusalForm):
    """A visit; asked about a day on which nobody should go there, a person may say so."""

    although_closed = forms.BooleanField(
        required=False, label="Go there although the dealer or the customer is closed that day"
    )


@admin.register(Visit)
class VisitAdmin(Scoped):
    """Planned visits; managers move, assign and confirm them."""

    resource = "visits"
    form = VisitForm
    labels = {"cancel_reason": "Why it is cancelled"}
    list_display = ("planned_on", "customer", "due_on", "season", "technician", "status")
    list_display_links = ("planned_on", "customer")
    list_select_related = ("customer", "technician")
    list_filter = ("status", ("customer__dealer", ScopedRelatedFilter))
    search_fields = ("customer__search",)
    date_hierarchy = "planned_on"
    autocomplete_fields = ("customer", "technician")
    fields = (
        "customer", "part", "planned_on", "due_on", "season", "technician", "status",
        "cancel_reason", "note",
    )  # fmt: skip
    inlines = (LineInline,)
    linked_by = ("customer", "technician")

    def get_readonly_fields(self, request: HttpRequest, obj: Any = None) -> Any:
        """Keep what the plan knows better."""
        return ("customer", "part", "due_on", "season") if obj else ()

    def get_fields(self, request: HttpRequest, obj: Any = None) -> Any:
        """Ask whether somebody goes there all the same, where the day is refused for that."""
        shown = super().get_fields(request, obj)
        refusal = refused(request)
        asked = refusal and any(problem.accepted == ASKED for problem in refusal.problems)
        if not (asked or CLOSED in request.POST):
            return shown
        at = list(shown).index("planned_on") + 1
        return [*shown[:at], CLOSED, *shown[at:]]

    def store_new(self, request: HttpRequest, row: Visit) -> Visit:
        """Store a visit that a manager plans by hand."""
        closed = CLOSED in request.POST
        with _asking():
            return appointments.make(row, now=timezone.now(), although_closed=closed)

    def store_changes(self, request: HttpRequest, row: Any, changes: dict[str, Any]) -> Any:
        """Store what a manager changed."""
        closed = changes.pop(CLOSED, False)
        with _asking():
            return appointments.edit(row, now=timezone.now(), although_closed=closed, **changes)
