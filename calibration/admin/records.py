"""Calibrations and functional tests: read-only pages with their numbers, and the entry forms."""

from datetime import UTC, tzinfo
from typing import Any, ClassVar

from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.http import (
    HttpRequest,
    HttpResponse,
    HttpResponseNotAllowed,
    HttpResponseRedirect,
    JsonResponse,
)
from django.template.loader import render_to_string
from django.urls import path, reverse
from django.utils import timezone

from calibration import documents, matching, readout
from calibration.admin import wording
from calibration.admin.beside import beside
from calibration.admin.entering import (
    CalibrationEntry,
    Entry,
    FunctionalEntry,
    correction_of,
    start_values,
)
from calibration.admin.sensor_page import last_facts
from calibration.admin.showing import Desk, state
from calibration.documents.procedure import CAUTIONS, STEPS
from calibration.models import Calibration, FunctionalTest
from fleet.admin.door import scope_in
from fleet.admin.filters import ScopedRelatedFilter, ValuesFilter
from fleet.admin.scoped import ReadOnly
from fleet.models import Sensor

JSON = "application/json"
MOST_SERIALS = 12
ASKED = (
    "Not stored yet. Something surprises: read what it is, then correct it, or store it all the "
    "same. A sealed record cannot be changed."
)


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
    judged_template: ClassVar[str]
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
        now = timezone.now()
        readable = entry.is_valid(now=now)
        if "_check" in request.POST:
            checked = entry.check(now=now) if readable else None
            return self._form(request, entry, checked=checked)
        done = entry.store(now=now) if readable else None
        if request.headers.get("Accept") == JSON:
            return self._told(request, entry, done)
        if done is None:
            return self._form(request, entry, checked=entry.question and entry.question.answer)
        return HttpResponseRedirect(self._stored(request, done))

    def _stored(self, request: HttpRequest, done: tuple[Any, bool]) -> str:
        """Say that it is stored; return the address of the record's page."""
        record, created = done
        said = self.done_text if created else "This is recorded already; nothing was added."
        self.message_user(request, said, messages.SUCCESS if created else messages.INFO)
        return self.page_of(record.pk)

    def _told(self, request: HttpRequest, entry: Entry, done: Any) -> HttpResponse:
        """Tell the page's script where the record is, what was refused, or what is asked first.

        All are answers: of a status that says failure the browser would complain in its console.
        """
        if done is not None:
            return JsonResponse({"stored": self._stored(request, done)})
        if entry.question is None:
            return JsonResponse({"problems": entry.problems()})
        question = {"sure": entry.question.sure, "words": ASKED}
        shown = self._shown(entry.sensor(), entry.question.answer, asked_first=ASKED)
        return JsonResponse(question | shown)

    def _shown(
        self, sensor: Sensor | None, answer: dict[str, Any] | None, **known: Any
    ) -> dict[str, str]:
        """Return how a draft is judged, as a panel and in brief; nothing where it is not."""
        if answer is None:
            return {"judged": "", "brief": ""}
        zone = sensor.dealer.zone if sensor else UTC
        known["checked"] = self.judged(answer, zone)
        templates = {"judged": self.judged_template, "brief": "desk/_brief.html"}
        return {name: render_to_string(each, known) for name, each in templates.items()}

    def live(self, request: HttpRequest) -> HttpResponse:
        """Tell the page's script what is known of the sensor and how the numbers would be judged.

        The service is the one that judges a post; nothing is stored.
        """
        if not self.has_add_permission(request):
            raise PermissionDenied
        if request.method != "POST":
            return HttpResponseNotAllowed(["POST"])
        scope, now = scope_in(request), timezone.now()
        entry = self.entry_class(scope, data=request.POST, start={})
        enough = entry.is_valid(now=now) and len(entry.rows.filled()) > 1
        checked = entry.check(now=now) if enough else None
        known = render_to_string("desk/_beside.html", beside(entry, scope))
        shown = self._shown(entry.sensor(), checked)
        return JsonResponse({"sensor": known, "problems": entry.problems(), **shown})

    def serials(self, request: HttpRequest) -> HttpResponse:
        """Tell the page's script which serials begin as typed, or hold it."""
        if not self.has_add_permission(request):
            raise PermissionDenied
        typed = request.GET.get("typed", "").strip()[:40]
        rows = Sensor.objects.visible_to(scope_in(request)).filter(serial__icontains=typed)
        found = rows.order_by("serial").values_list("serial", flat=True)[:MOST_SERIALS]
        return JsonResponse({"serials": list(found) if typed else []})

    def judged(self, answer: dict[str, Any], zone: tzinfo) -> Any:
        """Return what the page says about a judged draft."""
        raise NotImplementedError

    def get_urls(self) -> list[Any]:
        """Add what the form's script asks."""
        door, name = self.admin_site.admin_view, f"calibration_{self.opts.model_name}"
        return [
            path("add/live/", door(self.live), name=f"{name}_live"),
            path("add/serials/", door(self.serials), name=f"{name}_serials"),
            *super().get_urls(),
        ]

    def page_of(self, key: object) -> str:
        """Return the address of a record's page."""
        return reverse(f"admin:calibration_{self.opts.model_name}_change", args=[key])

    def _start(self, request: HttpRequest) -> dict[str, Any]:
        person = getattr(request.user, "get_full_name", str)()
        return start_values(scope_in(request), request.GET.get("sensor", "").strip(), person)

    def _form(self, request: HttpRequest, entry: Entry, checked: Any = None) -> HttpResponse:
        known = beside(entry, scope_in(request))
        zone = known["sensor"].dealer.zone if known["sensor"] else UTC
        base = f"admin:calibration_{self.opts.model_name}"
        context = {
            "title": f"Record a {self.opts.verbose_name}",
            "form": entry.form,
            "rows": entry.rows,
            **known,
            "checked": checked and self.judged(checked, zone),
            "judged_template": self.judged_template,
            "question": entry.question,
            "asked_first": ASKED if entry.question else "",
            "live_url": reverse(f"{base}_live"),
            "serials_url": reverse(f"{base}_serials"),
            "person": request.user.pk,
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
        made = documents.certificate(
            row,
            scope=scope_in(request),
            now=timezone.now(),
            paper=self.paper(request),
            link=link,
        )
        return self.pdf(made, f"calibration-{row.sensor_serial}-{row.performed_at:%Y-%m-%d}")


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
        """Return the answer, with its largest error in words."""
        return {**answer, "worst": wording.worst_error(answer["worst_error_pct"])}

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
