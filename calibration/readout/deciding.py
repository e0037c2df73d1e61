"""The step from the chances to the verdict, as an explanation says it."""

from collections.abc import Iterator, Mapping
from typing import Any

from calibration.readout import sources
from calibration.readout.phrases import beside_limit, chance, day, en
from calibration.weighing import FIRST_LIMIT, MOVED

Answer = Mapping[str, Any]


def judged(answer: Answer) -> Mapping[str, Any]:
    """Return what the verdict rests on: the change against what was expected, else before."""
    for name in ("against_expected", "against_previous"):
        numbers: Mapping[str, Any] = answer.get(name) or {}
        if numbers.get("p_out_slope") is not None:
            return numbers
    return {}


def verdict(answer: Answer) -> Iterator[dict[str, str]]:
    """Yield why the verdict is what it is."""
    if answer["superseded_by"]:
        yield sources.RULE.says(
            "A later record replaces this one: it takes no part in judging and has no verdict."
        )
    elif not answer["verdict"]:
        yield sources.RULE.says("It is not judged yet; the next scan does it.")
    elif not judged(answer):
        said = (
            "It starts this sensor's history at this place: there is nothing to compare it with, "
            f"so the verdict is {answer['verdict']}."
        )
        yield sources.RULE.says(f"{said} {_flags(answer)}".strip())
    elif is_first(answer):
        yield sources.FIRST.says(f"{_far_from_expected(answer)} {_flags(answer)}".strip())
    else:
        yield sources.DECISION.says(f"{_reached(answer)} {_flags(answer)}".strip())


def is_first(answer: Answer) -> bool:
    """Whether only the cell's tag or its lot says what was to be expected."""
    return bool(answer.get("against_expected")) and not answer["against_first"]


def before_the_first(answer: Answer) -> str:
    """What a first calibration is compared with, in words."""
    of_tag = answer["against_expected"]["rests_on"] == "tag"
    return "the cell's tag" if of_tag else "what others of its model and lot showed first"


def _far_from_expected(answer: Answer) -> str:
    """Whether a first calibration is so far from what was expected that it is watched."""
    numbers = judged(answer)
    name = max(("slope", "offset"), key=lambda which: abs(float(numbers[f"en_{which}"])))
    greater = f"The greater E_n is the {name}'s, {en(numbers[f'en_{name}'])}"
    return (
        "A first calibration is only watched, and only where it is far from "
        f"{before_the_first(answer)}: E_n above {FIRST_LIMIT:g} in size. {greater}: the verdict "
        f"is {answer['verdict']}."
    )


def _reached(answer: Answer) -> str:
    """How the chances and the policy's thresholds make the verdict."""
    numbers, limits, stands = judged(answer), answer["tolerance"], answer["verdict"]
    flag, watch = limits.get("flag_probability"), limits.get("watch_probability")
    name = max(("slope", "offset"), key=lambda which: float(numbers[f"p_out_{which}"]))
    p_out = numbers[f"p_out_{name}"]
    greater = f"The greater chance to be beyond tolerance is the {name}'s"
    if flag is None or watch is None:
        return f"{greater}, {chance(p_out)}: the verdict is {stands}."
    levels = f"From a chance of {chance(watch)} on it is watched, from {chance(flag)} on flagged."
    by_chance = "beyond" if p_out >= flag else "watch" if p_out >= watch else "within"
    limit = flag if by_chance == "beyond" else watch
    words = "stays below" if by_chance == "within" else "reaches"
    said = f"{levels} {greater}, {beside_limit(p_out, limit)}, which {words} {chance(limit)}"
    if by_chance == stands:
        return f"{said}: the verdict is {stands}."
    return f"{said}; {_otherwise(answer)} the verdict is {stands}."


def _otherwise(answer: Answer) -> str:
    """Why the verdict is another one than the chances alone would give."""
    moved = (answer.get("against_expected") or {}).get("reference_moved") or 0.0
    if answer["verdict"] == "watch" and moved >= MOVED:
        return f"but the reference has moved with a chance of {chance(moved)}, so"
    first, flag = answer["against_first"], answer["tolerance"]["flag_probability"]
    summed = max(first.get("p_out_slope") or 0.0, first.get("p_out_offset") or 0.0)
    if answer["verdict"] == "watch" and summed >= flag:
        return (
            f"but what has added up since {day(first['performed_at'])} is beyond the tolerance "
            f"with a chance of {chance(summed)}, so"
        )
    return "it was judged by other thresholds, until the next scan"


def _flags(answer: Answer) -> str:
    raised = [f"{flag['kind']} ({flag['level']})" for flag in answer["flags"]]
    return f"Flags: {', '.join(raised)}." if raised else ""
