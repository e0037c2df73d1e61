"""Fleets with planted drift, for judging expectation, common changes and verdicts.

A generator of its own; everything that can be set stands in `World`. True changes of the last
season are planted relative to the tolerance, all earlier seasons are sound.
"""

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from calibration.metrology.series import Series

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class World:
    """What the simulation assumes."""

    dealers: int = 5
    customers: int = 20  # of each dealer; one visit a season
    sensors: int = 8  # of each customer
    seasons: int = 6
    repeatability: float = 0.0015  # of rated load, one reading
    span: tuple[float, float] = (0.4, 0.8)  # of rated load
    walk_slope: float = 0.005  # a year, relative
    walk_zero: float = 0.003  # a year, of rated load
    extra_slope: float = 0.001
    slope_tolerance: float = 0.03
    offset_tolerance: float = 0.02
    drifted: float = 0.15
    drift: tuple[float, float] = (1.5, 3.0)  # of the tolerance
    sound: float = 0.5  # of the tolerance, at most
    old_reference: float = 0.02  # relative standard uncertainty
    new_reference: float = 0.005
    changed: bool = False


@dataclass(frozen=True)
class Fleet:
    """A simulated fleet: the calibrations, their groups, and the truth of the last season."""

    series: Series
    group: NDArray[np.int64]  # one visit
    wide: NDArray[np.int64]  # one dealer and season
    last: NDArray[np.int64]  # rows of the last calibrations
    slope_change: Floats  # true, relative
    zero_change: Floats  # true, of rated load
    common: Floats  # true common change of the last season, relative
    drifted: NDArray[np.bool_]


def simulate(rng: Generator, world: World) -> Fleet:
    """Return a fleet of two-point calibrations over several seasons."""
    count = world.dealers * world.customers * world.sensors
    k = world.seasons
    dealer = np.repeat(np.arange(world.dealers), world.customers * world.sensors)
    customer = np.repeat(np.arange(world.dealers * world.customers), world.sensors)
    rated = rng.choice([1000.0, 2000.0, 5000.0], count)
    scale = 7000.0 * rng.normal(1.0, 0.03, count)
    x1 = np.repeat(rng.uniform(*world.span, world.dealers * world.customers), world.sensors)

    walk_slope = rng.normal(0.0, world.walk_slope, (count, k))
    walk_zero = rng.normal(0.0, world.walk_zero, (count, k))
    walk_slope[:, 0] = walk_zero[:, 0] = 0.0
    limit = world.sound * world.slope_tolerance, world.sound * world.offset_tolerance
    walk_slope[:, -1] = np.clip(walk_slope[:, -1], -limit[0], limit[0])
    walk_zero[:, -1] = np.clip(walk_zero[:, -1], -limit[1], limit[1])
    half = rng.random(count) < 0.5  # half of the sound ones moved by anything up to the limit
    walk_slope[:, -1] = np.where(half, rng.uniform(-limit[0], limit[0], count), walk_slope[:, -1])
    drifted = rng.random(count) < world.drifted
    in_slope = rng.random(count) < 0.6
    size = rng.uniform(*world.drift, count) * rng.choice([-1.0, 1.0], count)
    walk_slope[:, -1] = np.where(
        drifted & in_slope, size * world.slope_tolerance, walk_slope[:, -1]
    )
    walk_zero[:, -1] = np.where(
        drifted & ~in_slope, size * world.offset_tolerance, walk_zero[:, -1]
    )
    slope = np.cumprod(1.0 + walk_slope, axis=1)
    zero = np.cumsum(walk_zero, axis=1)

    errors = rng.normal(0.0, 1.0, (world.dealers, 2)) * [world.old_reference, world.new_reference]
    which = np.zeros(k, dtype=int)
    which[-1] = int(world.changed)
    seen = slope * (1.0 + errors[dealer][:, which])
    seen = seen * (1.0 + rng.normal(0.0, world.extra_slope, (count, k)))
    r0 = zero + rng.normal(0.0, world.repeatability, (count, k))
    r1 = zero + seen * x1[:, None] + rng.normal(0.0, world.repeatability, (count, k))
    b = (r1 - r0) / x1[:, None]

    per_newton = (scale / rated)[:, None]
    u_slope = np.sqrt(2.0) * world.repeatability / x1[:, None] * per_newton
    u_offset = world.repeatability * scale[:, None]
    covariance = -(world.repeatability**2) / x1[:, None] * per_newton * scale[:, None]
    visit = rng.integers(0, 40, (world.dealers * world.customers, k)) + 365 * np.arange(k)
    reference = np.where(which == 0, 2 * dealer[:, None], 2 * dealer[:, None] + 1)
    pct = 100.0 * np.where(which == 0, world.old_reference, world.new_reference)
    whole = np.ones((count, k))
    series = Series(
        segment=np.repeat(np.arange(count), k),
        day=visit[customer].astype(float).ravel(),
        slope=(b * per_newton).ravel(),
        offset=(18000.0 + r0 * scale[:, None]).ravel(),
        u_slope=(u_slope * whole).ravel(),
        u_offset=(u_offset * whole).ravel(),
        covariance=(covariance * whole).ravel(),
        reference=reference.ravel(),
        reference_pct=(pct * whole).ravel(),
        rated_load=rated,
    )
    group = (customer[:, None] * k + np.arange(k)).ravel()
    wide = (dealer[:, None] * k + np.arange(k)).ravel()
    change = (1.0 + errors[dealer, int(world.changed)]) / (1.0 + errors[dealer, 0]) - 1.0
    return Fleet(
        series, group, wide, np.arange(count) * k + k - 1, slope[:, -1] / slope[:, -2] - 1.0,
        walk_zero[:, -1], change, drifted,
    )  # fmt: skip
