"""Cells that drift steadily: how well the day is foretold on which they leave tolerance."""

from dataclasses import dataclass

import numpy as np

from calibration.metrology.crossing import crossing
from calibration.metrology.trend import theil_sen


@dataclass(frozen=True)
class Drifts:
    """What the simulation assumes; slope in % of the first calibration."""

    count: int = 4000
    seasons: int = 6
    rate: tuple[float, float] = (0.3, 0.55)  # % a year, either sign
    noise: float = 0.35  # %, one calibration
    odd: float = 0.05  # share of calibrations that are off by ten times that
    tolerance: float = 3.0
    confidence: float = 0.9


def rows(seed: int) -> list[tuple[str, str, float, float | None, float | None]]:
    """Return figure, what to reach, ours, the plain rule's (a line through the ends), the best."""
    world = Drifts()
    rng = np.random.default_rng(seed)
    shape = world.count, world.seasons
    t = 365.25 * np.arange(world.seasons) + rng.uniform(-40, 40, shape)
    rate = rng.uniform(*world.rate, world.count) * rng.choice([-1, 1], world.count) / 365.25
    level = rate[:, None] * (t - t[:, :1])
    noise = rng.normal(0, world.noise, shape)
    noise = np.where(rng.random(shape) < world.odd, 10 * noise, noise)
    y = level + noise
    last = t[:, -1]
    shown = y[:, -1]
    actual = (world.tolerance * np.sign(rate) - (level[:, -1] - shown)) / rate

    trend = theil_sen(t, y, u=world.noise)
    # What is in the cab is the last calibration: the tolerance is counted from there.
    found = crossing(
        trend.level - y[:, -1], trend.rate, np.full(world.count, world.tolerance),
        u_level=trend.u_level, u_rate=trend.u_rate, covariance=trend.covariance,
        confidence=world.confidence,
    )  # fmt: skip
    plain_rate = (y[:, -1] - y[:, 0]) / (last - t[:, 0])
    plain = crossing(np.zeros(world.count), plain_rate, np.full(world.count, world.tolerance))
    centred = t - t.mean(axis=1, keepdims=True)
    clean = level + np.where(np.abs(noise) > 4 * world.noise, 0.0, noise)
    best_rate = (centred * clean).sum(axis=1) / (centred**2).sum(axis=1)
    at_last = clean.mean(axis=1) + best_rate * centred[:, -1]
    best = crossing(at_last - shown, best_rate, np.full(world.count, world.tolerance))

    def error(days: np.ndarray) -> float:
        return float(np.median(np.abs(np.minimum(days, 20_000) - actual)))

    early = float((found.earliest <= actual).mean())
    return [
        ("crossing day, median error [d]", "", error(found.expected), error(plain.expected),
         error(best.expected)),
        ("crossing comes after the stated earliest day (said 0.90)", "", early, None, None),
    ]  # fmt: skip
