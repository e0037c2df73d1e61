"""What a sensor's whole history leads one to expect of its next calibration.

A local-level model on (relative slope, zero in rated loads): the level walks with a variance that
grows with time, a calibration sees it with the covariance of its fit. Now and then a cell jumps;
the filter weighs jump against noise, so that after an overload it follows at once, and one noisy
season does not carry it off.

References
----------
.. [1] J. Durbin, S. J. Koopman, "Time Series Analysis by State Space Methods", 2nd ed., Oxford
   2012, chapter 2 (local level), sections 2.2 (filter) and 4.3 (Kalman filter).
.. [2] Y. Bar-Shalom, X. R. Li, T. Kirubarajan, "Estimation with Applications to Tracking and
   Navigation", Wiley 2001, section 11.6.4 (generalised pseudo-Bayesian estimator, first order).
"""

from dataclasses import dataclass

import numpy as np

from calibration.metrology.jumps import JUMPS, Jumps, Merged, Symmetric, merge_jumps
from calibration.metrology.padding import BoolArray, FloatArray, IntArray
from calibration.metrology.series import Noise, Prior, Series, Shared

METHOD = "local-level/5"

YEAR = 365.25

# A fit without any uncertainty still has this relative variance: the last digits of a number.
_EXACT = 1e-16
_BLOCK = 8192  # segments at a time: what is worked on stays in the processor's cache


@dataclass(frozen=True)
class Expectation:
    """What was expected of each of M calibrations from those before it in its segment.

    Attributes
    ----------
    known : ndarray of bool, shape (M,)
        There was something to expect: an earlier calibration, or a prior. The other arrays hold
        the calibration's own values where not.
    slope, offset : ndarray, shape (M,)
        Expected values, as the reference of the calibrations before would show them: the day's
        common change is not in them [reading/N], [reading].
    var_slope, var_offset, covariance : ndarray, shape (M,)
        Their (co)variances, what the cell does in the meantime included, the common change not
        [reading^2/N^2], [reading^2], [reading^2/N].
    change_slope_pct, u_change_slope_pct : ndarray, shape (M,)
        Slope against the level of the calibration before, as the whole history shows it, the
        common change taken off, and its standard uncertainty [%].
    change_offset, u_change_offset : ndarray, shape (M,)
        The same of the zero [N].
    surprise, var_surprise : ndarray, shape (M,)
        Relative slope less what was expected, the common change still in it; and the variance
        of that without the common change [1].
    jump : ndarray, shape (M,)
        Probability that the cell jumped [1].
    log_likelihood : ndarray, shape (M,)
        Log density of the calibration (relative slope, zero in rated loads) given those before.
    level_slope, level_offset, u_level_slope, u_level_offset : ndarray, shape (M,)
        The levels with this calibration taken in [reading/N], [reading].
    """

    known: BoolArray
    slope: FloatArray
    offset: FloatArray
    var_slope: FloatArray
    var_offset: FloatArray
    covariance: FloatArray
    change_slope_pct: FloatArray
    u_change_slope_pct: FloatArray
    change_offset: FloatArray
    u_change_offset: FloatArray
    surprise: FloatArray
    var_surprise: FloatArray
    jump: FloatArray
    log_likelihood: FloatArray
    level_slope: FloatArray
    level_offset: FloatArray
    u_level_slope: FloatArray
    u_level_offset: FloatArray


