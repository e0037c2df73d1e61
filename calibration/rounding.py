"""Numbers for people: rounded to what is known of them, in the units that were typed."""

import math


def decimals_for(uncertainty: float | None) -> int | None:
    """Return how many decimals a value deserves: its uncertainty shown with two digits.

    References
    ----------
    JCGM 100:2008, 7.2.6.
    """
    if uncertainty is None or not math.isfinite(uncertainty) or uncertainty <= 0:
        return None
    # Of the rounded one: 0.0996 is 0.10. "9.9e-02": what follows the letter at place 3.
    return 1 - int(f"{uncertainty:.1e}"[4:])


def rounded(value: float | None, uncertainty: float | None = None) -> str:
    """Return a value to the digits that its standard uncertainty leaves standing.

    Without an uncertainty, six significant digits.
    """
    if value is None or not math.isfinite(value):
        return "-"
    return _to(value, decimals_for(uncertainty))


def rounded_range(low: float, high: float, uncertainty: float | None) -> tuple[str, str]:
    """Return both ends of a range to the digits that their standard uncertainty leaves."""
    decimals = decimals_for(uncertainty)
    return _to(low, decimals), _to(high, decimals)


def _to(value: float, decimals: int | None) -> str:
    if decimals is None:
        return f"{value:.6g}"
    if decimals < 0:
        return f"{round(value, decimals) or 0.0:.0f}"
    shown = f"{value:.{decimals}f}"  # rounded as `round` does it, at half the cost
    return shown if value > 0.0 or float(shown) else f"{0.0:.{decimals}f}"


def with_uncertainty(value: float | None, uncertainty: float | None, unit: str = "") -> str:
    """Return ``value ± u unit``; never a bare number where its uncertainty is known."""
    spread = "" if decimals_for(uncertainty) is None else f" ± {rounded(uncertainty, uncertainty)}"
    return f"{rounded(value, uncertainty)}{spread} {unit}".strip()
