"""Flags: what somebody has to look at, worst first; acknowledged and closed here."""

from collections.abc import Callable
from typing import Any

from django import forms
from django.contrib import admin, messages
from django.db import models
from django.http import HttpRequest, HttpResponse, HttpResponseNotAllowed, HttpResponseRedirect
from django.urls import path, reverse
from django.utils import timezone

from calibration import flags, readout, triage
from calibration.admin import wording
from calibration.admin.chosen_flags import ChosenFlags
from calibration.admin.flag_forms import PersonForm, ReasonForm, keep_typed, person_form
from calibration.admin.looks import Looks
from calibration.admin.moved import FlagList, moved_panel
from calibration.admin.showing import state
from calibration.admin.weights import (
    WORST_FIRST,
    by_weight,
    decided,
    kin_of,
    size_in_list,
    size_of,
    told_to,
)
from calibration.documents.procedure import CAUTIONS
from calibration.models import Calibration, DriftFlag
from fleet.admin.door import scope_in, visible
from fleet.admin.filters import ScopedRelatedFilter, ValuesFilter
from fleet.admin.scoped import ReadOnly
from fleet.errors import DomainError


class StatusFilter(admin.SimpleListFilter):
    """Open and acknowledged flags, unless all or the closed ones are asked for."""

    title = "status"
    parameter_name = "status"

    def lookups(self, request: HttpRequest, model_admin: Any) -> list[tuple[str, str]]:
        """Return the choices beside the default."""
        return [("open", "open, unseen"), ("acknowledged", "acknowledged"), ("closed", "closed"),
                ("all", "all")]  # fmt: skip

    def choices(self, changelist: Any) -> Any:
        """Name the default for what it is."""
        first, *others = super().choices(changelist)
        yield {**first, "display": "not closed"}
        yield from others

    def queryset(
        self, request: HttpRequest, queryset: models.QuerySet[Any]
    ) -> models.QuerySet[Any]:
        """Return the flags of that status."""
        if self.value() is None:
            return queryset.exclude(status=DriftFlag.Status.CLOSED)
        return queryset if self.value() == "all" else queryset.filter(status=self.value())


class LotFilter(ValuesFilter):
    """By production batch."""

    title = "lot"
    parameter_name = "lot"
    path = "sensor__lot"


class AssigneeFilter(admin.SimpleListFilter):
    """By who sees to it."""

    title = "who sees to it"
    parameter_name = "whose"

    def lookups(self, request: HttpRequest, model_admin: Any) -> list[tuple[str, str]]:
        """Return the choices."""
        return [("mine", "I do"), ("nobody", "nobody yet")]

    def queryset(
        self, request: HttpRequest, queryset: models.QuerySet[Any]
    ) -> models.QuerySet[Any]:
        """Return the flags of the caller, or those that nobody has."""
        if self.value() == "mine":
            return queryset.filter(assigned_to=request.user.pk)
        return queryset.filter(assigned_to=None) if self.value() == "nobody" else queryset


