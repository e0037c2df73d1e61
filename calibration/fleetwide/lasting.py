"""How long the sensors of a model stay in tolerance, and the interval that follows from it."""

import functools
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.fleetwide.looks import Table, looks, read_looks
from calibration.metrology import interval
from calibration.metrology.interval import Interval, as_found_outcomes
from calibration.metrology.lots import exact_interval
from calibration.metrology.turnbull import Outcomes, Survival, survival_at
from calibration.policies import Rule, Rulebook
from fleet.models import SensorModel
from fleet.scope import Scope

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LEVEL = 0.95  # of the band around the curve, at each of its days
_DAY = 86400.0
_NO_DEALER = 0  # no row has this key: the rule that holds for the model everywhere


def reliability(sensor_model: SensorModel, *, scope: Scope, now: datetime) -> dict[str, Any]:
    """Return how long the sensors of a model stay in tolerance, as far as the caller sees them.

    One outcome for each calibration whose numbers were in use: how long after it the sensor was
    found in tolerance, and when first found out (verdict `beyond`). Target and default come from
    the policy of the caller's dealer, where that is one, else from the model's.
    """
    rule = _rule(Rulebook(), sensor_model.pk, scope)
    return _lasting(sensor_model, _read(scope=scope, now=now, sensor_model=sensor_model), rule)


def reliability_of_all(*, scope: Scope, now: datetime) -> list[dict[str, Any]]:
    """Return `reliability` of every model of which the caller sees a look, in three queries."""
    book, table = Rulebook(), _read(scope=scope, now=now)
    return [
        _lasting(model, table[table["model"] == model.pk], _rule(book, model.pk, scope))
        for model in SensorModel.objects.filter(pk__in=np.unique(table["model"]).tolist())
    ]


def _lasting(sensor_model: SensorModel, table: Table, rule: Rule) -> dict[str, Any]:
    outcomes = outcomes_of(table["sensor"], table["before"], table["at"], table["out"])
    found = _interval(
        *(getattr(outcomes, name).tobytes() for name in ("lower", "upper", "weight")),
        target=rule.target_reliability,
        default_days=float(rule.default_interval_days),
    )
    return {
        "sensor_model": sensor_model.pk,
        "sensor_model_name": sensor_model.name,
        "target": found.target,
        "sensors": len(np.unique(table["sensor"])),
        "observations": found.outcomes,
        "out": found.beyond,
        "curve": curve(found.survival, outcomes) if found.survival else [],
        "curve_level": LEVEL,
        "law": _law(found),
        "interval_days": found.days,
        "lower_bound_days": found.lower_days,
        "confidence": found.confidence,
        "default_days": rule.default_interval_days,
        "basis": found.basis,
        "extrapolated": found.extrapolated,
        "method": interval.METHOD,
        "says": _says(found, rule.default_interval_days),
    }


@functools.lru_cache(maxsize=128)
def _interval(
    lower: bytes, upper: bytes, weight: bytes, *, target: float, default_days: float
) -> Interval:
    """The interval of these outcomes; kept, because a fit of many takes half a second."""
    outcomes = Outcomes(*(np.frombuffer(each) for each in (lower, upper, weight)))
    return interval.recalibration_interval(outcomes, target=target, default_days=default_days)


def outcomes_of(sensor: NDArray[np.int64], before: Floats, at: Floats, out: Bools) -> Outcomes:
    """Return what N looks say about when sensors left tolerance, in whole days, counted.

    Parameters
    ----------
    sensor : (N,) array
        Keys, in any order.
    before, at : (N,) arrays [s]
        When the calibration whose numbers were in use was made, and when somebody looked.
    out : (N,) array of bool
        True where the sensor was found out of tolerance.

    Returns
    -------
    Outcomes
        One for each sensor and `before`: the last look if all were good, else the first bad one
        and the last good one before it. What was seen after the first bad one (a repeat) tells
        nothing new. Looks at the same moment as the calibration before are left out.
    """
    order = np.lexsort((at, before, sensor))
    order = order[at[order] > before[order]]
    sensor, before, out = sensor[order], before[order], out[order]
    days = np.maximum(np.rint((at[order] - before) / _DAY), 1.0)
    new = np.ones(len(order), dtype=bool)
    new[1:] = (sensor[1:] != sensor[:-1]) | (before[1:] != before[:-1])
    start = np.flatnonzero(new)
    outs = np.concatenate(([0], np.cumsum(out)))
    useful = outs[:-1] == outs[np.repeat(start, np.diff(np.append(start, len(order))))]
    kept = np.add.reduceat(useful.astype(np.int64), start) if len(start) else start
    last = start + kept - 1
    # Within one day nobody can say more than that it was good the day before.
    good = np.where(out[last] & (kept > 1), np.minimum(days[last - 1], days[last] - 1.0), 0.0)
    found = as_found_outcomes(days[last], ~out[last], good)
    pairs, weight = np.unique(
        np.stack([found.lower, found.upper], axis=1), axis=0, return_counts=True
    )
    return Outcomes(pairs[:, 0], pairs[:, 1], weight.astype(np.float64))


