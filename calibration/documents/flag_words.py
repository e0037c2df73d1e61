"""A flag in one sentence, for paper."""

from calibration.models import DriftFlag
from calibration.readout.phrases import sized

Kind = DriftFlag.Kind
_SAYS = {
    Kind.SLOPE: "slope changed by {size} %, tolerance {limit} %",
    Kind.OFFSET: "offset changed by {size} % of rated load, tolerance {limit} %",
    Kind.FIT: "points off the line by {size} % of rated load, limit {limit} %",
    Kind.REFERENCE: "its reference moved by {size} %, tolerance {limit} %",
    Kind.LOT: "its lot: {size} % found out, siblings {limit} %",
    Kind.FUNCTIONAL: "functional test off by {size} %, tolerance {limit} %",
    Kind.OVERDUE: "{size} days past its due day",
}


def flag_words(kind: str, magnitude: float, tolerance: float) -> str:
    """Return what is wrong and how far."""
    says = _SAYS[Kind(kind)]
    if kind == Kind.FUNCTIONAL and abs(magnitude) <= tolerance:
        says = "functional test failed, not by the force (off by {size} %, tolerance {limit} %)"
    size, limit = f"{magnitude:.3g}", f"{tolerance:.3g}"
    if kind == Kind.LOT:
        size, limit = f"{magnitude:.1f}", f"{tolerance:.1f}"
    elif kind not in (Kind.FUNCTIONAL, Kind.OVERDUE):
        size = sized(magnitude)
    return says.format(size=size, limit=limit)
