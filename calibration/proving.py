"""Judges functional tests: rows to arrays, through the core, and what differs back to rows."""

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime
from typing import Any

import numpy as np
from django.db import transaction
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
from calibration.policies import Rule, Rulebook
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
        "says": "No calibration of this sensor was in force: the force shown rests on its tag "
        "numbers or on nothing.",
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


@transaction.atomic(savepoint=False)
def judge_tests(sensor_ids: Sequence[int], *, now: datetime) -> FlagChange:
    """Judge every functional test of these sensors and store what follows, where it differs."""
    if not _TESTED.many(sensor_ids):  # as with most sensors; no record is ever removed
        return FlagChange()
    rows, wanted = _judged(sensor_ids)
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
    return np.array(sorted(wrong | flags.out_of_line(tested, [KIND], wanted)), dtype=np.int64)


def _judged(sensor_ids: Sequence[int]) -> tuple[list[FunctionalVerdict], list[Wanted]]:
    """The verdicts and flags of these sensors' functional tests, as they should be."""
    tests = list(
        FunctionalTest.objects.filter(
            columns.among("sensor", sensor_ids), superseded_by__isnull=True
        )
        .select_related("sensor__model")
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
    return _verdicts(tests, result, _in_force(tests, sensor_ids)), _wanted(tests, result, rules)


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
    """What there is to say of the calibration that was in force at each test."""
    verdicts = Judgement.objects.filter(
        columns.among("calibration__sensor", sensor_ids)
    ).values_list("calibration__sensor_id", "calibration__performed_at", "verdict")
    by_sensor: dict[int, list[tuple[datetime, str]]] = defaultdict(list)
    for sensor, moment, verdict in verdicts.order_by(*in_time("calibration__")):
        by_sensor[sensor].append((moment, verdict))
    found: list[list[dict[str, Any]]] = []
    for test in tests:
        before = [v for moment, v in by_sensor[test.sensor_id] if moment <= test.performed_at]
        code = "" if before else "no_calibration"
        if before and before[-1] == Verdict.BEYOND:
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
    tests: Sequence[FunctionalTest], result: FunctionalJudgement, rules: Sequence[Rule]
) -> list[Wanted]:
    """A flag on each failed test, its findings as the causes (certain: they were seen)."""
    return [
        Wanted(
            sensor_id=tests[i].sensor_id,
            functional_test_id=tests[i].pk,
            kind=str(KIND),
            level=str(DriftFlag.Level.BEYOND),
            magnitude=float(result.worst_error_pct[i]),
            tolerance=rules[i].slope_tolerance_pct,
            causes=[
                {"code": found["code"], "probability": 1.0, "says": found["says"], "check": ""}
                for found in functional.findings_of(result.findings[i])
            ],
        )
        for i in np.flatnonzero(~result.passed).tolist()
    ]
