"""Flags: what somebody has to look at, worst first; acknowledged and closed here."""

from collections.abc import Callable
from typing import Any

from django import forms
from django.contrib import admin, messages
from django.contrib.admin.helpers import ACTION_CHECKBOX_NAME
from django.db import models
from django.db.models.functions import Abs, NullIf
from django.http import HttpRequest, HttpResponse, HttpResponseNotAllowed, HttpResponseRedirect
from django.urls import path, reverse
from django.utils import timezone

from calibration import flags
from calibration.admin import wording
from calibration.admin.showing import Desk, state
from calibration.models import DriftFlag
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


def by_weight(rows: models.QuerySet[Any]) -> models.QuerySet[Any]:
    """Return flags with their weight: how many tolerances the change is."""
    size = Abs("magnitude")
    none = models.Value(0.0)
    weighed: models.QuerySet[Any] = rows.annotate(weight=size / NullIf("tolerance", none))
    return weighed


def magnitude(row: DriftFlag) -> str:
    """Return how much it is, and how much would be tolerated."""
    unit = {"overdue": "days", "offset": "% of rated load"}.get(row.kind, "%")
    if row.kind == "overdue":
        return f"{row.magnitude:.0f} {unit}"
    return f"{wording.brief(row.magnitude, 3)} {unit} (tolerance {row.tolerance:.3g})"


class ReasonForm(forms.Form):
    """Why flags are closed."""

    reason = forms.CharField(
        max_length=200,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
        help_text="3 to 200 characters; it stays with the flag.",
    )