def expect(
    series: Series,
    noise: Noise,
    *,
    shared: Shared | None = None,
    prior: Prior | None = None,
    jumps: Jumps = JUMPS,
) -> Expectation:
    """Filter the calibrations of N segments and return what each was expected to be.

    Parameters
    ----------
    series : Series
        M calibrations of N segments, by segment and time.
    noise : Noise
        What the cells of each segment do by themselves.
    shared : Shared, optional
        Common change of each calibration; without it, what the references' uncertainties allow.
    prior : Prior, optional
        What is expected of the first calibrations, from tag or siblings.
    jumps : tuple
        Jumps that are thought of; ``((0, 0, 1),)`` makes it the plain Kalman filter.

    Returns
    -------
    Expectation

    Notes
    -----
    For each calibration ``y = x + e``, ``x = x_before + c + w``: e with the fit's covariance and
    `Noise.extra`, w with ``Noise.walk * years`` [1]_ equation 2.15, c the common change (slope
    only). Under each jump hypothesis an ordinary update; the results are merged by their
    probabilities, mean and covariance kept [2]_.

    A common change stays in the level: it is the scale of the reference in use. Calibrations with
    ``Series.trusted`` False are expected and compared, but nothing is learnt from them.
    """
    given = shared or series.unshared()
    state = _State(series, noise, prior)
    out = {name: np.empty(series.size) for name in Expectation.__dataclass_fields__}
    for step in range(series.longest):
        many = int((series.length > step).sum())
        for at in range(0, many, _BLOCK):
            who = slice(at, min(at + _BLOCK, many))
            _advance(state, _Now(state, series, given, who, step), jumps, out)
    known = out.pop("known") > 0.0
    return Expectation(known=known, **out)


class _State:
    """Level and covariance of N segments, relative to their first calibrations.

    The longest segments come first: those that have a step are then a slice of all, whose arrays
    are looked at where they lie.
    """

    def __init__(self, series: Series, noise: Noise, prior: Prior | None) -> None:
        order = np.argsort(-series.length, kind="stable")
        count = len(order)
        self.first = series.first[order]
        self.unit, self.origin, self.scale = (part[order] for part in series.unit)
        self.rated = series.rated_load[order]
        self.noise = Noise(**{name: values[order] for name, values in vars(noise).items()})
        self.slope, self.zero = np.zeros(count), np.zeros(count)
        self.spread: Symmetric = (np.zeros(count), np.zeros(count), np.zeros(count))
        self.known = np.zeros(count, dtype=bool)
        self.day = series.day[self.first]
        if prior is not None:
            self._start(Prior(**{name: values[order] for name, values in vars(prior).items()}))

    def _start(self, prior: Prior) -> None:
        all_of_it = prior.slope + prior.offset + prior.var_slope + prior.var_offset
        self.known = np.isfinite(all_of_it)

        def given(values: FloatArray) -> FloatArray:
            return np.where(self.known, values, 0.0)

        self.slope = given(prior.slope / self.unit - 1.0)
        self.zero = given((prior.offset - self.origin) / self.scale)
        self.spread = (
            given(prior.var_slope / self.unit**2),
            np.zeros_like(self.unit),
            given(prior.var_offset / self.scale**2),
        )


class _Now:
    """Levels before, and what is seen now, of some of the segments that have this step."""

    def __init__(
        self, state: _State, series: Series, shared: Shared, who: slice, step: int
    ) -> None:
        self.who, self.rows = who, state.first[who] + step
        rows = self.rows
        self.unit, self.origin, self.scale = state.unit[who], state.origin[who], state.scale[who]
        self.rated, self.known, self.day = state.rated[who], state.known[who], series.day[rows]
        self.learn = (
            np.ones(len(rows), dtype=bool) if series.trusted is None else series.trusted[rows]
        )
        self._see(series, state.noise)
        # Where nothing is known before, the calibration stands for its own expectation.
        self.slope = _pick(self.known, state.slope[who], self.y[0])
        self.zero = _pick(self.known, state.zero[who], self.y[1])
        self.level: Symmetric = (state.spread[0][who], state.spread[1][who], state.spread[2][who])
        years = (self.day - state.day[who]) / YEAR
        self.walk = state.noise.walk_slope[who] * years, state.noise.walk_zero[who] * years
        self.size = 1.0 + self.slope
        self.moved = self.slope + _pick(self.known, shared.change[rows] * self.size, 0.0)
        self.common = _pick(self.known, shared.variance[rows] * self.size**2, 0.0)
        self.variance = self.level[0] + self.walk[0], self.level[2] + self.walk[1]
        self.walked: Symmetric = self.variance[0] + self.common, self.level[1], self.variance[1]

    def _see(self, series: Series, noise: Noise) -> None:
        """Slope and zero relative to the segment's first, and their (co)variances."""
        rows, who = self.rows, self.who
        self.y = (
            (series.slope[rows] - self.unit) / self.unit,
            (series.offset[rows] - self.origin) / self.scale,
        )
        slope, zero = (
            (series.u_slope[rows] / self.unit) ** 2,
            (series.u_offset[rows] / self.scale) ** 2,
        )
        self.seen: Symmetric = (
            np.maximum(slope, _EXACT) + noise.extra_slope[who],
            series.covariance[rows] / (self.unit * self.scale),
            np.maximum(zero, _EXACT) + noise.extra_zero[who],
        )


