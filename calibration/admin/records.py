"""Calibrations and functional tests: read-only pages with their numbers, and the entry forms."""

from datetime import UTC
from typing import Any, ClassVar

from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.urls import path, reverse
from django.utils import timezone

from calibration import documents, matching, readout
from calibration.admin import wording
from calibration.admin.entering import (
    CalibrationEntry,
    Entry,
    FunctionalEntry,
    correction_of,
    start_values,
)
from calibration.admin.sensor_page import history_row, last_facts, open_flags
from calibration.admin.showing import Desk, state
from calibration.documents.latest import latest_answers
from calibration.documents.procedure import CAUTIONS, STEPS
from calibration.models import Calibration, FunctionalTest
from fleet.admin.door import scope_in
from fleet.admin.filters import ScopedRelatedFilter, ValuesFilter
from fleet.admin.scoped import ReadOnly
from fleet.models import Sensor


class SeasonFilter(ValuesFilter):
    """By season."""

    title = "season"
    parameter_name = "season"
    path = "judgement__season"


class LotFilter(ValuesFilter):
    """By production batch of the sensor."""

    title = "lot"
    parameter_name = "lot"
    path = "sensor__lot"


class RecordAdmin(Desk, ReadOnly):
    """What both kinds of sealed records have in common: entered once, then only read."""

    entry_class: ClassVar[type[Entry]]
    entry_template: ClassVar[str]
    done_text: ClassVar[str]

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Whether the caller may record here."""
        return self._may(request, "create")

    def add_view(
        self, request: HttpRequest, form_url: str = "", extra_context: Any = None
    ) -> HttpResponse:
        """Show the form; store what was typed, once, and go to its page."""
        if not self.has_add_permission(request):
            raise PermissionDenied
        if request.method != "POST":
            return self._form(
                request, self.entry_class(scope_in(request), start=self._start(request))
            )
        entry = self.entry_class(scope_in(request), data=request.POST, start={})
        if not entry.is_valid():
            return self._form(request, entry)
        if "_check" in request.POST and isinstance(entry, CalibrationEntry):
            return self._form(request, entry, checked=entry.check(now=timezone.now()))
        return self._store(request, entry)

    def _store(self, request: HttpRequest, entry: Any) -> HttpResponse:
        done = entry.store(now=timezone.now())
        if done is None:
            return self._form(request, entry)
        record, created = done
        said = self.done_text if created else "This is recorded already; nothing was added."
        self.message_user(request, said, messages.SUCCESS if created else messages.INFO)
        return HttpResponseRedirect(self.page_of(record.pk))

    def page_of(self, key: object) -> str:
        """Return the address of a record's page."""
        return reverse(f"admin:calibration_{self.opts.model_name}_change", args=[key])

    def _start(self, request: HttpRequest) -> dict[str, Any]:
        person = getattr(request.user, "get_full_name", str)()
        return start_values(scope_in(request), request.GET.get("sensor", "").strip(), person)

    def _form(self, request: HttpRequest, entry: Entry, checked: Any = None) -> HttpResponse:
        serial = entry.form["sensor"].value() or ""
        rows = Sensor.objects.visible_to(scope_in(request)).select_related("model", "dealer")
        sensor = rows.filter(serial__iexact=str(serial).strip()).first() if serial else None
        last = latest_answers([sensor.pk], scope_in(request)).get(sensor.pk) if sensor else None
        zone = sensor.dealer.zone if sensor else UTC
        context = {
            "title": f"Record a {self.opts.verbose_name}",
            "form": entry.form,
            "rows": entry.rows,
            "sensor": sensor,
            "last": last and history_row(last, zone),
            "last_points": last and wording.points_of(last),
            "checked": checked and last_facts(checked, zone),
            "flags": open_flags(sensor, scope_in(request)) if sensor else [],
            "cautions": CAUTIONS,
            "steps": STEPS,
        }
        return self.page(request, self.entry_template, context)


