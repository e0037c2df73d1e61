"""Calibrations with planted troubles, for judging the diagnosis.

A generator of its own: sizes and frequencies here are not those of `causes.CAUSES`. Everything
that can be set stands in `Troubles`.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from calibration.metrology.causes import LOAD_FACTORS
from calibration.metrology.evidence import Evidence

Floats = NDArray[np.float64]
Interval = tuple[float, float]


@dataclass(frozen=True)
class Troubles:
    """What the simulation assumes; shares of rated load unless said otherwise."""

    repeatability: float = 0.0015
    slope_walk: float = 0.006  # healthy change a season, relative
    zero_walk: float = 0.003
    reference: float = 0.005  # relative; same reference in half of the calibrations
    others: int = 12  # cells calibrated the same day with the same reference
    neighbours: int = 7
    span: Interval = (0.2, 0.7)
    ageing: Interval = (0.035, 0.10)  # relative slope change, both signs, mostly loss
    zero_shift: Interval = (0.03, 0.25)
    sensitivity_loss: Interval = (0.06, 0.40)
    preloaded_zero: Interval = (0.03, 0.40)
    span_not_carried: Interval = (0.08, 0.80)  # of the span, or all of it
    hanging: float = 0.3
    extra_load: Interval = (0.05, 0.5)
    common_reference: Interval = (0.03, 0.15)
    shares: dict[str, float] = field(
        default_factory=lambda: {
            "ageing": 3.0, "zero_shift": 2.0, "sensitivity_loss": 1.0, "unit_slip": 2.0,
            "preloaded_zero": 2.0, "span_not_carried": 2.0, "points_swapped": 1.0,
            "digits_transposed": 1.0, "copied_numbers": 1.0, "cable_swapped": 1.0,
            "wiring_reversed": 1.0, "at_rail": 1.0, "common_reference": 1.0,
        }
    )  # fmt: skip


class Cells:
    """M cells, what is expected of them and a healthy calibration of each, before rounding."""

    def __init__(self, rng: Generator, count: int, world: Troubles) -> None:
        self.rng, self.world, self.count = rng, world, count
        self.rated = rng.choice([500.0, 1000.0, 2000.0, 5000.0], count)
        self.scale = rng.choice([3000.0, 7000.0, 20000.0], count) * rng.normal(1, 0.03, count)
        self.slope = self.scale / self.rated
        self.offset = rng.normal(18000.0, 900.0, count)
        self.unit = rng.choice([u for u in LOAD_FACTORS if u != 1000.0], count)
        x1 = rng.uniform(*world.span, count)
        self.span_load = np.round(x1 * self.rated / self.unit, 3) * self.unit
        self.zero_load = np.zeros(count)
        self.low, self.high = np.zeros(count), np.full(count, 65535.0)
        noise = world.repeatability * self.scale
        self.noise = noise
        self.known_slope = self.slope * rng.normal(1, 0.003, count)
        self.known_offset = self.offset + rng.normal(0, 0.6, count) * noise
        self.var_slope = (self.slope * np.hypot(0.003, world.slope_walk)) ** 2
        self.var_offset = (0.6 * noise) ** 2 + (world.zero_walk * self.scale) ** 2
        self.slope = self.slope * rng.normal(1, world.slope_walk, count)
        self.offset = self.offset + rng.normal(0, world.zero_walk, count) * self.scale
        self.reference_sd = np.where(rng.random(count) < 0.5, 0.0, np.sqrt(2.0) * world.reference)
        self.common = rng.normal(0, 1, count) * self.reference_sd
        self.neighbour_slope = self.known_slope[:, None] * rng.normal(
            1, 0.03, (count, world.neighbours)
        )
        self.neighbour_offset = rng.normal(18000.0, 900.0, (count, world.neighbours))
        self.last = tuple(
            np.round(self.known_offset + self.known_slope * load + rng.normal(0, 1, count) * noise)
            for load in (self.zero_load, self.span_load)
        )

    def read(self, load: Floats) -> Floats:
        """Return the reading at a load, with the field's repeatability."""
        return (
            self.offset
            + self.slope * (1.0 + self.common) * load
            + self.rng.normal(0, 1, self.count) * self.noise
        )


def either_sign(rng: Generator, interval: Interval, count: int, minus: float = 0.5) -> Floats:
    """Return sizes from an interval with a random sign."""
    return rng.uniform(*interval, count) * np.where(rng.random(count) < minus, -1.0, 1.0)


def _odd(ratio: Floats, x1: Floats) -> NDArray[np.bool_]:
    return np.isclose(ratio, 1.0) | (ratio * x1 < 0.01) | (ratio * x1 > 7.0)


def transposed(rng: Generator, number: float) -> float:
    """Return a number with two neighbouring, different digits in each other's place."""
    digits = list(f"{number:.0f}")
    pairs = [i for i in range(len(digits) - 1) if digits[i] != digits[i + 1]]
    pairs = [i for i in pairs if not (i == 0 and digits[1] == "0")]
    if not pairs:
        return number
    place = int(rng.choice(pairs))
    digits[place], digits[place + 1] = digits[place + 1], digits[place]
    return float("".join(digits))


