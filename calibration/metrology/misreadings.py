"""Likelihoods of numbers that were not measured as written: turned digits, copies, rails."""

import numpy as np

from calibration.metrology.deviations import (
    IMPOSSIBLE,
    Deviations,
    decimals,
    log_normal,
    log_sum,
)
from calibration.metrology.forms import placed
from calibration.metrology.padding import BoolArray, FloatArray

# Where two digits are turned: in one of the readings, in the span load.
_TURNED = (0.85, 0.15)
_DIGITS = 9
_TENS = 10.0 ** np.arange(_DIGITS)

# What was copied: last season's readings, or the tag's.
_COPIED = (0.7, 0.3)

# Which reading stands at the end of the range: span only, zero only, both at one end; and the
# share of exact ends, the others lie within this part of the range.
_AT_RAIL = (0.4, 0.2, 0.4)
_EXACTLY, _WINDOW = 0.8, 1e-3

# Ends of the usual converters, for a sensor model that does not say its range.
_ENDS = tuple(2.0**bits - 1.0 for bits in (10, 12, 14, 15, 16, 20, 23, 24)) + tuple(
    -(2.0**bits) for bits in (11, 15, 19, 23)
)


def turned_digits(typed: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Return every number that two neighbouring digits in each other's place turn into these.

    Parameters
    ----------
    typed : ndarray, shape (M,)
        Numbers as typed [any unit].

    Returns
    -------
    numbers : ndarray, shape (D, M)
        For each of D pairs of digits: the number before.
    there : ndarray of bool, shape (D, M)
        Whether there is one: the digits differ, and the number does not start with a zero then.
    """
    places = decimals(typed)
    whole = np.rint(np.abs(typed) * 10.0**places)
    fits = whole < 10.0**_DIGITS
    whole = np.where(fits, whole, 0.0)
    tens = _TENS[:, None]
    digits = np.floor(whole / tens)
    digits -= 10.0 * np.floor(digits / 10.0)
    low, high = digits[:-1], digits[1:]
    before = whole + (low - high) * 9.0 * tens[:-1]
    inside, leads = whole >= tens[1:], whole < 10.0 * tens[1:]
    there = fits & inside & (low != high) & ~(leads & (low == 0.0))
    return np.copysign(before / 10.0**places, typed), there


def digits_transposed(seen: Deviations) -> FloatArray:
    """Return the log density with two neighbouring digits of one number in the wrong order."""
    none = np.zeros_like(seen.zero)
    required = seen.evidence.required
    unit = required("load_factor") / required("rated_load")
    zero, zero_there = turned_digits(seen.zero_reading / seen.factor)
    shift = np.where(zero_there, seen.zero - seen.at(zero * seen.factor, seen.x0), 0.0)
    in_zero = placed(seen, (shift, none))
    span, span_there = turned_digits(seen.span_reading / seen.factor)
    shift = np.where(span_there, seen.span - seen.at(span * seen.factor, seen.x1), 0.0)
    in_span = placed(seen, (none, shift))
    load, load_there = turned_digits(seen.x1 / unit)
    truly = np.where(load_there, load * unit, seen.x1)
    in_load = placed(seen, (none, truly - seen.x1), (seen.x0, truly))
    # The pairs of both readings are counted together: each is one choice among all of them.
    in_reading = np.vstack((in_zero, in_span)), np.vstack((zero_there, span_there))
    logs, weights = [], []
    for share, (log, there) in zip(_TURNED, (in_reading, (in_load, load_there)), strict=True):
        logs += [*np.where(there, log, IMPOSSIBLE)]
        weights += [*np.where(there, share / np.maximum(there.sum(axis=0), 1.0), 0.0)]
    return log_sum(logs, weights)


def copied_numbers(seen: Deviations) -> FloatArray:
    """Return the log probability that both readings equal earlier ones to the last digit."""
    weights = []
    for source, share in zip(("last", "tag"), _COPIED, strict=True):
        same = _equals(seen.zero_reading, seen.evidence.optional(f"{source}_zero_reading"))
        same &= _equals(seen.span_reading, seen.evidence.optional(f"{source}_span_reading"))
        weights.append(np.where(same, share, 0.0))
    certain = np.zeros_like(seen.zero)
    # A probability, not a density: the resolution that is added to all others is taken off.
    return log_sum([certain] * len(weights), weights) - 2.0 * np.log(seen.cell)


def at_rail(seen: Deviations) -> FloatArray:
    """Return the log density with a reading at the end of the converter's range."""
    zero_at, span_at = _rail(seen, seen.zero_reading), _rail(seen, seen.span_reading)
    a, _, c = seen.covariance(seen.x0, seen.x1)
    zero_as_expected = log_normal(seen.zero - seen.common * seen.x0, a)
    span_as_expected = log_normal(seen.span - seen.common * seen.x1, c)
    together = np.where(
        _equals(seen.zero_reading, seen.span_reading),
        np.minimum(zero_at, span_at) - np.log(seen.cell),
        IMPOSSIBLE,
    )
    return log_sum([zero_as_expected + span_at, span_as_expected + zero_at, together], [*_AT_RAIL])


def _equals(reading: FloatArray, other: FloatArray) -> BoolArray:
    return np.abs(reading - other) <= 1e-9 * np.maximum(np.abs(reading), 1e-9)


def _rail(seen: Deviations, reading: FloatArray) -> FloatArray:
    """Return the log density of a reading that stands at an end of the range."""
    low = seen.evidence.optional("reading_min")
    high = seen.evidence.optional("reading_max")
    span = np.where(np.isfinite(high - low), high - low, 0.0)
    exact = _equals(reading, low) | _equals(reading, high)
    unknown = ~np.isfinite(low) & ~np.isfinite(high) & (decimals(reading) == 0.0)
    exact |= unknown & np.isin(reading, _ENDS)
    near = np.minimum(
        np.where(np.isfinite(low), np.abs(reading - low), np.inf),
        np.where(np.isfinite(high), np.abs(reading - high), np.inf),
    )
    window = _WINDOW * span / np.abs(seen.scale)
    inside = (near <= _WINDOW * span) & (window > 0.0)
    density = np.where(exact, _EXACTLY / seen.cell, 0.0)
    density = density + np.where(inside, (1.0 - _EXACTLY) / np.maximum(window, seen.cell), 0.0)
    return np.where(density > 0.0, np.log(np.where(density > 0.0, density, 1.0)), IMPOSSIBLE)