def curve(survival: Survival, outcomes: Outcomes) -> list[dict[str, float]]:
    """Return the in-tolerance probability on the days where it may change, with its band.

    Between two days with different values the data do not say when it falls. Where the estimate
    is 1 or 0, the band is the exact one of the sensors whose state on that day is known.
    """
    ends = np.where(np.isfinite(outcomes.upper), outcomes.upper, outcomes.lower)
    days = np.concatenate(([0.0, ends.max()], survival.left, survival.right))
    days = np.unique(days[days <= ends.max()])
    probability, _ = survival_at(survival, days)
    u = np.concatenate(([0.0], survival.u_survival))
    u_probability = u[np.searchsorted(survival.right, days, side="right")]
    low, high = band(probability, u_probability)
    flat = (days > 0) & np.isnan(low)
    good = (outcomes.weight @ (outcomes.lower[:, None] >= days)).astype(np.int64)
    gone = (outcomes.weight @ (outcomes.upper[:, None] <= days)).astype(np.int64)
    exact = exact_interval(good, good + gone, LEVEL)
    low = np.where(flat, exact[0], np.where(days > 0, low, 1.0))
    high = np.where(flat, exact[1], np.where(days > 0, high, 1.0))
    columns = (days, probability, low, high)
    names = ("days", "probability", "low", "high")
    rows = zip(*(column.tolist() for column in columns), strict=True)
    return [dict(zip(names, row, strict=True)) for row in rows]


def band(probability: Floats, u: Floats, level: float = LEVEL) -> tuple[Floats, Floats]:
    """Return the confidence band of (D,) in-tolerance probabilities; NaN where `u` says nothing.

    Parameters
    ----------
    probability, u : (D,) arrays [1]
        Estimates and their standard uncertainties.
    level : float
        Of each point by itself.

    Notes
    -----
    Normal on the scale of ``ln(-ln S)``, so that it stays between 0 and 1.

    References
    ----------
    J. D. Kalbfleisch and R. L. Prentice, The Statistical Analysis of Failure Time Data, 1.4
    (from memory; called "log-log" in general-purpose libraries).
    """
    from scipy.special import ndtri

    usable = (probability > 0) & (probability < 1) & (u > 0)
    safe = np.where(usable, probability, 0.5)
    wide = float(ndtri(0.5 + level / 2.0)) * u / (safe * np.abs(np.log(safe)))
    factor = np.exp(np.minimum(wide, 50.0))
    low, high = safe**factor, safe ** (1.0 / factor)
    return np.where(usable, low, np.nan), np.where(usable, high, np.nan)


def _read(*, scope: Scope, now: datetime, sensor_model: SensorModel | None = None) -> Table:
    rows = looks(scope=scope, sensor_model=sensor_model)
    return read_looks(rows.filter(calibration__performed_at__lte=now))


def _rule(book: Rulebook, sensor_model_id: int, scope: Scope) -> Rule:
    alone = scope.at_one_dealer
    dealer = next(iter(scope.dealers)) if alone else _NO_DEALER
    return book.rule(sensor_model_id, dealer)


def _law(found: Interval) -> dict[str, float] | None:
    law = found.law
    if law is None:
        return None
    return {
        "shape": law.shape,
        "u_shape": law.u_shape,
        "scale_days": law.scale,
        "u_scale_days": law.u_scale,
    }


def _says(found: Interval, default: int) -> str:
    """Say how long by the law, how long for sure, what is made of it and on what it rests."""
    rests_on = f"{found.outcomes} as-found outcomes, {found.beyond} of them out of tolerance"
    if found.basis == "default":
        return f"The default of {default} days holds: there are {rests_on}, {_needed(found)}."
    target, sure = f"{100 * found.target:.3g} %", f"{100 * found.confidence:.3g} %"
    return (
        f"By {_BY[found.basis]} of {rests_on}, {target} of the sensors are still in tolerance "
        f"after {found.estimate_days:.0f} days.{_limited(found, default)} With {sure} confidence "
        f"it is at least {int(found.lower_days)} days; due days go by what is sure, within the "
        "policy's limits."
    )


def _needed(found: Interval) -> str:
    """What is missing for a law."""
    few = found.outcomes < interval.FEWEST_OUTCOMES or found.beyond < interval.FEWEST_BEYOND
    if not few:
        return "and no law could be fitted to them"
    return (
        f"and {interval.FEWEST_OUTCOMES}, with {interval.FEWEST_BEYOND} out, are needed to say "
        "more"
    )


def _limited(found: Interval, default: int) -> str:
    """Which limit holds in the place of an estimate beyond it."""
    if not found.limited:
        return ""
    if found.days > found.estimate_days:
        return f" No interval is shorter than {found.days:.0f} day."
    seen = found.basis == "exponential" and found.days < 3 * default
    because = "nobody has looked later" if seen else f"three times the default of {default}"
    return f" No more than {int(found.days)} days are made of that: {because}."


_BY = {
    "weibull": "a Weibull law",
    "exponential": "an exponential law (the outcomes do not tell the shape)",
}
