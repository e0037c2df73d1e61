"""What surprises in a calibration as it was typed: said beside the answer, never a refusal.

Made from what an answer is read from, each time it is read: nothing of it is stored or sealed.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.metrology import plausibility, slips
from calibration.metrology.causes import CAUSES, LOAD_FACTORS, TO_REPEAT
from calibration.readout.doubts import chance_wrong, doubt_of
from calibration.readout.phrases import brief, chance, digits, typed
from calibration.readout.rows import Rows
from fleet import units

Floats = NDArray[np.float64]
Remark = dict[str, str]

# Remarks on what is as good as certainly wrong: a person is asked before such a record is sealed.
STRONG = TO_REPEAT | {"load_beyond_rated"}

_CAUSES = {cause.code: cause for cause in CAUSES}
_LEAST_CHANCE = 0.1  # a unit less probable than this is not named
_OVERLOADED = (
    "Read the load and its unit once more from the weight or scale. If the cell did carry it, it "
    "may be bent: with the machine secured as the operator's manual says, repeat the zero with "
    "nothing on the cell, and look at pin and beam before it is used again."
)


def strong(remarks: Sequence[Mapping[str, str]]) -> list[Mapping[str, str]]:
    """Return the remarks on what is as good as certainly wrong."""
    return [remark for remark in remarks if remark["code"] in STRONG]


def remarks(read: Rows) -> list[list[Remark]]:
    """Return the remarks on each of some calibrations that were read, mostly none.

    Each has a stable `code`, `says` (what surprises, with the numbers), `check` (what would tell)
    and `pointer` (RFC 6901, into the record as it is sent).
    """
    found: list[list[Remark]] = [[] for _ in read.rows]
    if found:
        _slips(read, found)
        _wrong(read, found)
        _loads(read, found)
        _pressures(read, found)
    return found


def _newtons(row: Any) -> float:
    """Newtons in one of the load unit that was typed."""
    return units.LOAD[row.load_unit]


def _rated(row: Any) -> float:
    """Return the sensor model's rated load [N]."""
    return float(row.rated_load * units.LOAD[row.rated_unit])


def _greatest(points: Sequence[Mapping[str, Any]]) -> int:
    """Return which point has the load of greatest size."""
    return max(range(len(points)), key=lambda index: abs(points[index]["load"]))


def _loads(read: Rows, found: list[list[Remark]]) -> None:
    at = [_greatest(read.points[row.id]) if row.id in read.points else None for row in read.rows]
    load = [
        0.0 if index is None else read.points[row.id][index]["load"] * _newtons(row)
        for row, index in zip(read.rows, at, strict=True)
    ]
    beyond = plausibility.beyond_rated(_array(load), _array([_rated(row) for row in read.rows]))
    for place in np.flatnonzero(beyond).tolist():
        row, index = read.rows[place], at[place]
        assert index is not None
        said = f"{typed(read.points[row.id][index]['load'])} {row.load_unit}"
        share = 100.0 * abs(load[place]) / _rated(row)
        found[place].append(
            {
                "code": "load_beyond_rated",
                "says": f"The load {said} (point {index + 1}) is {digits(share)} % of the rated "
                f"load of {row.sensor_model_name} ({typed(row.rated_load)} {row.rated_unit}): it "
                "was mistyped, or the cell was overloaded.",
                "check": _OVERLOADED,
                "pointer": f"/points/{index}/load",
            }
        )


def _pressures(read: Rows, found: list[list[Remark]]) -> None:
    pressure = [
        np.nan
        if row.hydraulic_pressure is None
        else row.hydraulic_pressure * units.PRESSURE.get(row.pressure_unit, np.nan)
        for row in read.rows
    ]
    for place in np.flatnonzero(plausibility.residual_pressure(_array(pressure))).tolist():
        row = read.rows[place]
        said = f"{typed(row.hydraulic_pressure)} {row.pressure_unit}"
        found[place].append(
            {
                "code": "pressure_at_zero",
                "says": f"{said} stood in the circuit. The zero is taken with the circuit bled: "
                "with pressure left, the cell may have carried load at the zero.",
                "check": _CAUSES["preloaded_zero"].check,
                "pointer": "/conditions/hydraulic_pressure",
            }
        )


def _slips(read: Rows, found: list[list[Remark]]) -> None:
    places = [place for place, row in enumerate(read.rows) if _slipped(row)]
    if not places:
        return
    rows = [read.rows[place] for place in places]
    factor, rated = (_array([of(row) for row in rows]) for of in (_newtons, _rated))
    span = _array([max(point["load"] for point in read.points[row.id]) for row in rows])
    slope, u_slope, expected, u_expected = (
        _array([getattr(row, name) for row in rows])
        for name in ("fit_slope", "fit_u_slope", "judged_expected_slope",
                     "judged_u_expected_slope")
    )  # fmt: skip
    change = slope / expected
    u_change = np.hypot(u_slope / slope, u_expected / expected)
    chances = slips.unit_chances(factor, span * factor / rated, change, u_change)
    offs = change / slips.ratios(factor) - 1.0
    for place, row, whole, likely, off in zip(
        places, rows, change.tolist(), chances.T, offs.T, strict=True
    ):
        found[place].append(
            {
                "code": "unit_slip",
                "says": _slip_said(row.load_unit, whole, likely, off),
                "check": _CAUSES["unit_slip"].check,
                "pointer": "/load_unit",
            }
        )


def _slipped(row: Any) -> bool:
    """Whether a slip of the unit is the near-certain cause of what surprised."""
    if not row.fit_slope or not row.judged_expected_slope:  # none, or flat: no unit explains it
        return False
    return any(
        cause["code"] == "unit_slip" and cause["probability"] >= plausibility.NEAR_CERTAIN
        for cause in row.judged_causes or ()
    )


def _wrong(read: Rows, found: list[list[Remark]]) -> None:
    """Remark on numbers that nothing is learnt from, where that is near-certain.

    Under the code of the most probable cause; a slip of the unit has its own remark.
    """
    for place, row in enumerate(read.rows):
        cause = doubt_of(trusted=row.judged_trusted, causes=row.judged_causes)
        share = chance_wrong(row.judged_causes)
        if cause is None or share < plausibility.NEAR_CERTAIN or found[place]:
            continue
        found[place].append(
            {
                "code": cause["code"],
                "says": "These numbers are to be corrected or taken again, with a probability of "
                f"{chance(share)}. Most probably: {cause['says']}",
                "check": cause["check"],
                "pointer": "/load_unit" if cause["code"] == "unit_slip" else "/points",
            }
        )


def _slip_said(unit: str, change: float, chances: Floats, offs: Floats) -> str:
    """Return the units that fit, the most probable first, and how well."""
    order = [int(at) for at in np.argsort(-chances, kind="stable")]
    fitting = [at for at in order if chances[at] >= _LEAST_CHANCE]
    if not fitting:
        return _CAUSES["unit_slip"].says
    named = " or ".join(_named(at) for at in fitting)
    read = " and ".join(
        f"by {brief(100.0 * float(offs[at]))} % read in {_named(at)}" for at in fitting
    )
    return (
        f"The loads were probably measured in {named} and typed as {unit}: the slope is off what "
        f"was expected by {brief(100.0 * (change - 1.0))} % as typed, {read}."
    )


def _named(at: int) -> str:
    """Return the unit of a factor, the one of mass before that of force."""
    names = [name for name, factor in units.LOAD.items() if np.isclose(factor, LOAD_FACTORS[at])]
    return min(names, key=len)


def _array(values: Sequence[float]) -> Floats:
    return np.array(values, dtype=np.float64)
