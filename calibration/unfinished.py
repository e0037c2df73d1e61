"""What is wrong already with a record of which something cannot be read.

Whoever types learns everything at once: the rules of a whole record are asked about what can be
read, with stand-ins that no rule refuses for the rest; what they say about a stand-in is left out.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Any

from calibration.drafts import CalibrationDraft, FunctionalDraft, PointDraft, StepDraft
from calibration.models import Direction, Observed, Reason, Stage
from calibration.seats import Seats
from calibration.validating import check_draft
from calibration.validating_tests import check_functional
from fleet.errors import Invalid, Problem
from fleet.models import Dealer, Installation, Sensor, SensorModel

Values = Mapping[str, Any]

OF_ITS_SENSOR = {"reference", "supersedes"}  # rules that compare with the sensor


def calibration_problems(
    known: Values, points: Sequence[Values], *, now: datetime
) -> list[Problem]:
    """Return what is wrong with a calibration's readable fields and points.

    A field, or a part of a point, that cannot be read is missing in its mapping.
    """
    sensor = known.get("sensor") or _any_sensor(known.get("reading_unit", "count"))
    inside = sensor.model.reading_min or sensor.model.reading_max or 0.0
    anyhow: Values = {"load": 0.0, "reading": inside, "direction": Direction.UP}
    values = {
        "performed_at": now, "load_unit": "N", "reading_unit": sensor.model.reading_unit,
        "reason": Reason.SEASONAL, "stage": Stage.AS_FOUND, "hydraulic_pressure": 0.0,
        "pressure_unit": "bar", **known, "sensor": sensor,
    }  # fmt: skip
    rows = tuple(PointDraft(**{**anyhow, **point}) for point in points)
    try:
        check_draft(
            CalibrationDraft(**values, points=rows),
            now=now,
            seats=Seats.of([sensor.pk] if sensor.pk else []),
        )
    except Invalid as refusal:
        return list(_knowable(refusal.problems, known, "points", points, needed=set(anyhow)))
    return []


def functional_problems(known: Values, steps: Sequence[Values], *, now: datetime) -> list[Problem]:
    """Return what is wrong with a functional test's readable fields and setpoints."""
    place = known.get("installation") or Installation(
        sensor=_any_sensor("count"), installed_on=date.min
    )
    anyhow: Values = {"commanded": 1.0, "displayed_mean": 1.0, "observed": Observed.STEADY}
    values: dict[str, Any] = {
        "performed_at": now, "load_unit": "N", "pressure_unit": "bar", **known,
        "installation": place,
    }  # fmt: skip
    values.pop("sensor", None)
    rows = tuple(StepDraft(**{**anyhow, "displayed_mean": _mean(step), **step}) for step in steps)
    try:
        check_functional(FunctionalDraft(**values, steps=rows), now=now)
    except Invalid as refusal:
        return list(_knowable(refusal.problems, known, "steps", steps, needed=set(anyhow)))
    return []


def _mean(step: Values) -> float:
    """A mean that is in order with what is known of a step."""
    around = (step.get(name) for name in ("displayed_min", "displayed_max"))
    return next((value for value in around if value is not None), 1.0)


def _any_sensor(reading_unit: str) -> Sensor:
    """A sensor that takes everything: of one that is not known no rule can say more."""
    model = SensorModel(name="", reading_unit=reading_unit)
    return Sensor(model=model, dealer=Dealer(timezone="UTC"))


def _knowable(
    problems: Iterable[Problem],
    known: Values,
    table: str,
    rows: Sequence[Values],
    *,
    needed: set[str],
) -> Iterable[Problem]:
    """Leave out what is said about a stand-in, or may be another thing once all can be read."""
    whole = all(needed <= set(row) for row in rows)
    hidden = set() if "sensor" in known else OF_ITS_SENSOR
    for problem in problems:
        first, *rest = problem.field.split(".")
        if first == table and len(rest) > 1:
            sure = rest[1] in rows[int(rest[0])]
        elif first == table:
            sure = whole or len(rows) < 2
        else:
            name = rest[-1] if rest else first
            sure = name in known and name not in hidden
        if sure:
            yield problem
