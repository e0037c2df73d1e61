"""What people have to do: reminders, visits, due days."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

from django import forms
from django.contrib import admin
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from calibration.admin.customer_page import visit_page
from calibration.admin.wording import local_day
from calibration.models import DueState, Reminder, Visit
from calibration.planning import appointments
from calibration.readout import due_answer
from fleet.admin.door import scope_in
from fleet.admin.filters import ScopedRelatedFilter
from fleet.admin.refusals import RefusalForm
from fleet.admin.scoped import ReadOnly, Scoped, refused
from fleet.errors import Invalid


@admin.register(Reminder)
class ReminderAdmin(ReadOnly):
    """Sensors that have to be calibrated again, until they are."""

    about = "The day by which each sensor has to be calibrated again; it ends when it was."
    resource = "reminders"
    list_display = (
        "sensor",
        "due_on",
        "decided",
        "calibrated",
        "status",
        "last_told_on",
        "done_at",
    )
    list_select_related = ("sensor__dealer", "sensor__due__last_calibration")
    list_filter = ("status", ("sensor__dealer", ScopedRelatedFilter))
    search_fields = ("sensor__serial",)
    date_hierarchy = "due_on"
    linked_by = ("sensor",)
    fields = ("sensor", "due_on", "decided", "calibrated", "status", "last_told_on", "done_at")

    @admin.display(description="why then", ordering="why")
    def decided(self, row: Reminder) -> str:
        """Return what decided the day, in the words of the due day itself."""
        return str(DueState.Decided(row.why).label)

    @admin.display(description="last calibration")
    def calibrated(self, row: Reminder) -> str:
        """Return the day of the sensor's last calibration."""
        return _calibrated_on(getattr(row.sensor, "due", None))


def _calibrated_on(state: DueState | None) -> str:
    last = state and state.last_calibration
    return local_day(last.performed_at, state.sensor.dealer.zone) if state and last else ""


@admin.register(DueState)
class DueStateAdmin(ReadOnly):
    """The day on which each sensor is due, and what decided it; a sensor's page leads here."""

    resource = "reminders"
    list_display = ("sensor", "due_on", "decided_by", "calibrated")
    list_select_related = ("sensor__dealer", "last_calibration")
    list_filter = ("decided_by", ("sensor__dealer", ScopedRelatedFilter))
    search_fields = ("sensor__serial",)
    date_hierarchy = "due_on"
    linked_by = ("sensor",)
    fields = ("sensor", "due_on", "decided_by", "why", "last_calibration")

    def has_module_permission(self, request: HttpRequest) -> bool:
        """Keep it out of the places: the reminders list the same days."""
        return False

    @admin.display(description="last calibration")
    def calibrated(self, row: DueState) -> str:
        """Return the day of the sensor's last calibration."""
        return _calibrated_on(row)

    @admin.display(description="why")
    def why(self, row: DueState) -> str:
        """Return every day that competed, the earliest first."""
        said = [f"{each['on']}: {each['says']}" for each in due_answer(row.sensor)["candidates"]]
        return "\n".join(said)


COMES_WITH_IT = "The machines that are due, and in no open visit, come with it."
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
    list_select_related = ("customer__dealer", "technician")
    list_filter = ("status", ("customer__dealer", ScopedRelatedFilter))
    search_fields = ("customer__search",)
    date_hierarchy = "planned_on"
    autocomplete_fields = ("customer", "technician")
    fields = ("planned_on", "technician", "status", "cancel_reason", "note")
    fields_of_a_new_one = ("customer", "planned_on", "technician", "status", "note")
    change_form_template = "desk/visit.html"
    linked_by = ("customer", "technician")

    def change_view(
        self, request: HttpRequest, object_id: str, form_url: str = "", extra_context: Any = None
    ) -> HttpResponse:
        """Show what whoever drives there has to know, above what a manager changes."""
        row = self.visible_or_404(request, object_id)
        page = visit_page(row, scope=scope_in(request), now=timezone.now())
        context = {"page": page, **(extra_context or {})}
        return super().change_view(request, object_id, form_url, context)

    def get_form(self, request: HttpRequest, obj: Any = None, *args: Any, **kwargs: Any) -> Any:
        """Return the form; nobody plans a visit that is called off."""
        form = super().get_form(request, obj, *args, **kwargs)
        if obj is None:
            fields: Any = form.base_fields
            fields["customer"].help_text = COMES_WITH_IT
            known = fields["status"].choices
            fields["status"].choices = [
                each for each in known if each[0] != Visit.Status.CANCELLED
            ]
        return form

    def get_fields(self, request: HttpRequest, obj: Any = None) -> Any:
        """Ask for what nobody else knows; and whether to go there on a day that is refused."""
        shown = super().get_fields(request, obj) if obj else self.fields_of_a_new_one
        refusal = refused(request)
        asked = refusal and any(problem.accepted == ASKED for problem in refusal.problems)
        if not (asked or CLOSED in request.POST):
            return shown
        at = list(shown).index("planned_on") + 1
        return [*shown[:at], CLOSED, *shown[at:]]

    def store_new(self, request: HttpRequest, row: Visit) -> Visit:
        """Store a visit that a manager plans by hand."""
        with _asking():
            made = appointments.make(
                row, now=timezone.now(), although_closed=CLOSED in request.POST
            )
        serials = made.lines.values_list("machine__serial", flat=True)
        self.message_user(request, f"Machines: {', '.join(serials) or 'none is due there'}.")
        return made

    def store_changes(self, request: HttpRequest, row: Any, changes: dict[str, Any]) -> Any:
        """Store what a manager changed."""
        closed = changes.pop(CLOSED, False)
        with _asking():
            return appointments.edit(row, now=timezone.now(), although_closed=closed, **changes)
