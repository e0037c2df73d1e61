"""What a verdict rests on, of an answer or a row: numbers and grounds, no words."""

import math
from collections.abc import Mapping
from typing import Any

from calibration.models import Judgement
from calibration.moving import MOVED
from calibration.weighing import SLOW

Answer = Mapping[str, Any]

NOTHING, FIRST, CHANCE, REFERENCE, SUM, OLDER = (
    "nothing", "first", "chance", "reference", "sum", "older",
)  # fmt: skip


def judged(answer: Answer) -> Mapping[str, Any]:
    """Return what the verdict rests on: the change against what was expected, else before."""
    for name in ("against_expected", "against_previous"):
        numbers: Mapping[str, Any] = answer.get(name) or {}
        if numbers.get("p_out_slope") is not None:
            return numbers
    return {}


def is_first(answer: Answer) -> bool:
    """Whether only the cell's tag or its lot says what was to be expected."""
    return bool(answer.get("against_expected")) and not answer["against_first"]


def before_the_first(answer: Answer) -> str:
    """Return what a first calibration is compared with, in words."""
    of_tag = answer["against_expected"]["rests_on"] == "tag"
    return "the cell's tag" if of_tag else "what others of its model and lot showed first"


def ground(answer: Answer) -> str:
    """Return what made the verdict of a record that has one.

    Returns
    -------
    str
        NOTHING: no earlier one, no tag, no lot. FIRST: how far the first one is from tag or lot.
        CHANCE: to be beyond tolerance. REFERENCE: it moved. SUM: of the small changes since the
        first one here. OLDER: other thresholds than those of today.
    """
    if not judged(answer):
        return NOTHING
    if is_first(answer):
        return FIRST
    limits = thresholds(answer)
    alone = by_chance(answer, *limits) if limits else answer["verdict"]
    if answer["verdict"] == alone:
        return CHANCE
    if answer["verdict"] != "watch" or alone != "within":
        return OLDER
    if reference_moved(answer) is not None:
        return REFERENCE
    return SUM if summed(answer)[1] >= SLOW else OLDER


def thresholds(answer: Answer) -> tuple[float, float] | None:
    """Return the chances from which on it is watched, and flagged."""
    limits = answer["tolerance"]
    watch, flag = limits.get("watch_probability"), limits.get("flag_probability")
    return None if watch is None or flag is None else (watch, flag)


def by_chance(answer: Answer, watch: float, flag: float) -> str:
    """Return the verdict that the greater chance alone would give."""
    _, p_out = greater(answer)
    return "beyond" if p_out >= flag else "watch" if p_out >= watch else "within"


def greater(answer: Answer) -> tuple[str, float]:
    """Return which number, slope or offset, is likelier to be beyond tolerance; the chance."""
    return _likelier(judged(answer), answer["tolerance"])


def summed(answer: Answer) -> tuple[str, float]:
    """Return which number is likelier to be beyond by all that added up since the first."""
    return _likelier(answer["against_first"], answer["tolerance"])


def _likelier(numbers: Mapping[str, Any], tolerance: Mapping[str, Any]) -> tuple[str, float]:
    chances = tuple(float(numbers.get(f"p_out_{name}") or 0.0) for name in ("slope", "offset"))
    changes = (numbers.get("slope_change_pct"), numbers.get("offset_change"))
    limits = (tolerance.get("slope_pct", math.inf), tolerance.get("offset", math.inf))
    name = _heavier(chances, changes, limits)
    return name, max(chances)


def weights(row: Judgement, against: str = "expected") -> tuple[float, float]:
    """Return how much slope and offset weigh: by E_n for a first calibration, else by chance."""
    what = "p_out" if row.first_id else "en"
    slope, offset = (
        abs(getattr(row, f"{against}_{what}_{name}") or 0.0) for name in ("slope", "offset")
    )
    return slope, offset


def heavier(row: Judgement, against: str = "expected") -> str:
    """Return which change a stored verdict rests on, slope or offset."""
    changes = (
        getattr(row, f"{against}_slope_change_pct"), getattr(row, f"{against}_offset_change")
    )  # fmt: skip
    limits = (row.slope_tolerance_pct, row.offset_tolerance)
    return _heavier(weights(row, against), changes, limits)


def _heavier(
    weight: tuple[float, ...], change: tuple[float | None, ...], tolerance: tuple[float, ...]
) -> str:
    """The one that weighs more; of two that weigh as much, the one more tolerances away."""
    slope, offset = (
        (0.0, -1.0) if moved is None else (heavy, abs(moved) / limit)
        for heavy, moved, limit in zip(weight, change, tolerance, strict=True)
    )
    return "offset" if offset > slope else "slope"


def reference_moved(answer: Answer) -> float | None:
    """Return `moved` of an answer."""
    expected = answer.get("against_expected") or {}
    return moved(
        expected.get("common_change_pct"),
        expected.get("reference_moved"),
        expected.get("reference_returned_pct"),
        answer["tolerance"].get("slope_pct"),
    )


def moved_in(row: Any, prefix: str = "") -> float | None:
    """Return `moved` of a row that holds a judgement's columns under their names."""
    return moved(
        getattr(row, f"{prefix}common_change_pct"),
        getattr(row, f"{prefix}reference_moved"),
        getattr(row, f"{prefix}reference_returned_pct"),
        getattr(row, f"{prefix}slope_tolerance_pct"),
    )


def moved(
    change_pct: float | None,
    chance: float | None,
    returned_pct: float | None,
    slope_tolerance_pct: float | None,
) -> float | None:
    """Return the chance that a reference has moved, where it counts as moved: else None.

    It does from a chance of MOVED on, where it moved, and not back, by more than half the slope's
    tolerance: then its cells are watched.
    """
    if chance is None or chance < MOVED or returned_pct is not None or not slope_tolerance_pct:
        return None
    return chance if abs(change_pct or 0.0) > slope_tolerance_pct / 2.0 else None