@admin.register(DriftFlag)
class FlagAdmin(Desk, ReadOnly):
    """Flags, worst first; acknowledged and closed here."""

    resource = "flags"
    list_display = ("level_shown", "sensor", "kind", "size", "chance", "cause", "opened", "status")
    list_display_links = ("level_shown", "sensor")
    list_select_related = ("sensor__dealer", "sensor__model")
    list_filter = (
        StatusFilter,
        "level",
        "kind",
        ("sensor__dealer", ScopedRelatedFilter),
        ("sensor__model", ScopedRelatedFilter),
        LotFilter,
    )
    search_fields = ("sensor__serial",)
    linked_by = ("sensor", "calibration")
    actions = ("acknowledge_chosen", "close_chosen")

    def get_queryset(self, request: HttpRequest) -> models.QuerySet[Any]:
        """Return the flags, worst first."""
        rows = by_weight(visible(self.model, scope_in(request)))
        return rows.order_by("level", models.F("weight").desc(nulls_last=True), "-pk")

    def get_ordering(self, request: HttpRequest) -> Any:
        """Keep the worst first, unless a column is chosen."""
        return ("level", models.F("weight").desc(nulls_last=True), "-pk")

    @admin.display(description="level", ordering="level")
    def level_shown(self, row: DriftFlag) -> str:
        """Return how bad it is."""
        return state(row.level, row.level)

    @admin.display(description="how much", ordering="weight")
    def size(self, row: DriftFlag) -> str:
        """Return the change against its tolerance."""
        return magnitude(row)

    @admin.display(description="chance that it is real", ordering="p_out")
    def chance(self, row: DriftFlag) -> str:
        """Return the probability that the true change is beyond the tolerance."""
        return wording.percent(row.p_out)

    @admin.display(description="likeliest cause")
    def cause(self, row: DriftFlag) -> str:
        """Return the first of the ranked causes."""
        causes = wording.causes_of(row.causes[:1])
        return causes[0]["name"] if causes else ""

    @admin.display(description="since", ordering="opened_at")
    def opened(self, row: DriftFlag) -> str:
        """Return the day on which it was opened."""
        return wording.local_day(row.opened_at, row.sensor.dealer.zone)

    def change_view(
        self, request: HttpRequest, object_id: str, form_url: str = "", extra_context: Any = None
    ) -> HttpResponse:
        """Show one flag: what, why, what to check, and what was done about it."""
        return self._flag(request, self.looked_at(request, object_id), ReasonForm())

    def _flag(self, request: HttpRequest, row: DriftFlag, form: ReasonForm) -> HttpResponse:
        record = row.calibration_id or row.functional_test_id
        kind = "calibration" if row.calibration_id else "functionaltest"
        zone = row.sensor.dealer.zone
        context = {
            "title": f"{row.sensor.serial}: {row.get_kind_display()} {row.level}",
            "flag": row,
            "size": magnitude(row),
            "chance": wording.percent(row.p_out),
            "causes": wording.causes_of(row.causes),
            "opened": wording.local_time(row.opened_at, zone),
            "acknowledged": wording.local_time(row.acknowledged_at, zone),
            "closed": wording.local_time(row.closed_at, zone),
            "names_shown": scope_in(request).sees_remarks_of(row.sensor.dealer_id),
            "sensor_url": reverse("admin:fleet_sensor_change", args=[row.sensor_id]),
            "record_url": record and reverse(f"admin:calibration_{kind}_change", args=[record]),
            "form": form,
            "may_decide": self._may(request, "decide", row),
        }
        return self.page(request, "desk/flag.html", context)

    # ── decisions ──
    def get_urls(self) -> list[Any]:
        """Add the two decisions."""
        door = self.admin_site.admin_view
        name = "calibration_driftflag"
        return [
            path(
                "<path:object_id>/acknowledge/", door(self.acknowledge), name=f"{name}_acknowledge"
            ),
            path("<path:object_id>/close/", door(self.close), name=f"{name}_close"),
            *super().get_urls(),
        ]

    def acknowledge(self, request: HttpRequest, object_id: str) -> HttpResponse:
        """Note that somebody has seen it."""
        row = self.visible_or_404(request, object_id, "decide")
        if request.method != "POST":
            return HttpResponseNotAllowed(["POST"])
        return self._decided(
            request, row, lambda: flags.acknowledge(
                row, user_id=request.user.pk, now=timezone.now()
            ), ReasonForm(), "The flag is acknowledged.",
        )  # fmt: skip

    def close(self, request: HttpRequest, object_id: str) -> HttpResponse:
        """Close it with a reason."""
        row = self.visible_or_404(request, object_id, "decide")
        if request.method != "POST":
            return HttpResponseNotAllowed(["POST"])
        form = ReasonForm(request.POST)
        if not form.is_valid():
            return self._flag(request, row, form)
        return self._decided(
            request, row, lambda: flags.close(
                row, user_id=request.user.pk, reason=form.cleaned_data["reason"],
                now=timezone.now(),
            ), form, "The flag is closed.",
        )  # fmt: skip

    def _decided(
        self,
        request: HttpRequest,
        row: DriftFlag,
        decision: Callable[[], object],
        form: ReasonForm,
        said: str,
    ) -> HttpResponse:
        try:
            decision()
        except DomainError as refusal:
            self.message_user(request, str(refusal), messages.ERROR)
            row.refresh_from_db()
            return self._flag(request, row, form)
        self.message_user(request, said, messages.SUCCESS)
        return HttpResponseRedirect(reverse("admin:calibration_driftflag_change", args=[row.pk]))

    @admin.action(description="Acknowledge", permissions=["decide"])
    def acknowledge_chosen(self, request: HttpRequest, queryset: models.QuerySet[Any]) -> None:
        """Acknowledge the chosen flags; closed ones are left alone."""
        now, done, left = timezone.now(), 0, 0
        for row in queryset.select_related("sensor"):
            if row.status == DriftFlag.Status.OPEN and self._may(request, "decide", row):
                flags.acknowledge(row, user_id=request.user.pk, now=now)
                done += 1
            else:
                left += 1
        self.say(request, done, left, "acknowledged")

    @admin.action(description="Close with a reason ...", permissions=["decide"])
    def close_chosen(
        self, request: HttpRequest, queryset: models.QuerySet[Any]
    ) -> HttpResponse | None:
        """Say what will be closed, ask for the reason, close."""
        form = ReasonForm(request.POST if "reason" in request.POST else None)
        rows = [row for row in queryset if self._may(request, "decide", row)]
        open_rows = [row for row in rows if row.status != DriftFlag.Status.CLOSED]
        if not form.is_valid():
            context = {
                "title": "Close flags",
                "form": form,
                "flags": [(row, magnitude(row)) for row in open_rows],
                "left": queryset.count() - len(open_rows),
                "action_name": "close_chosen",
                "action_checkbox_name": ACTION_CHECKBOX_NAME,
            }
            return self.page(request, "desk/close_flags.html", context)
        now, reason = timezone.now(), form.cleaned_data["reason"]
        for row in open_rows:
            flags.close(row, user_id=request.user.pk, reason=reason, now=now)
        self.say(request, len(open_rows), queryset.count() - len(open_rows), "closed")
        return None
