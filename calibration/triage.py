"""Who sees to a flag, and which flags are one matter; the rules of both.

A family is made of flags of one dealer. Whoever acknowledges, assigns or closes one of it decides
for all of it that are not closed (`flags.together`).
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet

from calibration.flags import CLOSED, said, together
from calibration.models import DriftFlag, FlagFamily, KeptLook
from fleet import access
from fleet.errors import Conflict, Forbidden, Invalid, NotFound, Problem
from fleet.models import DEALER_ROLES, Role, User
from fleet.scope import Scope
from fleet.texts import require_one_line

MOST_KEPT = 40
MOST_AT_ONCE = 500


def people_at(dealer_id: int) -> QuerySet[User]:
    """Return who may see to a dealer's flags: its technicians, managers and administrators."""
    rights = Q(memberships__dealer=dealer_id, memberships__role__in=DEALER_ROLES)
    everywhere = Q(memberships__role=Role.ADMINISTRATOR) | Q(is_superuser=True)
    chosen = User.objects.filter(rights | everywhere, is_active=True)
    return chosen.distinct().order_by("username")


@transaction.atomic
def assign(
    flag: DriftFlag, *, person: User | None, scope: Scope, now: datetime
) -> list[DriftFlag]:
    """Give a flag and its family to a person, or to nobody; to the same person again, nothing.

    Everybody who decides may take a flag, or give back their own; a manager gives it to others.
    Returns those that changed hands.

    Raises
    ------
    Conflict
        If it is closed.
    Forbidden
        If it is not the caller's to give.
    Invalid
        If the person does not work for this dealer.
    """
    rows = together(flag)
    dealer = flag.sensor.dealer_id
    if flag.status == CLOSED:
        raise Conflict("The flag is closed; nobody has to see to it any more.")
    _may_give(rows, person, scope, dealer)
    if person is not None and not people_at(dealer).filter(pk=person.pk).exists():
        accepted = "somebody who works for the sensor's dealer"
        raise Invalid(Problem("person", "Does not work for this dealer", accepted, str(person)))
    given = [row for row in rows if row.assigned_to_id != (person and person.pk)]
    for row in given:
        row.assigned_to, row.assigned_at = person, now if person else None
        row.assigned_for_id = dealer if person else None
        row.save(update_fields=["assigned_to", "assigned_at", "assigned_for"])
    return given


def _may_give(rows: Sequence[DriftFlag], person: User | None, scope: Scope, dealer: int) -> None:
    if access.may(scope, "assign", "flags", dealer):
        return
    mine = {None, scope.user_id}
    to_me = person is None or person.pk == scope.user_id
    if not (access.may(scope, "decide", "flags", dealer) and to_me) or any(
        row.assigned_to_id not in mine for row in rows
    ):
        raise Forbidden(
            "You may take a flag that nobody has; a service manager gives it to others."
        )


@transaction.atomic
def merge(chosen: Sequence[DriftFlag], *, cause: str, scope: Scope, now: datetime) -> FlagFamily:
    """Make flags one family with one shared cause; the same again changes nothing.

    Where some are a family already, the others join it, and it takes the cause that is given.

    Raises
    ------
    Invalid
        For fewer than two flags, of several dealers, or without a cause.
    Conflict
        If one is closed, or they belong to several families.
    Forbidden
        If the caller may not decide at their dealer.
    """
    cause = said("cause", cause, "Say what they share")
    rows = _locked(chosen)
    dealer = rows[0].sensor.dealer_id
    if not access.may(scope, "decide", "flags", dealer):
        raise Forbidden("Your role does not allow to decide flags here.")
    family = _family_of(rows, dealer)
    if family is None:
        family = FlagFamily(dealer_id=dealer, made_at=now, made_by_id=scope.user_id)
    if family.cause != cause:
        family.cause = cause
        family.save()
    joining = [row.pk for row in rows if row.family_id != family.pk]
    DriftFlag.objects.filter(pk__in=joining).update(family=family)
    for row in chosen:
        row.family = family
    return family


def _locked(chosen: Sequence[DriftFlag]) -> list[DriftFlag]:
    """The chosen flags as they are now, checked to be one matter."""
    keys = sorted({row.pk for row in chosen})
    if not 2 <= len(keys) <= MOST_AT_ONCE:
        accepted = f"2 to {MOST_AT_ONCE} flags"
        raise Invalid(Problem("flags", "A family is more than one flag", accepted, str(len(keys))))
    locking = DriftFlag.objects.select_for_update(of=("self",)).filter(pk__in=keys)
    rows = list(locking.select_related("sensor").order_by("pk"))
    if len({row.sensor.dealer_id for row in rows}) > 1:
        raise Invalid(Problem("flags", "They are of several dealers", "flags of one dealer"))
    closed = [str(row.pk) for row in rows if row.status == CLOSED]
    if closed:
        raise Conflict(
            Problem("flags", "Some are closed", "flags that are not closed", ", ".join(closed[:5]))
        )
    return rows


def _family_of(rows: Sequence[DriftFlag], dealer: int) -> FlagFamily | None:
    """The family that the flags belong to already, where it is this dealer's."""
    keys = {row.family_id for row in rows if row.family_id is not None}
    there = list(FlagFamily.objects.filter(pk__in=keys, dealer=dealer))
    if len(there) > 1:
        raise Conflict(
            Problem(
                "flags",
                "They belong to several families",
                "flags of one family at most; take the others out of theirs first",
                "; ".join(family.cause for family in there),
            )
        )
    return there[0] if there else None


def part(flag: DriftFlag) -> DriftFlag:
    """Take a flag out of its family; on one that has none, nothing."""
    if flag.family_id is not None:
        flag.family = None
        flag.save(update_fields=["family"])
    return flag


# ── looks at the list ─────────────────────────────────────────────────────────
def keep_look(*, user_id: int, name: str, query: str) -> KeptLook:
    """Keep a person's filters under a name; the same name again means the new filters."""
    name = name.strip()
    if not 1 <= len(name) <= 40:
        raise Invalid(Problem("name", "Name what you look at", "1 to 40 characters"))
    require_one_line("name", name)
    if len(query) > 500:
        raise Invalid(Problem("query", "Too many filters for one link", "at most 500 characters"))
    mine = KeptLook.objects.filter(person=user_id)
    if mine.count() >= MOST_KEPT and not mine.filter(name=name).exists():
        raise Conflict(f"You keep {MOST_KEPT} links already; drop one first.")
    look, _ = KeptLook.objects.update_or_create(
        person_id=user_id, name=name, defaults={"query": query}
    )
    return look


def kept_looks(user_id: int) -> list[dict[str, Any]]:
    """Return a person's links."""
    rows = KeptLook.objects.filter(person=user_id)
    return [dict(row) for row in rows.values("pk", "name", "query")]


def drop_look(*, user_id: int, key: int) -> None:
    """Drop one of a person's own links."""
    dropped, _ = KeptLook.objects.filter(person=user_id, pk=key).delete()
    if not dropped:
        raise NotFound("You keep no such link.")
