"""The likelihood of a calibration's readings under each cause, one function a cause.

Three forms serve nearly all of them: a place that the cause predicts (`placed`), an effect of
unknown size along a direction (`sized`), and an aged cell (`aged`).
"""

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from calibration.metrology import causes, misreadings, slips
from calibration.metrology.deviations import IMPOSSIBLE, Deviations, log_normal, log_sum
from calibration.metrology.forms import aged, as_expected, placed, sized, sized_with_others
from calibration.metrology.padding import FloatArray, floats
from calibration.metrology.plausibility import residual_pressure

# The signal reversed about: the cell's zero, reading 0, the middle of the range, anything.
_REVERSED = (0.4, 0.2, 0.2, 0.2)
_ANY_ZERO: causes.Sizes = ((0.0, 2.0, 1.0),)

# Density where nothing is known: even over five by five rated loads.
_LOG_ANYWHERE = -2.0 * float(np.log(5.0))

# How often the others of that day share a slip of the unit, and how far they scatter about it.
_SLIP_SHARED, _SLIP_SCATTER = 0.5, 0.03

# Causes that take in what the others of the day say by themselves, and those that a residual
# pressure goes with.
_WITH_OTHERS = frozenset({"common_reference", "unit_slip"})
_UNDER_PRESSURE = frozenset({"preloaded_zero", "extra_load"})

# An even share of the cases in which the points between zero and span are spoilt as well.
_BETWEEN_TOO = 0.5


def log_likelihoods(seen: Deviations, codes: Sequence[str]) -> FloatArray:
    """Return the log likelihoods of M calibrations under C causes.

    Parameters
    ----------
    seen : Deviations
        The evidence.
    codes : sequence of str
        Codes of `causes.CAUSES`.

    Returns
    -------
    ndarray, shape (C, M)
        Log densities on the scale of rated loads, the evidence beside the two readings included.
    """
    between = {spoils: _between(seen, spoils) for spoils in ("line", "zero", "span")}
    _, spoilt, sound = causes.RESIDUAL_PRESSURE
    residual, other = _pressure(seen, spoilt), _pressure(seen, sound)
    logs = np.empty((len(codes), len(seen.zero)))
    for row, code in enumerate(codes):
        log = _FORMS[code](seen)
        if code not in _WITH_OTHERS:
            log = log + seen.log_common
        beside = residual if code in _UNDER_PRESSURE else other
        logs[row] = log + between[seen.causes[code].spoils] + beside
    return logs


def healthy(seen: Deviations) -> FloatArray:
    """Return the log likelihood of M calibrations with nothing wrong."""
    sound = _pressure(seen, causes.RESIDUAL_PRESSURE[2])
    return as_expected(seen) + seen.log_common + _between(seen, "line") + sound


def _between(seen: Deviations, spoils: str) -> FloatArray:
    line = seen.middle["line"]
    if spoils == "line":
        return line
    share = _BETWEEN_TOO if spoils == "span" else 0.0
    return log_sum([line, seen.middle[spoils]], [share, 1.0 - share])


def _pressure(seen: Deviations, often: float) -> FloatArray:
    """Log probability of the pressure written down, residual pressure being there so often."""
    pressure = seen.evidence.optional("pressure")
    log = np.where(residual_pressure(pressure), np.log(often), np.log1p(-often))
    return np.where(np.isnan(pressure), 0.0, log)


def _ageing(seen: Deviations) -> FloatArray:
    return log_sum(
        [aged(seen, zero_sd) for zero_sd, _ in causes.AGEING_ZERO],
        [share for _, share in causes.AGEING_ZERO],
    )


def _zero_shift(seen: Deviations) -> FloatArray:
    one = np.ones_like(seen.zero)
    return sized(seen, (one, one), seen.causes["zero_shift"].sizes, both_ways=True)


def _sensitivity_loss(seen: Deviations) -> FloatArray:
    return sized(seen, (-seen.x0, -seen.x1), seen.causes["sensitivity_loss"].sizes)


def _unit_slip(seen: Deviations) -> FloatArray:
    typed = seen.evidence.required("load_factor")
    ratio = slips.ratios(typed)  # one row a factor
    loads = seen.x0 * ratio, seen.x1 * ratio
    log = placed(seen, (loads[0] - seen.x0, loads[1] - seen.x1), loads)
    shared = log_normal(
        seen.common_change - (ratio - 1.0), seen.common_noise + (_SLIP_SCATTER * ratio) ** 2
    )
    alone = np.broadcast_to(seen.log_common, shared.shape)
    both = log_sum([alone, shared], [1.0 - _SLIP_SHARED, _SLIP_SHARED])
    logs = log + np.where(seen.has_common, both, seen.log_common)
    return log_sum([*logs], [*slips.shares(ratio, loads[1])])