@admin.register(DriftFlag)
class FlagAdmin(ChosenFlags, Looks, ReadOnly):
    """Flags, worst first; acknowledged and closed here."""

    resource = "flags"
    list_display = (
        "level_shown", "sensor", "kind", "size", "whose", "chance", "cause", "opened", "status",
    )  # fmt: skip
    list_display_links = ("level_shown", "sensor")
    list_select_related = ("sensor__dealer", "sensor__model", "family", "assigned_to")
    list_filter = (
        StatusFilter,
        AssigneeFilter,
        "level",
        "kind",
        ("sensor__dealer", ScopedRelatedFilter),
        ("sensor__model", ScopedRelatedFilter),
        LotFilter,
    )
    search_fields = ("sensor__serial",)
    linked_by = ("sensor", "calibration", "family")
    actions = ("acknowledge_chosen", "assign_chosen", "close_chosen", "merge_chosen")
    change_list_template = "desk/flags.html"

    def get_queryset(self, request: HttpRequest) -> models.QuerySet[Any]:
        """Return the flags, worst first, each with what its change is counted from.

        For one flag that is a join. For a list it is a query of its own: joined, the records of
        all flags would be read before the worst ones are known.
        """
        rows = told_to(scope_in(request), by_weight(visible(self.model, scope_in(request))))
        rows = rows.order_by(*WORST_FIRST)
        if request.resolver_match and "object_id" in request.resolver_match.kwargs:
            return rows.select_related("calibration__judgement__first")
        judged = Calibration.objects.select_related("judgement__first")
        return rows.prefetch_related(models.Prefetch("calibration", judged))

    def get_changelist(self, request: HttpRequest, **kwargs: Any) -> type[FlagList]:
        """Return the list that knows which reference a flag is about."""
        return FlagList

    def get_ordering(self, request: HttpRequest) -> Any:
        """Keep the worst first, unless a column is chosen."""
        return WORST_FIRST

    @admin.display(description="level", ordering="level")
    def level_shown(self, row: DriftFlag) -> str:
        """Return how bad it is."""
        return state(row.level, row.state)

    @admin.display(description="how much", ordering="weight")
    def size(self, row: Any) -> str:
        """Return the change against its tolerance, and what it is counted from if not as usual."""
        return ", ".join(part for part in (size_in_list(row), row.moved_reference) if part)

    @admin.display(description="chance", ordering="p_out")
    def chance(self, row: DriftFlag) -> str:
        """Return the probability that the true change is beyond the tolerance."""
        return wording.percent(row.p_out)

    @admin.display(description="likeliest cause")
    def cause(self, row: DriftFlag) -> str:
        """Return the first of the ranked causes."""
        causes = wording.causes_of(row.causes[:1])
        return causes[0]["name"] if causes else ""

    @admin.display(description="opened", ordering="opened_at")
    def opened(self, row: DriftFlag) -> str:
        """Return the day on which it was opened."""
        return wording.local_day(row.opened_at, row.sensor.dealer.zone)

    @admin.display(description="who, family")
    def whose(self, row: Any) -> str:
        """Return who sees to it, and whether it is one matter with others."""
        return ", ".join(part for part in (row.told_person, row.told_cause) if part)

    def change_view(
        self, request: HttpRequest, object_id: str, form_url: str = "", extra_context: Any = None
    ) -> HttpResponse:
        """Show one flag: what, why, what to check, and what was done about it."""
        return self.flag_page(request, self.looked_at(request, object_id))

    def flag_page(
        self, request: HttpRequest, row: DriftFlag, bound: forms.Form | None = None
    ) -> HttpResponse:
        """Return the page of one flag; `bound` is the form that was refused, where one was."""
        record = row.calibration_id or row.functional_test_id
        kind = "calibration" if row.calibration_id else "functionaltest"
        zone, scope = row.sensor.dealer.zone, scope_in(request)
        told = readout.whose(row, scope)
        context = {
            "title": f"{row.sensor.serial}: {_named(row)}",
            "flag": row,
            "size": size_of(row),
            "chance": wording.percent(row.p_out),
            "causes": wording.causes_of(row.causes),
            "moved": moved_panel(row, scope),
            "cautions": CAUTIONS,
            "opened": wording.local_time(row.opened_at, zone),
            "acknowledged": wording.local_time(row.acknowledged_at, zone),
            "closed": wording.local_time(row.closed_at, zone),
            "assigned": wording.local_time(told["assigned_at"], zone),
            "told": told,
            "kin": kin_of(row, scope) if told["family"] else [],
            "names_shown": scope.sees_remarks_of(row.sensor.dealer_id),
            "sensor_url": reverse("admin:fleet_sensor_change", args=[row.sensor_id]),
            "record_url": record and reverse(f"admin:calibration_{kind}_change", args=[record]),
            "form": bound if isinstance(bound, ReasonForm) else ReasonForm(),
            "may_decide": self._may(request, "decide", row),
        }
        if context["may_decide"] and row.status != DriftFlag.Status.CLOSED:
            given = isinstance(bound, PersonForm)
            context["person_form"] = (
                bound if given else person_form([row], scope, start=row.assigned_to_id)
            )
        return self.page(request, "desk/flag.html", context)

    # ── decisions ──
    def get_urls(self) -> list[Any]:
        """Add the decisions about one flag."""
        door = self.admin_site.admin_view
        doors = [
            path(f"<path:object_id>/{verb}/", door(view), name=f"calibration_driftflag_{verb}")
            for verb, view in (
                ("acknowledge", self.acknowledge),
                ("assign", self.assign),
                ("close", self.close),
                ("part", self.part),
            )
        ]
        return [*doors, *super().get_urls()]

    def acknowledge(self, request: HttpRequest, object_id: str) -> HttpResponse:
        """Note that somebody has seen it."""
        return self._decided(
            request,
            object_id,
            lambda row, _: flags.acknowledge(row, user_id=request.user.pk, now=timezone.now()),
            done=lambda _: "acknowledged",
        )

    def assign(self, request: HttpRequest, object_id: str) -> HttpResponse:
        """Give it to a person, or to nobody."""
        scope = scope_in(request)
        return self._decided(
            request,
            object_id,
            lambda row, form: triage.assign(
                row, person=form.cleaned_data["person"], scope=scope, now=timezone.now()
            ),
            form_of=lambda row: person_form([row], scope, data=request.POST),
            done=lambda form: f"given to {form.cleaned_data['person'] or 'nobody'}",
        )

    def close(self, request: HttpRequest, object_id: str) -> HttpResponse:
        """Close it with a reason."""
        return self._decided(
            request,
            object_id,
            lambda row, form: flags.close(
                row,
                user_id=request.user.pk,
                reason=form.cleaned_data["reason"],
                now=timezone.now(),
            ),
            form_of=lambda row: ReasonForm(request.POST),
            done=lambda _: "closed",
        )

    def part(self, request: HttpRequest, object_id: str) -> HttpResponse:
        """Take it out of its family."""
        return self._decided(
            request,
            object_id,
            lambda row, _: [triage.part(row)],
            done=lambda _: "out of the family and decided by itself again",
        )

    def _decided(
        self,
        request: HttpRequest,
        object_id: str,
        decision: Callable[[DriftFlag, Any], list[DriftFlag]],
        *,
        done: Callable[[Any], str],
        form_of: Callable[[DriftFlag], forms.Form] | None = None,
    ) -> HttpResponse:
        row = self.visible_or_404(request, object_id, "decide")
        if request.method != "POST":
            return HttpResponseNotAllowed(["POST"])
        form = form_of(row) if form_of else None
        if form is not None and not form.is_valid():
            return self.flag_page(request, row, form)
        try:
            rows = decision(row, form)
        except DomainError as refusal:
            for said in keep_typed(form, refusal):
                self.message_user(request, said, messages.ERROR)
            row.refresh_from_db()
            return self.flag_page(request, row, form)
        level = messages.SUCCESS if rows else messages.INFO
        self.message_user(request, decided(rows, done(form)), level)
        return HttpResponseRedirect(reverse("admin:calibration_driftflag_change", args=[row.pk]))


def _named(row: DriftFlag) -> str:
    """What it is and how bad; what was not measured has no level beside its name."""
    kind = str(row.get_kind_display())
    return f"{kind} {row.level}" if row.kind in DriftFlag.MEASURED else kind
