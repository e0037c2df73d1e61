"""Zero and span of M calibrations as deviations from what was expected, and their densities.

Readings are put on one scale: a deviation of 1 is the reading change of one rated load. With a
relative slope change g and a zero change z (in rated loads) the deviation at a load of x rated
loads is ``z + g x``.
"""

from collections.abc import Sequence

import numpy as np

from calibration.metrology import causes
from calibration.metrology.evidence import Evidence
from calibration.metrology.padding import FloatArray

# Log of a likelihood that is as good as zero.
IMPOSSIBLE = -1e4
_LOG_TWO_PI = float(np.log(2.0 * np.pi))
_MAX_DECIMALS = 6

Covariance = tuple[FloatArray, FloatArray, FloatArray]


class Deviations:
    """The evidence on the common scale; `zero` and `span` are deviations at loads x0 and x1."""

    def __init__(self, evidence: Evidence, table: tuple[causes.Cause, ...]) -> None:
        evidence.check()
        self.causes = {cause.code: cause for cause in table}
        self.evidence = evidence
        self.slope = evidence.required("expected_slope")
        self.offset = evidence.required("expected_offset")
        self.scale = self.slope * evidence.required("rated_load")
        self.x0 = evidence.required("zero_load") / evidence.required("rated_load")
        self.x1 = evidence.required("span_load") / evidence.required("rated_load")
        self.zero_reading = evidence.required("zero_reading")
        self.span_reading = evidence.required("span_reading")
        self.zero = self.at(self.zero_reading, self.x0)
        self.span = self.at(self.span_reading, self.x1)
        self.factor = evidence.optional("reading_factor", 1.0)
        self.cell = self._resolution()
        self.noise = (evidence.required("reading_sd") / np.abs(self.scale)) ** 2 + (
            self.cell**2 / 12.0
        )
        self._common()
        self.var_slope = (
            evidence.required("var_slope") / self.slope**2 + causes.FLOOR[0] ** 2 + self.var_common
        )
        self.var_zero = evidence.required("var_offset") / self.scale**2 + causes.FLOOR[1] ** 2
        self.cross = evidence.required("covariance") / (self.slope * self.scale)
        self.middle = self._middle()

    def at(self, reading: FloatArray, x: FloatArray) -> FloatArray:
        """Return the deviation [rated load] of a reading at a load of x rated loads."""
        return ((reading - self.offset) - self.scale * x) / self.scale

    def covariance(self, x0: FloatArray, x1: FloatArray) -> Covariance:
        """Return variance, covariance, variance of a healthy cell's deviations at two loads."""
        return (
            self.var_zero + 2.0 * self.cross * x0 + self.var_slope * x0**2 + self.noise,
            self.var_zero + self.cross * (x0 + x1) + self.var_slope * x0 * x1,
            self.var_zero + 2.0 * self.cross * x1 + self.var_slope * x1**2 + self.noise,
        )

    def _resolution(self) -> FloatArray:
        places = np.maximum(
            decimals(self.zero_reading / self.factor), decimals(self.span_reading / self.factor)
        )
        return np.asarray(10.0**-places * np.abs(self.factor / self.scale))

    def _common(self) -> None:
        """Take in what the other cells of that day say of a small common change.

        A common change c is a priori N(0, reference_sd^2); theirs was seen as
        ``common_change +- common_u``.
        """
        prior = self.evidence.optional("reference_sd", 0.0) ** 2
        seen = self.evidence.optional("common_change")
        noise = self.evidence.optional("common_u", 0.0) ** 2 + causes.FLOOR[0] ** 2
        self.has_common = np.isfinite(seen)
        self.common_change = np.where(self.has_common, seen, 0.0)
        self.common_noise = noise
        share = np.where(self.has_common, prior / (prior + noise), 0.0)
        self.common = share * self.common_change
        self.var_common = prior * (1.0 - share)
        self.log_common = np.where(
            self.has_common, log_normal(self.common_change, prior + noise), 0.0
        )

    def _middle(self) -> dict[str, FloatArray]:
        """Log density of the points between, if the whole line moved, the zero or the span alone.

        A line that moved as a whole goes through them; where one end was spoilt they lie on the
        expected line through the other end.
        """
        count = self.evidence.optional("middle_count", 0.0)
        there = count > 0.0
        x = self.evidence.optional("middle_load", 0.0) / self.evidence.required("rated_load")
        reading = np.where(there, self.evidence.optional("middle_reading", 0.0), self.offset)
        seen = self.at(reading, x)
        along = np.where(there, (x - self.x0) / (self.x1 - self.x0), 0.0)
        own = self.noise / np.maximum(count, 1.0)
        bent = causes.FLOOR[1] ** 2
        line = log_normal(
            seen - (1.0 - along) * self.zero - along * self.span,
            own + self.noise * ((1.0 - along) ** 2 + along**2) + bent,
        )
        ends = {
            name: log_normal(
                seen - end, own + self.noise + self.var_slope * (x - x_end) ** 2 + bent
            )
            for name, end, x_end in (
                ("span", self.zero, self.x0),
                ("zero", self.span, self.x1),
            )
        }
        return {name: np.where(there, log, 0.0) for name, log in {"line": line, **ends}.items()}


def log_normal(value: FloatArray, variance: FloatArray) -> FloatArray:
    """Return the log density of a normal deviation with this variance."""
    return -0.5 * (value * value / variance + np.log(variance) + _LOG_TWO_PI)


def log_normal_pair(first: FloatArray, second: FloatArray, spread: Covariance) -> FloatArray:
    """Return the log density of two correlated normal deviations."""
    a, b, c = spread
    determinant = a * c - b * b
    square = (c * first * first - 2.0 * b * first * second + a * second * second) / determinant
    return -0.5 * (square + np.log(determinant)) - _LOG_TWO_PI


def log_sum(logs: Sequence[FloatArray], weights: Sequence[float | FloatArray]) -> FloatArray:
    """Return the log of a weighted sum of likelihoods given by their logs."""
    top = np.maximum(np.maximum.reduce(logs), IMPOSSIBLE)
    whole = np.zeros_like(top)
    for log, weight in zip(logs, weights, strict=True):
        whole = whole + weight * np.exp(log - top)
    return np.where(whole > 0.0, top + np.log(np.where(whole > 0.0, whole, 1.0)), IMPOSSIBLE)


def decimals(typed: FloatArray) -> FloatArray:
    """Return how many decimals a typed number has, at most 6."""
    places = np.full(typed.shape, float(_MAX_DECIMALS))
    for place in range(_MAX_DECIMALS - 1, -1, -1):
        scaled = typed * 10.0**place
        whole = np.abs(scaled - np.rint(scaled)) <= 1e-9 * np.maximum(np.abs(scaled), 1.0)
        places = np.where(whole, float(place), places)
    return places
