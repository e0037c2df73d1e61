"""Judges functional tests: rows to arrays, through the core, and what differs back to rows."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime
from typing import Any, NamedTuple

import numpy as np
from django.db import transaction
from django.db.models import QuerySet
from numpy.typing import NDArray

from calibration import columns, flags
from calibration.flags import FlagChange, Wanted
from calibration.metrology import functional
from calibration.metrology.functional import FunctionalJudgement, Steps
from calibration.models import (
    DriftFlag,
    FunctionalTest,
    FunctionalVerdict,
    Judgement,
    Observed,
    Verdict,
    in_time,
)
from calibration.policies import Rulebook
from fleet import units
from fleet.statements import Statement

Floats = NDArray[np.float64]

KIND = DriftFlag.Kind.FUNCTIONAL
_SEEN = {
    Observed.STEADY: functional.STEADY,
    Observed.BOUNCING: functional.BOUNCING,
    Observed.LIFTING: functional.LIFTING,
}
IN_FORCE: dict[str, dict[str, Any]] = {
    "no_calibration": {
        "code": "no_calibration",
        "says": "This sensor had not been calibrated where it sits: the force shown rests on "
        "numbers from elsewhere, on its tag or on nothing.",
        "fails": False,
    },
    "calibration_beyond": {
        "code": "calibration_beyond",
        "says": "The calibration in force had moved beyond tolerance: settle that first.",
        "fails": False,
    },
}
_TESTED = Statement(
    lambda mark: (
        FunctionalTest.objects.filter(columns.among("sensor", [mark]))
        .order_by()
        .values_list("sensor_id")
    )
)
_NAMES = ("verdict", "worst_error_pct", "findings", "method")
_COLUMNS = ("commanded", "displayed_mean", "displayed_min", "displayed_max")


class _Judged(NamedTuple):
    """A calibration: where it was made, when, and how it was judged."""

    installation_id: int | None
    performed_at: datetime
    verdict: str

    def was_at(self, test: FunctionalTest) -> bool:
        """Whether it was made where a test of its sensor was."""
        if self.installation_id is not None:
            return self.installation_id == test.installation_id
        day = self.performed_at.astimezone(test.sensor.dealer.zone).date()
        return day >= test.installation.installed_on


@transaction.atomic(savepoint=False)
def judge_tests(sensor_ids: Sequence[int], *, now: datetime) -> FlagChange:
    """Judge every functional test of these sensors and store what follows, where it differs."""
    if not _TESTED.many(sensor_ids):  # as with most sensors; no record is ever removed
        return FlagChange()
    rows, wanted = _judged(sensor_ids)
    _overtaken(sensor_ids).delete()
    FunctionalVerdict.objects.bulk_create(
        _differing(rows),
        update_conflicts=True,
        unique_fields=["functional_test"],
        update_fields=_NAMES,
    )
    return flags.settle(sensor_ids, [KIND], wanted, now=now)


def differing(sensor_ids: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return those of these sensors whose functional tests are not judged as they should be."""
    tests = FunctionalTest.objects.filter(columns.among("sensor", sensor_ids))
    there = np.array(tests.values_list("sensor_id", flat=True).distinct(), dtype=np.int64)
    tested = there[np.isin(there, sensor_ids)].tolist()
    if not tested:
        return np.zeros(0, dtype=np.int64)
    rows, wanted = _judged(tested)
    wrong = {row.functional_test.sensor_id for row in _differing(rows)}
    wrong |= set(_overtaken(tested).values_list("functional_test__sensor", flat=True))
    return np.array(sorted(wrong | flags.out_of_line(tested, [KIND], wanted)), dtype=np.int64)


def _overtaken(sensor_ids: Sequence[int]) -> "QuerySet[FunctionalVerdict]":
    """The verdicts of tests that are superseded: like such a calibration, they have none."""
    rows: QuerySet[FunctionalVerdict] = FunctionalVerdict.objects.filter(
        columns.among("functional_test__sensor", sensor_ids),
        functional_test__superseded_by__isnull=False,
    )
    return rows.order_by()


def _judged(sensor_ids: Sequence[int]) -> tuple[list[FunctionalVerdict], list[Wanted]]:
    """The verdicts and flags of these sensors' functional tests, as they should be."""
    tests = list(
        FunctionalTest.objects.filter(
            columns.among("sensor", sensor_ids), superseded_by__isnull=True
        )
        .select_related("sensor__model", "sensor__dealer", "installation")
        .prefetch_related("steps")
        .order_by("sensor_id", "performed_at", "chain_number")
    )
    if not tests:
        return [], []
    book = Rulebook()
    rules = [book.rule(test.sensor.model_id, test.sensor.dealer_id) for test in tests]
    steps = _steps(tests)
    rated = [
        test.sensor.model.rated_load * units.LOAD[test.sensor.model.load_unit] for test in tests
    ]
    tolerance = functional.setpoint_tolerance(
        steps.commanded,
        np.array([rule.slope_tolerance_pct for rule in rules]),
        np.array([rule.offset_tolerance_pct / 100.0 for rule in rules]) * np.array(rated),
    )
    result = functional.judge(steps, np.where(np.isnan(tolerance), 1.0, tolerance))
    limit_pct = _applied(100.0 * tolerance / steps.commanded, result)
    return _verdicts(tests, result, _in_force(tests, sensor_ids)), _wanted(
        tests, result, limit_pct
    )


