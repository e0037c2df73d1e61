"""Drift: how slope and offset changed from one calibration to a later one of the same sensor."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.metrology.conformity import en_number, p_out

Floats = NDArray[np.float64]

METHOD = "pairwise/1"


@dataclass(frozen=True)
class LineState:
    """Slope and offset of N calibrations with what is known of them.

    Attributes
    ----------
    slope, offset : (N,) arrays [reading/N], [reading]
    u_slope, u_offset : (N,) arrays [reading/N], [reading]
        Standard uncertainties without the reference's common share.
    covariance : (N,) array [reading^2/N]
    reference_pct : (N,) array [%]
        Relative standard uncertainty of the reference used.
    """

    slope: Floats
    offset: Floats
    u_slope: Floats
    u_offset: Floats
    covariance: Floats
    reference_pct: Floats


@dataclass(frozen=True)
class Change:
    """What changed, with its standard uncertainty, E_n and probability beyond tolerance.

    Attributes
    ----------
    slope_pct, u_slope_pct : (N,) arrays [%]
        ``100 (slope_new / slope_old - 1)``.
    offset, u_offset : (N,) arrays [N]
        ``(offset_new - offset_old) / slope_old``: the zero's move as the old numbers show it.
    en_slope, en_offset, p_out_slope, p_out_offset : (N,) arrays [1]
    """

    slope_pct: Floats
    u_slope_pct: Floats
    offset: Floats
    u_offset: Floats
    en_slope: Floats
    en_offset: Floats
    p_out_slope: Floats
    p_out_offset: Floats


def compare(
    old: LineState,
    new: LineState,
    *,
    same_reference: NDArray[np.bool_],
    slope_tolerance_pct: Floats,
    offset_tolerance: Floats,
) -> Change:
    """Compare N calibrations with N earlier ones of the same sensors.

    Parameters
    ----------
    old, new : LineState
        The earlier and the later calibrations.
    same_reference : (N,) array of bool
        True where both used one reference standard, whose error then cancels.
    slope_tolerance_pct : (N,) array [%]
    offset_tolerance : (N,) array [N]

    Returns
    -------
    Change

    Notes
    -----
    First-order propagation (JCGM 100:2008, 5.1.2 and 5.2.2). The offset's change depends on the
    old slope and offset, which are correlated: their covariance is kept. The two calibrations
    are independent but for the reference. Relative uncertainties are squared as they are: none
    that is told from zero here underflows.
    """
    reference = np.where(same_reference, 0.0, new.reference_pct**2 + old.reference_pct**2)
    random = (new.u_slope / new.slope) ** 2 + (old.u_slope / old.slope) ** 2
    slope_pct = 100.0 * (new.slope - old.slope) / old.slope
    u_slope_pct = np.abs(new.slope / old.slope) * np.sqrt(1e4 * random + reference)
    offset = (new.offset - old.offset) / old.slope
    u_offset = np.sqrt(_offset_variance(old, new, offset)) / np.abs(old.slope)
    return Change(
        slope_pct=slope_pct,
        u_slope_pct=u_slope_pct,
        offset=offset,
        u_offset=u_offset,
        en_slope=en_number(slope_pct, u_slope_pct),
        en_offset=en_number(offset, u_offset),
        p_out_slope=p_out(slope_pct, u_slope_pct, slope_tolerance_pct),
        p_out_offset=p_out(offset, u_offset, offset_tolerance),
    )


def _offset_variance(old: LineState, new: LineState, offset: Floats) -> Floats:
    """Variance [reading^2] of the offset's change, with the old slope's share."""
    variance = (
        new.u_offset**2
        + old.u_offset**2
        + (offset * old.u_slope) ** 2
        + 2.0 * offset * old.covariance
    )
    return np.asarray(np.maximum(variance, 0.0))
