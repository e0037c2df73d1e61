"""Rows to due days: what the rule needs, read in whole columns and laid beside the sensors."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.db.models import OuterRef, Q, QuerySet, Subquery
from numpy.typing import NDArray

from calibration import calendars, columns
from calibration.beside import NO_RECORD, OF, Beside, Uuids, are_others, has_one, laid
from calibration.calendars import SeasonCalendar
from calibration.columns import NO_DATE
from calibration.due.days import DECIDED, Basis, Codes, Ints, due_days
from calibration.due.ruling import Rules, days_by_model, rules_of
from calibration.metrology.causes import CERTAIN, TO_REPEAT
from calibration.models import Calibration, DueState, Reminder, in_time
from calibration.policies import Rulebook
from fleet.models import Dealer, Installation, Sensor
from fleet.statements import Statement

Floats = NDArray[np.float64]
Calendars = Mapping[int, tuple[str, SeasonCalendar]]  # time zone and calendar, by dealer
Seats = tuple[dict[str, Any], Calendars]  # the columns of `_PLACES`, and the dealers' calendars


@dataclass(frozen=True)
class Newest:
    """The newest calibration of N sensors, anywhere, that is not superseded; sorted by sensor.

    Attributes
    ----------
    sensor : (N,) array
        Keys, each once, ascending.
    calibration : (N,) array of V16
        Bytes of its UUID; zeros where there is none.
    moment : (N,) array [us since 1970 UTC]
        When the last one that counts was performed, or where none does, the last: numbers that
        are as good as certainly a slip begin no interval. Read only where there is one.
    installation : (N,) array
        Key of the installation in which that was made; -1 where in none.
    crossing : (N,) array [days since 1970]
        The earliest day on which the tolerance is expected to be crossed, by that; NaN where none
        is.
    model, dealer : (N,) arrays
        Keys of the sensors' models and dealers; None where they are to be read.
    """

    sensor: Ints
    calibration: Uuids
    moment: Ints
    installation: Ints
    crossing: Floats
    model: Ints | None = None
    dealer: Ints | None = None


@dataclass(frozen=True)
class States:
    """Due days of N sensors, as they should be or as they are stored.

    Attributes
    ----------
    due_on : (N,) array [days since 1970]
        `NO_DATE` where there is none.
    decided_by : (N,) array
        Place in `DECIDED`; -1 where there is no due day.
    calibration : (N,) array of V16
        The calibration that it counts from; zeros where from none.
    """

    due_on: Ints
    decided_by: Codes
    calibration: Uuids

    def differ(self, other: "States") -> NDArray[np.bool_]:
        """Return where two differ, (N,)."""
        return np.asarray(
            (self.due_on != other.due_on)
            | (self.decided_by != other.decided_by)
            | self.recounted(other)
        )

    def recounted(self, other: "States") -> NDArray[np.bool_]:
        """Return where two count from different calibrations, (N,)."""
        return are_others(self.calibration, other.calibration)


@dataclass(frozen=True)
class Open:
    """The open reminder of each of N sensors; `pk` is -1 where there is none."""

    pk: Ints
    due_on: Ints
    why: Codes
    created_at: Ints


def wanted(newest: Newest, seats: Seats | None = None, *, book: Rulebook | None = None) -> States:
    """Return what each sensor is due on, by the rule; seats and rules are read where not given."""
    basis, _ = basis_and_rules(newest, seats, book=book)
    due_on, decided_by = due_days(basis)
    counted = newest.calibration.copy()
    counted[basis.calibrated_on == NO_DATE] = NO_RECORD
    return States(due_on, decided_by, counted)


def basis_and_rules(
    newest: Newest, seats: Seats | None = None, *, book: Rulebook | None = None
) -> tuple[Basis, Rules]:
    """Return what the due days of sensors rest on, and the rules that went into it."""
    seat = _seats(newest, seats, book)
    rules: Rules = seat["rules"]
    last = np.flatnonzero(has_one(newest.calibration) & (seat["installation"] != -1))
    day = np.full(len(newest.sensor), NO_DATE, dtype=np.int64)
    day[last] = calendars.local_days(newest.moment[last], seat["zone"][last], seat["zones"])
    # A moved cell starts anew: what counts was made where the sensor sits now.
    here = np.where(
        newest.installation == -1,
        day >= seat["installed_on"],
        newest.installation == seat["installation"],
    ) & (day != NO_DATE)
    days = [rule.default_interval_days for rule in rules.rules]
    by_model = list(map(days_by_model, rules.rules, rules.learnt))
    basis = Basis(
        installed_on=seat["installed_on"],
        calibrated_on=np.where(here, day, NO_DATE),
        interval_days=np.array(days, dtype=np.int64)[rules.which],
        model_days=np.array(by_model, dtype=np.int64)[rules.which],
        crossing=np.where(np.isnan(newest.crossing), NO_DATE, newest.crossing).astype(np.int64),
        calendar=seat["calendar"],
        calendars=seat["calendars"],
    )
    return basis, rules


_STORED = Beside(
    DueState.objects.all,
    {
        "due_on": ("due_on", "date"),
        "decided_by": ("decided_by", DECIDED),
        "calibration": ("last_calibration", "uuid"),
    },
)
_OPEN = Beside(
    lambda: Reminder.objects.filter(status=Reminder.Status.OPEN),
    {
        "pk": ("pk", "key"),
        "due_on": ("due_on", "date"),
        "why": ("why", DECIDED),
        "created_at": ("created_at", "moment"),
    },
)


def stored(sensor: Ints) -> States:
    """Return the due days that are stored."""
    return States(**_STORED.of(sensor))


def open_reminders(sensor: Ints) -> Open:
    """Return the reminders that are open."""
    return Open(**_OPEN.of(sensor))


def _with_newest() -> "QuerySet[Sensor, Any]":
    # Served by the index calibration_in_time, read backwards: a probe or two a sensor. The rest is
    # asked for by key, because joined to this a planner may read every calibration there is.
    every = (
        Calibration.objects.filter(sensor=OuterRef("pk"), superseded_by=None)
        .order_by(*in_time(newest_first=True))
        .values("pk")
    )
    slip = Q(
        judgement__trusted=False,
        judgement__likeliest_cause__in=sorted(TO_REPEAT),
        judgement__causes__0__probability__gte=CERTAIN,
    )
    counting = every.exclude(slip)
    return Sensor.objects.annotate(newest=Subquery(every[:1]), counting=Subquery(counting[:1]))


_NEWEST = Beside(
    _with_newest, {"calibration": ("newest", "uuid"), "counting": ("counting", "uuid")}, key="pk"
)
_OF_NEWEST: dict[str, tuple[str, columns.Kind]] = {
    "moment": ("performed_at", "moment"),
    "installation": ("installation", "key"),
    "crossing": ("judgement__earliest_crossing", "date"),
}
_CALIBRATIONS = columns.Reading(
    Calibration.objects.order_by, "pk", {OF: ("sensor", "key"), **_OF_NEWEST}, uuids=True
)


def newest_of(sensor: Ints) -> Newest:
    """Read the newest calibration of each sensor; for a few thousand at most."""
    both = _NEWEST.of(sensor)
    last, counting = both["calibration"], both["counting"]
    counted = np.where(has_one(counting), counting, last)
    table = _CALIBRATIONS.of(counted[has_one(counted)])
    found = laid(sensor, table.pop(OF), table, _OF_NEWEST)
    day = found.pop("crossing")
    crossing = np.where(day == NO_DATE, np.nan, day)
    return Newest(sensor=sensor, calibration=last, crossing=crossing, **found)


_PLACES = Beside(
    lambda: Installation.objects.filter(removed_on=None),
    {"installation": ("pk", "key"), "installed_on": ("installed_on", "date")},
)
_WHOSE = Beside(
    Sensor.objects.all, {"model": ("model", "key"), "dealer": ("dealer", "key")}, key="pk"
)


def _seats(newest: Newest, seats: Seats | None, book: Rulebook | None) -> dict[str, Any]:
    """Where each sensor sits, in whose calendar, and under which rule."""
    model, dealer = newest.model, newest.dealer
    if model is None or dealer is None:
        known = _WHOSE.of(newest.sensor)
        model, dealer = known["model"], known["dealer"]
    dealers, whose = np.unique(dealer, return_inverse=True)
    place, calendars_by = seats or (_PLACES.of(newest.sensor), _calendars_by(dealers.tolist()))
    seat = place | _calendars(dealers, whose, calendars_by)
    return seat | {"rules": rules_of(model, whose, dealers, book)}


_DEALERS = Statement(
    lambda mark: (
        Dealer.objects.filter(columns.among("pk", [mark]))
        .order_by()
        .values_list("pk", "timezone", "season_start", "country", "subdivision")
    )
)


def calendar_of(zone: str, start: str, country: str, part: str) -> tuple[str, SeasonCalendar]:
    """Return a dealer's time zone and the calendar of its season."""
    return zone, SeasonCalendar(calendars.start_number(start), country, part)


def _calendars_by(dealers: Sequence[int]) -> Calendars:
    return {pk: calendar_of(*said) for pk, *said in _DEALERS.many(dealers)}


def _calendars(dealers: Ints, whose: Ints, known: Calendars) -> dict[str, Any]:
    """The time zone and the season's calendar of each sensor's dealer."""
    nobody = ("UTC", SeasonCalendar(101))  # no row: no sensor either
    kept = [known.get(pk, nobody) for pk in dealers.tolist()]
    names = sorted({zone for zone, _ in kept})
    season = sorted({calendar for _, calendar in kept})
    zone = np.array([names.index(zone) for zone, _ in kept], dtype=np.int64)
    which = np.array([season.index(calendar) for _, calendar in kept], dtype=np.int64)
    return {
        "zones": names,
        "zone": zone[whose],
        "calendars": season,
        "calendar": which[whose],
    }