def _applied(tolerance_pct: Floats, result: FunctionalJudgement) -> Floats:
    """The tolerance that the worst error of each of M tests was held against [% of setpoint]."""
    at_worst = result.error_pct == result.worst_error_pct[:, None]
    # Of equal errors the one with the narrowest tolerance uses most of it.
    return np.asarray(np.nanmin(np.where(at_worst, tolerance_pct, np.nan), axis=1))


def _steps(tests: Sequence[FunctionalTest]) -> Steps:
    """(M, p) arrays in newtons and kilopascals, NaN where a test has fewer steps or no value."""
    width = max(len(test.steps.all()) for test in tests)
    tables = {name: np.full((len(tests), width), np.nan) for name in (*_COLUMNS, "pressure")}
    observed = np.zeros((len(tests), width), dtype=np.int64)
    for i, test in enumerate(tests):
        load, pressure = units.LOAD[test.load_unit], units.PRESSURE[test.pressure_unit]
        for j, step in enumerate(test.steps.all()):
            for name, table in tables.items():
                value = getattr(step, name)
                factor = pressure if name == "pressure" else load
                table[i, j] = np.nan if value is None else value * factor
            observed[i, j] = _SEEN[Observed(step.observed)]
    return Steps(observed=observed, **tables)


def _in_force(
    tests: Sequence[FunctionalTest], sensor_ids: Sequence[int]
) -> list[list[dict[str, Any]]]:
    """What there is to say of the calibration that was in force at each test.

    A moved cell starts anew: what is in force was made where the test was (as with due days).
    """
    rows = Judgement.objects.filter(columns.among("calibration__sensor", sensor_ids)).values_list(
        *(f"calibration__{name}" for name in ("sensor", "installation", "performed_at")), "verdict"
    )
    by_sensor: dict[int, list[_Judged]] = defaultdict(list)
    for sensor, *judged in rows.order_by(*in_time("calibration__")):
        by_sensor[sensor].append(_Judged(*judged))
    found: list[list[dict[str, Any]]] = []
    for test in tests:
        last = None
        for judged in by_sensor[test.sensor_id]:
            if judged.performed_at <= test.performed_at and judged.was_at(test):
                last = judged.verdict
        code = "no_calibration" if last is None else ""
        if last == Verdict.BEYOND:
            code = "calibration_beyond"
        found.append([IN_FORCE[code]] if code else [])
    return found


def _verdicts(
    tests: Sequence[FunctionalTest],
    result: FunctionalJudgement,
    in_force: list[list[dict[str, Any]]],
) -> list[FunctionalVerdict]:
    return [
        FunctionalVerdict(
            functional_test=test,
            verdict="pass" if passed else "fail",
            worst_error_pct=worst,
            findings=functional.findings_of(found) + beside,
            method=functional.METHOD,
        )
        for test, passed, worst, found, beside in zip(
            tests,
            result.passed.tolist(),
            result.worst_error_pct.tolist(),
            result.findings,
            in_force,
            strict=True,
        )
    ]


def _differing(rows: Sequence[FunctionalVerdict]) -> list[FunctionalVerdict]:
    """Those that are not stored so."""
    stored = FunctionalVerdict.objects.in_bulk([row.pk for row in rows])
    return [
        row
        for row in rows
        if row.pk not in stored
        or any(getattr(row, name) != getattr(stored[row.pk], name) for name in _NAMES)
    ]


def _wanted(
    tests: Sequence[FunctionalTest], result: FunctionalJudgement, limit_pct: Floats
) -> list[Wanted]:
    """A flag on each failed test, its findings as the causes (certain: they were seen).

    It shows the worst error and the tolerance there, also where the force arrives and something
    else failed: then the error is the smaller of the two.
    """
    return [
        Wanted(
            sensor_id=tests[i].sensor_id,
            functional_test_id=tests[i].pk,
            kind=str(KIND),
            level=str(DriftFlag.Level.BEYOND),
            magnitude=float(result.worst_error_pct[i]),
            tolerance=float(limit_pct[i]),
            causes=[
                {"code": found["code"], "probability": 1.0, "says": found["says"], "check": ""}
                for found in functional.findings_of(result.findings[i])
            ],
        )
        for i in np.flatnonzero(~result.passed).tolist()
    ]
