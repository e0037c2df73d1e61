"""The recalibration interval of a model against the law that its cells were made with."""

import numpy as np

from calibration.metrology.interval import as_found_outcomes, recalibration_interval

TARGET = 0.9
SHAPE, SCALE = 1.8, 1400.0  # Weibull, days


def rows(seed: int) -> list[tuple[str, str, float, float | None, float | None]]:
    """Return figure, what to reach, ours, the plain rule's (one year for all), the best."""
    rng = np.random.default_rng(seed)
    true = SCALE * (-np.log(TARGET)) ** (1.0 / SHAPE)
    errors, below, best = [], [], []
    for _ in range(40):
        life = SCALE * rng.weibull(SHAPE, 400)
        looked = rng.choice([180.0, 365.0, 540.0, 730.0], 400) + rng.uniform(-30, 30, 400)
        found = recalibration_interval(
            as_found_outcomes(looked, life > looked), target=TARGET, default_days=365.0
        )
        errors.append(abs(found.days - true))
        below.append(found.lower_days <= true)
        best.append(abs(np.quantile(life, 1.0 - TARGET) - true))
    return [
        ("recalibration interval, median error [d]", "", float(np.median(errors)),
         abs(365.0 - true), float(np.median(best))),
        ("its lower bound holds (said 0.90)", "", float(np.mean(below)), None, None),
    ]  # fmt: skip
