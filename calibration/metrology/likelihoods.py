"""The likelihood of a calibration's readings under each cause, one function a cause.

Three forms serve nearly all of them: a place that the cause predicts (`placed`), an effect of
unknown size along a direction (`sized`), and an aged cell (`aged`).
"""

from collections.abc import Callable, Mapping

import numpy as np

from calibration.metrology import causes, misreadings
from calibration.metrology.deviations import IMPOSSIBLE, Deviations, log_normal, log_sum
from calibration.metrology.forms import aged, as_expected, placed, sized, sized_with_others
from calibration.metrology.padding import FloatArray, floats

# The signal reversed about: the cell's zero, reading 0, the middle of the range, anything.
_REVERSED = (0.4, 0.2, 0.2, 0.2)
_ANY_ZERO: causes.Sizes = ((0.0, 2.0, 1.0),)

# Density where nothing is known: even over five by five rated loads.
_LOG_ANYWHERE = -2.0 * float(np.log(5.0))

# How often the others of that day share a slip of the unit, and how far they scatter about it.
_SLIP_SHARED, _SLIP_SCATTER = 0.5, 0.03

# An even share of the cases in which the points between zero and span are spoilt as well.
_BETWEEN_TOO = 0.5


def log_likelihood(seen: Deviations, code: str) -> FloatArray:
    """Return the log likelihood of M calibrations under a cause.

    Parameters
    ----------
    seen : Deviations
        The evidence.
    code : str
        A code of `causes.CAUSES`.

    Returns
    -------
    ndarray, shape (M,)
        Log density on the scale of rated loads, the evidence beside the two readings included.
    """
    log = _FORMS[code](seen)
    if code not in ("common_reference", "unit_slip"):
        log = log + seen.log_common
    return log + _between(seen, seen.causes[code].spoils) + _pressure(seen, code)


def healthy(seen: Deviations) -> FloatArray:
    """Return the log likelihood of M calibrations with nothing wrong."""
    return as_expected(seen) + seen.log_common + _between(seen, "line") + _pressure(seen, "")


def _between(seen: Deviations, spoils: str) -> FloatArray:
    line = seen.middle["line"]
    if spoils == "line":
        return line
    share = _BETWEEN_TOO if spoils == "span" else 0.0
    return log_sum([line, seen.middle[spoils]], [share, 1.0 - share])


def _pressure(seen: Deviations, code: str) -> FloatArray:
    limit, spoilt, sound = causes.RESIDUAL_PRESSURE
    pressure = seen.evidence.optional("pressure")
    often = spoilt if code in ("preloaded_zero", "extra_load") else sound
    log = np.where(pressure > limit, np.log(often), np.log1p(-often))
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
    low, high, rarely = causes.PLAUSIBLE_LOAD
    logs, weights = [], []
    for factor in causes.LOAD_FACTORS:
        ratio = factor / typed
        other = np.abs(ratio - 1.0) > 1e-6
        loads = seen.x0 * ratio, seen.x1 * ratio
        log = placed(seen, (loads[0] - seen.x0, loads[1] - seen.x1), loads)
        shared = log_normal(
            seen.common_change - (ratio - 1.0),
            seen.common_noise + (_SLIP_SCATTER * ratio) ** 2,
        )
        both = log_sum([seen.log_common, shared], [1.0 - _SLIP_SHARED, _SLIP_SHARED])
        logs.append(log + np.where(seen.has_common, both, seen.log_common))
        weights.append(other * np.where((loads[1] > low) & (loads[1] < high), 1.0, rarely))
    whole = np.add.reduce(weights)
    return log_sum(logs, [weight / whole for weight in weights])


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
    count = np.maximum(there.sum(axis=1), 1.0)
    logs, weights = [np.full_like(seen.zero, IMPOSSIBLE)], [np.ones_like(seen.zero)]
    rated = seen.evidence.required("rated_load")
    for column in range(slopes.shape[1]):
        known = there[:, column]
        slope = np.where(known, slopes[:, column], seen.slope)
        offset = np.where(known, offsets[:, column], seen.offset)
        shift = (
            seen.at(offset + slope * rated * seen.x0, seen.x0),
            seen.at(offset + slope * rated * seen.x1, seen.x1),
        )
        logs.append(np.where(known, placed(seen, shift), IMPOSSIBLE))
        weights.append(np.where(known, 1.0 / count, 0.0))
    return log_sum(logs, weights)


def _wiring_reversed(seen: Deviations) -> FloatArray:
    """Return it for a slope that turned its sign; about which reading depends on the wiring."""
    down = -2.0 * seen.x0, -2.0 * seen.x1
    low = seen.evidence.optional("reading_min")
    high = seen.evidence.optional("reading_max")
    middle = np.where(np.isfinite(low + high), 0.5 * (low + high), 0.0)
    logs = [placed(seen, down)]
    for about in (np.zeros_like(middle), middle):
        lift = 2.0 * (about - seen.offset) / seen.scale
        logs.append(placed(seen, (down[0] + lift, down[1] + lift)))
    one = np.ones_like(seen.zero)
    logs.append(sized(seen, (one, one), _ANY_ZERO, shift=down, both_ways=True))
    return log_sum(logs, [*_REVERSED])


def _common_reference(seen: Deviations) -> FloatArray:
    return sized_with_others(seen, seen.causes["common_reference"].sizes)


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