@admin.register(Calibration)
class CalibrationAdmin(RecordAdmin):
    """Calibrations, newest first, each with its verdict."""

    resource = "calibrations"
    entry_class = CalibrationEntry
    entry_template = "desk/calibration_entry.html"
    done_text = "The calibration is recorded, sealed and judged."
    list_display = (
        "sensor_serial", "day", "season", "reason", "where", "slope_change", "offset_change",
        "verdict",
    )  # fmt: skip
    list_display_links = ("sensor_serial", "day")
    list_select_related = ("fit", "judgement", "sensor__dealer", "superseded_by")
    list_filter = (
        ("judgement__verdict", admin.AllValuesFieldListFilter),
        SeasonFilter,
        "reason",
        "stage",
        ("sensor__dealer", ScopedRelatedFilter),
        ("sensor__model", ScopedRelatedFilter),
        LotFilter,
    )
    search_fields = ("sensor_serial", "machine_serial")
    linked_by = ("sensor", "reference")

    @admin.display(description="day", ordering="performed_at")
    def day(self, row: Calibration) -> str:
        """Return the day at the dealer."""
        return wording.local_day(row.performed_at, row.sensor.dealer.zone)

    @admin.display(description="season", ordering="judgement__season")
    def season(self, row: Any) -> str:
        """Return the season that it belongs to."""
        return str(row.judgement.season) if hasattr(row, "judgement") else ""

    @admin.display(description="where")
    def where(self, row: Calibration) -> str:
        """Return machine and position at that time."""
        return ", ".join(part for part in (row.machine_serial, row.position) if part)

    @admin.display(description="slope change", ordering="judgement__slope_change_pct")
    def slope_change(self, row: Any) -> str:
        """Return the change of slope since the season before."""
        judged = getattr(row, "judgement", None)
        return (
            wording.change(judged.slope_change_pct, judged.u_slope_change_pct, "%")
            if judged
            else ""
        )

    @admin.display(description="offset change", ordering="judgement__offset_change")
    def offset_change(self, row: Any) -> str:
        """Return the change of offset since the season before, in the unit that was typed."""
        judged = getattr(row, "judgement", None)
        if judged is None or judged.offset_change is None:
            return ""
        return wording.change_in(row.load_unit, judged.offset_change, judged.u_offset_change)

    @admin.display(description="verdict", ordering="judgement__verdict")
    def verdict(self, row: Any) -> str:
        """Return where it stands against its history."""
        if hasattr(row, "superseded_by"):
            return state("none", "replaced")
        judged = getattr(row, "judgement", None)
        return state(judged.verdict, judged.verdict) if judged else state("none", "not judged")

    def _start(self, request: HttpRequest) -> dict[str, Any]:
        key = request.GET.get("corrects", "")
        if not key:
            return super()._start(request)
        return correction_of(self.visible_or_404(request, key))

    def change_view(
        self, request: HttpRequest, object_id: str, form_url: str = "", extra_context: Any = None
    ) -> HttpResponse:
        """Show one calibration with everything that follows from it."""
        row = self.looked_at(request, object_id)
        answer = readout.calibration_answer(row, scope_in(request))
        context = {
            "title": f"Calibration of {row.sensor_serial}",
            "row": row,
            "facts": last_facts(answer, row.sensor.dealer.zone),
            "recorded": wording.local_time(row.recorded_at, row.sensor.dealer.zone),
            "may_correct": self._may(request, "create", row) and not answer["superseded_by"],
            "cautions": CAUTIONS,
        }
        return self.page(request, "desk/calibration.html", context)

    def get_urls(self) -> list[Any]:
        """Add the certificate."""
        door = self.admin_site.admin_view(self.certificate)
        name = "calibration_calibration_certificate"
        return [path("<path:object_id>/certificate/", door, name=name), *super().get_urls()]

    def certificate(self, request: HttpRequest, object_id: str) -> HttpResponse:
        """Serve the calibration's certificate."""
        row = self.visible_or_404(request, object_id)
        link = request.build_absolute_uri(matching.address_of(row))
        made = documents.certificate(row, scope=scope_in(request), now=timezone.now(), link=link)
        return self.pdf(made, f"calibration-{row.sensor_serial}-{row.performed_at:%Y-%m-%d}")


@admin.register(FunctionalTest)
class FunctionalTestAdmin(RecordAdmin):
    """Functional tests, newest first."""

    resource = "functional-tests"
    entry_class = FunctionalEntry
    entry_template = "desk/functional_entry.html"
    done_text = "The functional test is recorded, sealed and judged."
    list_display = ("sensor_serial", "day", "where", "worst", "verdict")
    list_display_links = ("sensor_serial", "day")
    list_select_related = ("outcome", "sensor__dealer")
    list_filter = ("outcome__verdict", ("sensor__dealer", ScopedRelatedFilter))
    search_fields = ("sensor_serial", "machine_serial")
    linked_by = ("sensor",)

    @admin.display(description="day", ordering="performed_at")
    def day(self, row: FunctionalTest) -> str:
        """Return the day at the dealer."""
        return wording.local_day(row.performed_at, row.sensor.dealer.zone)

    @admin.display(description="where")
    def where(self, row: FunctionalTest) -> str:
        """Return machine and position."""
        return f"{row.machine_serial}, {row.position}"

    @admin.display(description="worst error", ordering="outcome__worst_error_pct")
    def worst(self, row: Any) -> str:
        """Return the largest error at a setpoint."""
        value = row.outcome.worst_error_pct if hasattr(row, "outcome") else None
        return "" if value is None else f"{value:.2g} %"

    @admin.display(description="verdict", ordering="outcome__verdict")
    def verdict(self, row: Any) -> str:
        """Return whether it passed."""
        if not hasattr(row, "outcome"):
            return state("none", "not judged")
        return state(row.outcome.verdict, row.outcome.get_verdict_display())

    def change_view(
        self, request: HttpRequest, object_id: str, form_url: str = "", extra_context: Any = None
    ) -> HttpResponse:
        """Show one functional test with its verdict."""
        row = self.looked_at(request, object_id)
        answer = readout.functional_answer(row, scope_in(request))
        zone = row.sensor.dealer.zone
        context = {
            "title": f"Functional test of {row.sensor_serial}",
            "row": row,
            "answer": answer,
            "when": wording.local_time(row.performed_at, zone),
            "recorded": wording.local_time(row.recorded_at, zone),
            "cautions": CAUTIONS,
        }
        return self.page(request, "desk/functional.html", context)
