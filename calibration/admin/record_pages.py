"""What the pages of both kinds of records share: lists, sheets, and the way a form is asked."""

from datetime import UTC, tzinfo
from typing import Any, ClassVar

from django.contrib import messages
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

from calibration.admin.beside import beside
from calibration.admin.entering import (
    Entry,
    start_values,
)
from calibration.admin.showing import Desk
from calibration.documents.procedure import CAUTIONS, STEPS
from fleet.admin.door import scope_in
from fleet.admin.filters import ValuesFilter
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