def simulate(rng: Generator, count: int, world: Troubles) -> tuple[Evidence, list[str]]:
    """Return the evidence of `count` calibrations and the code of what was planted in each."""
    codes = list(world.shares)
    weights = np.array([world.shares[code] for code in codes])
    planted = [codes[i] for i in rng.choice(len(codes), count, p=weights / weights.sum())]
    cells = Cells(rng, count, world)
    is_ = {code: np.array([code == name for name in planted]) for code in {*codes, *planted}}
    none = np.zeros(count, dtype=bool)
    has = lambda code: is_.get(code, none)  # noqa: E731 - one word, used twenty times below

    age = either_sign(rng, world.ageing, count, 0.7)
    cells.slope *= 1 + np.where(has("ageing"), age, 0.0)
    cells.offset += np.where(has("ageing"), rng.normal(0, 0.008, count), 0.0) * cells.scale
    cells.slope *= 1 - np.where(
        has("sensitivity_loss"), rng.uniform(*world.sensitivity_loss, count), 0.0
    )
    cells.offset += (
        np.where(has("zero_shift"), either_sign(rng, world.zero_shift, count), 0) * cells.scale
    )
    moved = either_sign(rng, world.common_reference, count)
    cells.common = cells.common + np.where(has("common_reference"), moved, 0.0)
    others_see = cells.common + rng.normal(0, 0.004, count)

    true_zero, true_span = cells.zero_load.copy(), cells.span_load.copy()
    slip = rng.choice(LOAD_FACTORS, count)
    x1 = cells.span_load / cells.rated
    # Nobody slips to a unit that makes the load absurd: the number would catch the eye.
    while (odd := _odd(slip / cells.unit, x1)).any():
        slip = np.where(odd, rng.choice(LOAD_FACTORS, count), slip)
    true_span = np.where(has("unit_slip"), cells.span_load / cells.unit * slip, true_span)
    true_zero = (
        true_zero
        + np.where(has("preloaded_zero"), rng.uniform(*world.preloaded_zero, count), 0)
        * cells.rated
    )
    lost = np.where(
        rng.random(count) < world.hanging, 1.0, rng.uniform(*world.span_not_carried, count)
    )
    true_span = true_span * (1 - np.where(has("span_not_carried"), lost, 0.0))
    true_span = true_span * (
        1 + np.where(has("extra_load"), rng.uniform(*world.extra_load, count), 0.0)
    )

    zero, span = np.round(cells.read(true_zero)), np.round(cells.read(true_span))
    own = cells.known_offset + rng.normal(0, 0.003, count) * cells.scale
    drop = cells.slope * cells.span_load
    zero = np.where(
        has("wiring_reversed"), np.round(own + rng.normal(0, 1, count) * cells.noise), zero
    )
    span = np.where(
        has("wiring_reversed"), np.round(own - drop + rng.normal(0, 1, count) * cells.noise), span
    )
    beside = rng.integers(0, world.neighbours, count)
    rows = np.arange(count)
    n_offset, n_slope = cells.neighbour_offset[rows, beside], cells.neighbour_slope[rows, beside]
    swap = has("cable_swapped")
    for_zero = n_offset + rng.normal(0, 1, count) * cells.noise * 2
    for_span = n_offset + n_slope * cells.span_load * (1 + rng.normal(0, world.slope_walk, count))
    zero = np.where(swap, np.round(for_zero), zero)
    span = np.where(swap, np.round(for_span + rng.normal(0, 1, count) * cells.noise), span)
    copied = has("copied_numbers")
    zero, span = np.where(copied, cells.last[0], zero), np.where(copied, cells.last[1], span)
    swapped = has("points_swapped")
    zero, span = np.where(swapped, span, zero), np.where(swapped, zero, span)
    which = rng.random(count) < 0.5
    for row in np.flatnonzero(has("digits_transposed")):
        if which[row]:
            zero[row] = transposed(rng, zero[row])
        else:
            span[row] = transposed(rng, span[row])
    rail = np.where(which, cells.high, cells.low)
    span = np.where(has("at_rail"), rail, span)
    zero = np.where(has("at_rail") & (rng.random(count) < 0.4), rail, zero)
    evidence = Evidence(
        zero_load=cells.zero_load, zero_reading=zero, span_load=cells.span_load,
        span_reading=span, load_factor=cells.unit, expected_slope=cells.known_slope,
        expected_offset=cells.known_offset, var_slope=cells.var_slope,
        var_offset=cells.var_offset, covariance=np.zeros(count), reading_sd=cells.noise,
        rated_load=cells.rated, reference_sd=cells.reference_sd, reading_min=cells.low,
        reading_max=cells.high, last_zero_reading=cells.last[0],
        last_span_reading=cells.last[1], neighbour_slope=cells.neighbour_slope,
        neighbour_offset=cells.neighbour_offset, common_change=others_see,
        common_u=np.full(count, 0.004),
    )  # fmt: skip
    return evidence, planted
