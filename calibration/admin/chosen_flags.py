"""Decisions about many flags: each says what it will do, and does it when that is confirmed."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from django import forms
from django.contrib import admin, messages
from django.contrib.admin.helpers import ACTION_CHECKBOX_NAME
from django.db import models, transaction
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from calibration import flags, triage
from calibration.admin.flag_forms import CauseForm, ReasonForm, keep_typed, person_form
from calibration.admin.showing import Desk
from calibration.admin.weights import decided, size_of
from calibration.models import DriftFlag
from fleet.admin.door import scope_in
from fleet.admin.scoped import Scoped
from fleet.errors import DomainError

Flags = Sequence[DriftFlag]
CLOSED = DriftFlag.Status.CLOSED
MOST_NAMED = 60


@dataclass(frozen=True)
class Decision:
    """One way to decide: what it is called, whom it is for, what is asked, what it does."""

    action: str
    verb: str  # on the button: "Close 3 flags"
    done: str  # "3 flags will be closed"
    form: forms.Form | None
    do: Callable[[Flags, dict[str, Any]], list[DriftFlag]]  # those that it changed
    kin_too: bool = True


def _each(rows: Flags, decide: Callable[[DriftFlag], list[DriftFlag]]) -> list[DriftFlag]:
    """Decide about each once: who came along with its family is decided already."""
    changed: dict[int, DriftFlag] = {}
    for row in rows:
        if row.pk not in changed:
            changed |= {one.pk: one for one in decide(row)}
    return list(changed.values())


class ChosenFlags(Desk, Scoped):
    """The bulk actions of the list of flags."""

    @admin.action(description="Acknowledge ...", permissions=["decide"])
    def acknowledge_chosen(
        self, request: HttpRequest, queryset: models.QuerySet[Any]
    ) -> HttpResponse | None:
        """Note that they are seen; those that are acknowledged already are left alone."""
        now, user = timezone.now(), request.user.pk

        def do(rows: Flags, said: dict[str, Any]) -> list[DriftFlag]:
            return _each(rows, lambda row: flags.acknowledge(row, user_id=user, now=now))

        chosen = self._decidable(request, queryset, only_open=True)
        decision = Decision("acknowledge_chosen", "Acknowledge", "acknowledged", None, do)
        return self._ask_and_do(request, queryset, chosen, decision)

    @admin.action(description="Give to a person ...", permissions=["decide"])
    def assign_chosen(
        self, request: HttpRequest, queryset: models.QuerySet[Any]
    ) -> HttpResponse | None:
        """Give them to somebody who sees to them."""
        now, scope = timezone.now(), scope_in(request)

        def do(rows: Flags, said: dict[str, Any]) -> list[DriftFlag]:
            person = said["person"]
            return _each(rows, lambda row: triage.assign(row, person=person, scope=scope, now=now))

        chosen = self._decidable(request, queryset)
        sent = request.POST if "sure" in request.POST else None
        form = person_form(chosen, scope, data=sent, start=request.user.pk)
        decision = Decision("assign_chosen", "Give away", "given to a person", form, do)
        return self._ask_and_do(request, queryset, chosen, decision)

    @admin.action(description="Close with a reason ...", permissions=["decide"])
    def close_chosen(
        self, request: HttpRequest, queryset: models.QuerySet[Any]
    ) -> HttpResponse | None:
        """Close them, all for one reason."""
        now, user = timezone.now(), request.user.pk

        def do(rows: Flags, said: dict[str, Any]) -> list[DriftFlag]:
            reason = said["reason"]
            return _each(rows, lambda row: flags.close(row, user_id=user, reason=reason, now=now))

        form = ReasonForm(request.POST if "sure" in request.POST else None)
        chosen = self._decidable(request, queryset)
        decision = Decision("close_chosen", "Close", "closed", form, do)
        return self._ask_and_do(request, queryset, chosen, decision)

    @admin.action(description="Make them one matter ...", permissions=["decide"])
    def merge_chosen(
        self, request: HttpRequest, queryset: models.QuerySet[Any]
    ) -> HttpResponse | None:
        """Make them a family: one decision is for all of them from then on."""
        now, scope = timezone.now(), scope_in(request)
        form = CauseForm(request.POST if "sure" in request.POST else None)

        def do(rows: Flags, said: dict[str, Any]) -> list[DriftFlag]:
            triage.merge(rows, cause=said["cause"], scope=scope, now=now)
            return list(rows)

        decision = Decision(
            "merge_chosen",
            "Join",
            "joined into one matter: one decision is for all of them",
            form,
            do,
            kin_too=False,
        )
        return self._ask_and_do(request, queryset, self._decidable(request, queryset), decision)

    def _decidable(
        self, request: HttpRequest, queryset: models.QuerySet[Any], *, only_open: bool = False
    ) -> list[DriftFlag]:
        """The chosen flags that this person may decide on."""
        rows = queryset.select_related("sensor__dealer", "sensor__model", "family")
        return [
            row
            for row in rows
            if (row.status == DriftFlag.Status.OPEN if only_open else row.status != CLOSED)
            and self._may(request, "decide", row)
        ]

    def _ask_and_do(
        self,
        request: HttpRequest,
        queryset: models.QuerySet[Any],
        chosen: list[DriftFlag],
        decision: Decision,
    ) -> HttpResponse | None:
        """Say what will be done; where that is confirmed, do it, all of it or nothing."""
        form, sure = decision.form, "sure" in request.POST
        # Counted before: what is closed may be none of the list's rows any more.
        left = queryset.count() - len(chosen)
        if sure and chosen and (form is None or form.is_valid()):
            try:
                with transaction.atomic():
                    changed = decision.do(chosen, form.cleaned_data if form else {})
            except DomainError as refusal:
                for words in keep_typed(form, refusal):
                    self.message_user(request, words, messages.ERROR)
            else:
                level = messages.SUCCESS if changed else messages.INFO
                self.message_user(request, decided(changed, decision.done), level)
                self.say(request, 0, left, decision.done)
                return None
        kin = self._kin(chosen) if decision.kin_too else 0
        context = {
            "title": f"{decision.verb} {len(chosen)} flag{'' if len(chosen) == 1 else 's'}",
            "decision": decision,
            "form": form,
            "chosen": chosen,
            "named": [(row, size_of(row)) for row in chosen[:MOST_NAMED]],
            "unnamed": max(len(chosen) - MOST_NAMED, 0),
            "kin": kin,
            "left": left,
            "action_checkbox_name": ACTION_CHECKBOX_NAME,
        }
        return self.page(request, "desk/decide_flags.html", context)

    def _kin(self, chosen: Flags) -> int:
        """How many others come along, because they are of the families of the chosen ones."""
        families = {row.family_id for row in chosen if row.family_id}
        dealers = {row.sensor.dealer_id for row in chosen}
        rows = DriftFlag.objects.filter(family__in=families, sensor__dealer__in=dealers)
        return rows.exclude(status=CLOSED).exclude(pk__in=[row.pk for row in chosen]).count()
