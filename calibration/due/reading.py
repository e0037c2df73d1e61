"""Rows to due days: what the rule needs, read in whole columns and laid beside the sensors."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.db.models import OuterRef, QuerySet, Subquery
from numpy.typing import NDArray

from calibration import calendars, columns
from calibration.beside import NO_RECORD, OF, Beside, Uuids, are_others, has_one, laid
from calibration.calendars import SeasonCalendar
from calibration.columns import NO_DATE
from calibration.due.days import DECIDED, Basis, Codes, Ints, due_days, model_days
from calibration.models import Calibration, DueState, ModelInterval, Reminder, in_time
from calibration.policies import Rule, Rulebook
from fleet.models import Dealer, Installation, Sensor
from fleet.statements import Statement

Floats = NDArray[np.float64]


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
        When it was performed; read only where there is one.
    installation : (N,) array
        Key of the installation in which it was made; -1 where in none.
    crossing : (N,) array [days since 1970]
        The earliest day on which the tolerance is expected to be crossed; NaN where none is.
    """

    sensor: Ints
    calibration: Uuids
    moment: Ints
    installation: Ints
    crossing: Floats


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


def wanted(newest: Newest) -> States:
    """Return what each sensor is due on, by the rule."""
    basis = basis_of(newest)
    due_on, decided_by = due_days(basis)
    counted = newest.calibration.copy()
    counted[basis.calibrated_on == NO_DATE] = NO_RECORD
    return States(due_on, decided_by, counted)


@dataclass(frozen=True)
class Rules:
    """The rule of each of N sensors, and what was learnt of its model by it.

    Attributes
    ----------
    which : (N,) array
        Where each sensor's stand among the different ones.
    """

    which: Ints
    rules: Sequence[Rule]
    learnt: Sequence[ModelInterval | None]

    def of(self, i: int) -> tuple[Rule, ModelInterval | None]:
        """Return those of one sensor."""
        place = int(self.which[i])
        return self.rules[place], self.learnt[place]


def basis_of(newest: Newest) -> Basis:
    """Return what the due days of sensors rest on."""
    return basis_and_rules(newest)[0]


def basis_and_rules(newest: Newest) -> tuple[Basis, Rules]:
    """Return what the due days of sensors rest on, and the rules that went into it."""
    seat = _seats(newest.sensor)
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
    # Served by the index calibration_in_time, read backwards: one probe a sensor. The rest is
    # asked for by key, because joined to this a planner may read every calibration there is.
    newest = (
        Calibration.objects.filter(sensor=OuterRef("pk"), superseded_by=None)
        .order_by(*in_time(newest_first=True))
        .values("pk")[:1]
    )
    return Sensor.objects.annotate(newest=Subquery(newest))


_NEWEST = Beside(_with_newest, {"calibration": ("newest", "uuid")}, key="pk")
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
    last = _NEWEST.of(sensor)["calibration"]
    table = _CALIBRATIONS.of(last[has_one(last)])
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


def _seats(sensor: Ints) -> dict[str, Any]:
    """Where each sensor sits, in whose calendar, and under which rule."""
    seat, known = _PLACES.of(sensor), _WHOSE.of(sensor)
    dealers, whose = np.unique(known["dealer"], return_inverse=True)
    seat |= _calendars(dealers, whose)
    return seat | {"rules": _rules(known["model"], whose, dealers)}


_DEALERS = Statement(
    lambda mark: (
        Dealer.objects.filter(columns.among("pk", [mark]))
        .order_by()
        .values_list("pk", "timezone", "season_start", "country", "subdivision")
    )
)


def _calendars(dealers: Ints, whose: Ints) -> dict[str, Any]:
    """The time zone and the season's calendar of each sensor's dealer."""
    known = {
        pk: (zone, SeasonCalendar(calendars.start_number(start), country, part))
        for pk, zone, start, country, part in _DEALERS.many(dealers.tolist())
    }
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


def _rules(model: Ints, whose: Ints, dealers: Ints) -> Rules:
    """The rule of each sensor's policy, and what was learnt of its model."""
    book = Rulebook()
    width = len(dealers)
    pairs, which = np.unique(model * width + whose, return_inverse=True)
    rules = [
        (pair // width, book.rule(pair // width, int(dealers[pair % width])))
        for pair in pairs.tolist()
    ]
    learnt = _learnt({of for of, _ in rules})
    return Rules(
        which,
        [rule for _, rule in rules],
        [learnt.get((of, rule.target_reliability)) for of, rule in rules],
    )


def _learnt(models: Collection[int]) -> dict[tuple[int, float], ModelInterval]:
    """Return what was learnt of these sensor models, by model and target reliability."""
    rows = ModelInterval.objects.filter(sensor_model__in=sorted(models))
    rows = rows.select_related("sensor_model")
    return {(row.sensor_model_id, row.target): row for row in rows}


def days_by_model(rule: Rule, learnt: ModelInterval | None) -> int:
    """Return what a model's record makes of a policy's interval; 0 where it says nothing."""
    if learnt is None:
        return 0
    return model_days(
        learnt.lower_days,
        longest_seen=learnt.longest_seen_days,
        default_days=rule.default_interval_days,
        longest_days=rule.longest_interval_days,
    )
