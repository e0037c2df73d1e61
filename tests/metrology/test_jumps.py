"""One step of the level filter against the textbook's formulas by linear algebra."""

import numpy as np
import pytest

from calibration.metrology.jumps import JUMPS, merge_jumps


def alone(values):
    """Two numbers, or the three of a symmetric table, as arrays of one."""
    flat = values if values.ndim == 1 else values[[0, 0, 1], [0, 1, 1]]
    return tuple(np.array([value]) for value in flat)


def test_jumps_are_merged_as_the_mixture_of_kalman_updates():
    # Durbin and Koopman, 4.3, for each branch by linear algebra; moments of the mixture.
    rng = np.random.default_rng(11)
    for _ in range(50):
        roots = rng.normal(0, [[1e-2], [3e-2]], (2, 2, 2))
        spread, noise = (root @ root.T for root in roots)
        mean, seen = rng.normal(0, 0.03, (2, 2))
        weights, means, spreads = [], [], []
        for slope, zero, share in JUMPS:
            prior = spread + np.diag([slope**2, zero**2])
            total, away = prior + noise, seen - mean
            gain = prior @ np.linalg.inv(total)
            density = np.exp(-0.5 * away @ np.linalg.solve(total, away))
            weights.append(share * density / (2 * np.pi * np.sqrt(np.linalg.det(total))))
            means.append(mean + gain @ away)
            spreads.append(prior - gain @ prior)
        share = np.array(weights) / sum(weights)
        middle = share @ np.array(means)
        off = np.array(means) - middle
        wanted = np.einsum("j,jab->ab", share, np.array(spreads) + off[:, :, None] * off[:, None])
        merged = merge_jumps(*(alone(x) for x in (mean, spread, noise, seen)), JUMPS)
        assert np.ravel(merged.mean) == pytest.approx(middle, rel=1e-9)
        assert np.ravel(merged.spread) == pytest.approx(wanted[[0, 0, 1], [0, 1, 1]], rel=1e-7)
        assert merged.jump[0] == pytest.approx(1 - share[0], rel=1e-9)
        assert merged.log_likelihood[0] == pytest.approx(np.log(sum(weights)), rel=1e-9)
