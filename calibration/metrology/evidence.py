"""What a diagnosis is made from: the numbers of M calibrations and what was expected of them."""

from dataclasses import dataclass

import numpy as np

from calibration.metrology.padding import FloatArray, floats

_REQUIRED = (
    "zero_load", "zero_reading", "span_load", "span_reading", "load_factor",
    "expected_slope", "expected_offset", "var_slope", "var_offset", "covariance",
    "reading_sd", "rated_load",
)  # fmt: skip


@dataclass(frozen=True)
class Evidence:
    """Numbers of M calibrations; an optional array that is None, and a NaN in one, is unknown.

    Attributes
    ----------
    zero_load, span_load : ndarray, shape (M,)
        Lowest and highest load, as typed, turned into [N].
    zero_reading, span_reading : ndarray, shape (M,)
        The readings at them (means of repeated ones) [reading].
    load_factor : ndarray, shape (M,)
        Newtons in one of the load unit that was typed [N].
    expected_slope, expected_offset : ndarray, shape (M,)
        What history leads one to expect, without any correction for the day's common factor
        [reading/N], [reading].
    var_slope, var_offset, covariance : ndarray, shape (M,)
        Their variances and covariance, what the cell does between the calibrations included
        [reading^2/N^2], [reading^2], [reading^2/N].
    reading_sd : ndarray, shape (M,)
        Standard deviation of one reading in the field, load setting included [reading].
    rated_load : ndarray, shape (M,)
        [N].
    reference_sd : ndarray, shape (M,), optional
        Relative standard uncertainty of the loads that expectation and calibration do not share;
        0 where both come from one reference [1].
    reference_named : ndarray, shape (M,), optional
        0 where the load was the unit's own weight: then no reference can have moved [1].
    reading_min, reading_max : ndarray, shape (M,), optional
        The converter's range [reading].
    reading_factor : ndarray, shape (M,), optional
        [reading] in one of the unit that the readings were typed in; needed to see the typed
        digits.
    last_zero_reading, last_span_reading : ndarray, shape (M,), optional
        Readings of the calibration before [reading].
    tag_zero_reading, tag_span_reading : ndarray, shape (M,), optional
        Readings on the tag [reading].
    neighbour_slope, neighbour_offset : ndarray, shape (M, B), optional
        What is expected of the other cells on the machine [reading/N], [reading].
    common_change, common_u : ndarray, shape (M,), optional
        Relative slope change shared by the other cells that were calibrated that day with that
        reference (their median) and its standard uncertainty [1].
    drift_slope : ndarray, shape (M,), optional
        Relative slope change since the expectation that the cell's own trend foretells [1].
    middle_load, middle_reading, middle_count : ndarray, shape (M,), optional
        Mean load and reading of the points between zero and span [N], [reading], and how many.
    pressure : ndarray, shape (M,), optional
        Hydraulic pressure written beside the calibration [kPa].
    """

    zero_load: FloatArray
    zero_reading: FloatArray
    span_load: FloatArray
    span_reading: FloatArray
    load_factor: FloatArray
    expected_slope: FloatArray
    expected_offset: FloatArray
    var_slope: FloatArray
    var_offset: FloatArray
    covariance: FloatArray
    reading_sd: FloatArray
    rated_load: FloatArray
    reference_sd: FloatArray | None = None
    reference_named: FloatArray | None = None
    reading_min: FloatArray | None = None
    reading_max: FloatArray | None = None
    reading_factor: FloatArray | None = None
    last_zero_reading: FloatArray | None = None
    last_span_reading: FloatArray | None = None
    tag_zero_reading: FloatArray | None = None
    tag_span_reading: FloatArray | None = None
    neighbour_slope: FloatArray | None = None
    neighbour_offset: FloatArray | None = None
    common_change: FloatArray | None = None
    common_u: FloatArray | None = None
    drift_slope: FloatArray | None = None
    middle_load: FloatArray | None = None
    middle_reading: FloatArray | None = None
    middle_count: FloatArray | None = None
    pressure: FloatArray | None = None

    def required(self, name: str) -> FloatArray:
        """Return a required array of floats, shape (M,).

        Raises
        ------
        ValueError
            If it does not fit the zero loads, or holds a value that is not finite.
        """
        array = floats(name, getattr(self, name), np.asarray(self.zero_load).shape)
        if not np.isfinite(array).all():
            message = f"{name}: every value must be finite"
            raise ValueError(message)
        return array

    def optional(self, name: str, unknown: float = np.nan) -> FloatArray:
        """Return an optional array of floats, shape (M,); `unknown` stands where it is not known.

        Raises
        ------
        ValueError
            If it does not fit the zero loads.
        """
        values = getattr(self, name)
        shape = np.asarray(self.zero_load).shape
        if values is None:
            return np.full(shape, unknown)
        array = floats(name, values, shape)
        return np.where(np.isnan(array), unknown, array)

    def check(self) -> None:
        """Refuse numbers that no calibration has.

        Raises
        ------
        ValueError
            Naming the argument and the reason.
        """
        arrays = {name: self.required(name) for name in _REQUIRED}
        if not (arrays["span_load"] > arrays["zero_load"]).all():
            raise ValueError("span_load: must be above zero_load")
        if (arrays["expected_slope"] == 0.0).any():
            raise ValueError("expected_slope: must not be 0")
        for name in ("rated_load", "load_factor", "reading_sd"):
            if not (arrays[name] > 0.0).all():
                message = f"{name}: must be above 0"
                raise ValueError(message)
        for name in ("var_slope", "var_offset"):
            if not (arrays[name] >= 0.0).all():
                message = f"{name}: must not be negative"
                raise ValueError(message)