def _pick(where: BoolArray, values: FloatArray, otherwise: FloatArray | float) -> FloatArray:
    """As np.where, but without a copy where all are taken, as nearly always."""
    return values if where.all() else np.where(where, values, otherwise)


def _advance(state: _State, now: _Now, jumps: Jumps, out: dict[str, FloatArray]) -> None:
    """Take in one calibration of each segment that has one, and write what came of it."""
    rows, who = now.rows, now.who
    _report_expected(now, out, rows)
    _report_change(now, out, rows)
    if now.known.any():
        merged = merge_jumps((now.moved, now.zero), now.walked, now.seen, now.y, jumps)
    else:
        nothing = np.zeros(len(rows))
        merged = Merged(now.y, now.seen, nothing, nothing)
    out["jump"][rows] = _pick(now.known, merged.jump, 0.0)
    out["log_likelihood"][rows] = _pick(now.known, merged.log_likelihood, 0.0)
    slope, zero, first, cross, last = (
        _pick(now.learn, _pick(now.known, updated, seen), walked)
        for updated, seen, walked in zip(
            (*merged.mean, *merged.spread),
            (*now.y, *now.seen),
            (now.moved, now.zero, *now.walked),
            strict=True,
        )
    )
    out["level_slope"][rows] = now.unit * (1.0 + slope)
    out["level_offset"][rows] = now.origin + now.scale * zero
    out["u_level_slope"][rows] = np.abs(now.unit) * np.sqrt(first)
    out["u_level_offset"][rows] = np.abs(now.scale) * np.sqrt(last)
    state.slope[who], state.zero[who], state.day[who] = slope, zero, now.day
    for mine, new in zip(state.spread, (first, cross, last), strict=True):
        mine[who] = new
    state.known[who] |= now.learn


def _report_expected(now: _Now, out: dict[str, FloatArray], rows: IntArray) -> None:
    size = np.where(now.size == 0.0, 1.0, now.size)
    out["known"][rows] = now.known
    out["slope"][rows] = now.unit * now.size
    out["offset"][rows] = now.origin + now.scale * now.zero
    out["var_slope"][rows] = now.unit**2 * now.variance[0]
    out["var_offset"][rows] = now.scale**2 * now.variance[1]
    out["covariance"][rows] = now.unit * now.scale * now.level[1]
    out["surprise"][rows] = (now.y[0] - now.slope) / size
    out["var_surprise"][rows] = (now.variance[0] + now.seen[0]) / size**2


def _report_change(now: _Now, out: dict[str, FloatArray], rows: IntArray) -> None:
    """Compare with the level of the calibration before: no walk, the common change taken off."""
    size = 1.0 + now.moved
    size = np.where(size == 0.0, 1.0, size)
    ratio = (1.0 + now.y[0]) / size
    level = now.level[0] + now.common
    shift = (now.y[1] - now.zero) / size
    out["change_slope_pct"][rows] = 100.0 * (ratio - 1.0)
    out["u_change_slope_pct"][rows] = (
        100.0 * np.sqrt(now.seen[0] + ratio**2 * level) / np.abs(size)
    )
    variance = now.seen[2] + now.level[2] + shift**2 * level + 2.0 * shift * now.level[1]
    out["change_offset"][rows] = shift * now.rated
    out["u_change_offset"][rows] = now.rated * np.sqrt(np.maximum(variance, 0.0)) / np.abs(size)
