"""Calibrations and functional tests: read-only pages with their numbers, and the entry forms."""

from datetime import tzinfo
from typing import Any

from django.contrib import admin
from django.http import (
    HttpRequest,
    HttpResponse,
)
from django.urls import path
from django.utils import timezone

from calibration import documents, matching, readout
from calibration.admin import wording
from calibration.admin.entering import (
    CalibrationEntry,
    FunctionalEntry,
    correction_of,
)
from calibration.admin.record_pages import LotFilter, RecordAdmin, SeasonFilter
from calibration.admin.sensor_page import last_facts
from calibration.admin.showing import state
from calibration.documents.procedure import CAUTIONS
from calibration.models import Calibration, FunctionalTest
from calibration.readout.phrases import typed
from fleet.admin.door import scope_in
from fleet.admin.filters import ScopedRelatedFilter


@admin.register(Calibration)
class CalibrationAdmin(RecordAdmin):
    """Calibrations, newest first, each with its verdict."""

    resource = "calibrations"
    entry_class = CalibrationEntry
    entry_template = "desk/calibration_entry.html"
    judged_template = "desk/_judged.html"
    done_text = "The calibration is recorded, sealed and judged."
    list_display = (
        "sensor_serial", "day", "season", "reason", "where", "slope_change", "offset_change",
        "verdict",
    )  # fmt: skip
    list_display_links = ("sensor_serial", "day")
    list_select_related = (
        "fit", "judgement", "sensor__dealer", "sensor__model", "superseded_by"
    )  # fmt: skip
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

    @admin.display(
        description="slope change, judged", ordering="judgement__expected_slope_change_pct"
    )
    def slope_change(self, row: Any) -> str:
        """Return the change of slope that the verdict beside it rests on."""
        return wording.judged_slope(getattr(row, "judgement", None))

    @admin.display(
        description="offset change, judged", ordering="judgement__expected_offset_change"
    )
    def offset_change(self, row: Any) -> str:
        """Return the change of offset that the verdict rests on, in the unit that was typed."""
        return wording.judged_offset(getattr(row, "judgement", None), row.load_unit)

    @admin.display(description="verdict", ordering="judgement__verdict")
    def verdict(self, row: Any) -> str:
        """Return where it stands against its history."""
        if hasattr(row, "superseded_by"):
            return state("none", "replaced")
        judged = getattr(row, "judgement", None)
        return state(judged.verdict, judged.verdict) if judged else state("none", "not judged")

    def judged(self, answer: dict[str, Any], zone: tzinfo) -> Any:
        """Return what a page says about a calibration."""
        return last_facts(answer, zone)

    def _start(self, request: HttpRequest) -> dict[str, Any]:
        key = request.GET.get("corrects", "")
        if not key:
            return super()._start(request)
        return correction_of(self.visible_or_404(request, key), scope_in(request))

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
        made = documents.certificate(
            row,
            scope=scope_in(request),
            now=timezone.now(),
            paper=self.paper(request),
            link=link,
        )
        day = wording.local_day(row.performed_at, row.dealer.zone)
        return self.pdf(made, f"calibration-{row.sensor_serial}-{day}")


@admin.register(FunctionalTest)
class FunctionalTestAdmin(RecordAdmin):
    """Functional tests, newest first."""

    resource = "functional-tests"
    entry_class = FunctionalEntry
    entry_template = "desk/functional_entry.html"
    judged_template = "desk/_judged_test.html"
    done_text = "The functional test is recorded, sealed and judged."
    list_display = ("sensor_serial", "day", "where", "worst", "verdict")
    list_display_links = ("sensor_serial", "day")
    list_select_related = ("outcome", "sensor__dealer", "superseded_by")
    list_filter = ("outcome__verdict", ("sensor__dealer", ScopedRelatedFilter))
    search_fields = ("sensor_serial", "machine_serial")
    linked_by = ("sensor",)

    @admin.display(description="day", ordering="performed_at")
    def day(self, row: FunctionalTest) -> str:
        """Return the day at the dealer."""
        return wording.local_day(row.performed_at, row.sensor.dealer.zone)

    def judged(self, answer: dict[str, Any], zone: tzinfo) -> Any:
        """Return the answer, its largest error in words and its numbers as they were typed."""
        steps = [
            {
                name: value if isinstance(value, str) else typed(value)
                for name, value in step.items()
            }
            for step in answer["steps"]
        ]
        worst = wording.worst_error(answer["worst_error_pct"])
        return {**answer, "steps": steps, "worst": worst}

    @admin.display(description="where")
    def where(self, row: FunctionalTest) -> str:
        """Return machine and position."""
        return f"{row.machine_serial}, {row.position}"

    @admin.display(description="worst error", ordering="outcome__worst_error_pct")
    def worst(self, row: Any) -> str:
        """Return the largest error at a setpoint."""
        value = row.outcome.worst_error_pct if hasattr(row, "outcome") else None
        return wording.worst_error(value)

    @admin.display(description="verdict", ordering="outcome__verdict")
    def verdict(self, row: Any) -> str:
        """Return whether it passed."""
        if hasattr(row, "superseded_by"):
            return state("none", "replaced")
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
            "answer": self.judged(answer, zone),
            "when": wording.local_time(row.performed_at, zone),
            "recorded": wording.local_time(row.recorded_at, zone),
            "cautions": CAUTIONS,
        }
        return self.page(request, "desk/functional.html", context)