def _preloaded_zero(seen: Deviations) -> FloatArray:
    direction = np.ones_like(seen.zero), np.zeros_like(seen.zero)
    return sized(seen, direction, seen.causes["preloaded_zero"].sizes)


def _span_not_carried(seen: Deviations) -> FloatArray:
    direction = np.zeros_like(seen.zero), -(seen.x1 - seen.x0)
    return sized(seen, direction, seen.causes["span_not_carried"].sizes)


def _extra_load(seen: Deviations) -> FloatArray:
    direction = np.zeros_like(seen.zero), seen.x1 - seen.x0
    return sized(seen, direction, seen.causes["extra_load"].sizes)


def _points_swapped(seen: Deviations) -> FloatArray:
    return placed(seen, (seen.x1 - seen.x0, seen.x0 - seen.x1), (seen.x1, seen.x0))


def _cable_swapped(seen: Deviations) -> FloatArray:
    if seen.evidence.neighbour_slope is None or seen.evidence.neighbour_offset is None:
        return np.full_like(seen.zero, IMPOSSIBLE)
    slopes = floats("neighbour_slope", seen.evidence.neighbour_slope)
    offsets = floats("neighbour_offset", seen.evidence.neighbour_offset, slopes.shape)
    there = np.isfinite(slopes) & np.isfinite(offsets)
    known = np.ascontiguousarray(there.T)  # one row a neighbour
    slope = np.where(known, slopes.T, seen.slope)
    offset = np.where(known, offsets.T, seen.offset)
    rated = seen.evidence.required("rated_load")
    shift = (
        seen.at(offset + slope * rated * seen.x0, seen.x0),
        seen.at(offset + slope * rated * seen.x1, seen.x1),
    )
    logs = np.where(known, placed(seen, shift), IMPOSSIBLE)
    weights = np.where(known, 1.0 / np.maximum(there.sum(axis=1), 1.0), 0.0)
    none = np.full_like(seen.zero, IMPOSSIBLE)
    return log_sum([none, *logs], [np.ones_like(none), *weights])


def _wiring_reversed(seen: Deviations) -> FloatArray:
    """Return it for a slope that turned its sign; about which reading depends on the wiring."""
    down = -2.0 * seen.x0, -2.0 * seen.x1
    low = seen.evidence.optional("reading_min")
    high = seen.evidence.optional("reading_max")
    middle = np.where(np.isfinite(low + high), 0.5 * (low + high), 0.0)
    lifts = np.stack(
        [np.zeros_like(middle)]
        + [2.0 * (about - seen.offset) / seen.scale for about in (np.zeros_like(middle), middle)]
    )
    logs = placed(seen, (down[0] + lifts, down[1] + lifts))
    one = np.ones_like(seen.zero)
    anywhere = sized(seen, (one, one), _ANY_ZERO, shift=down, both_ways=True)
    return log_sum([*logs, anywhere], [*_REVERSED])


def _common_reference(seen: Deviations) -> FloatArray:
    moved = sized_with_others(seen, seen.causes["common_reference"].sizes)
    named = seen.evidence.optional("reference_named", 1.0) != 0.0
    return np.where(named, moved, IMPOSSIBLE)


def _unexplained(seen: Deviations) -> FloatArray:
    return np.full_like(seen.zero, _LOG_ANYWHERE)


_FORMS: Mapping[str, Callable[[Deviations], FloatArray]] = {
    "ageing": _ageing,
    "zero_shift": _zero_shift,
    "sensitivity_loss": _sensitivity_loss,
    "unit_slip": _unit_slip,
    "preloaded_zero": _preloaded_zero,
    "span_not_carried": _span_not_carried,
    "points_swapped": _points_swapped,
    "digits_transposed": misreadings.digits_transposed,
    "copied_numbers": misreadings.copied_numbers,
    "cable_swapped": _cable_swapped,
    "wiring_reversed": _wiring_reversed,
    "at_rail": misreadings.at_rail,
    "common_reference": _common_reference,
    "extra_load": _extra_load,
    "unexplained": _unexplained,
}
