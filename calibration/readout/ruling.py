"""The rule that a calibration was judged by, and the step from its numbers to the verdict."""

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from calibration.models import DriftFlag, Stage
from calibration.moving import MOVED
from calibration.readout import deciding, sources
from calibration.readout.phrases import beside_limit, chance, en, signed
from calibration.weighing import FIRST_LIMIT, SLOW

Answer = Mapping[str, Any]
Day = Callable[[str], str]

_NONE = "A record is judged against those before it, or its cell's tag or lot."


def verdict(when: Day, answer: Answer) -> Iterator[dict[str, str]]:
    """Yield why the verdict is what it is; `when` writes a day."""
    source = sources.RULE
    if _stands(answer) and deciding.judged(answer):
        source = sources.FIRST if deciding.is_first(answer) else sources.DECISION
    yield source.says(f"{_levels(answer)} {reached(answer, when)} {_flags(answer)}".strip())


def rule(answer: Answer) -> str:
    """Return the rule that was applied to this record, with the limits that held for it."""
    if not _stands(answer) or not deciding.judged(answer):
        return _NONE
    if deciding.is_first(answer):
        return (
            f"A first calibration is compared with {deciding.before_the_first(answer)}. It is "
            f"watched where E_n of slope or offset is above {FIRST_LIMIT:g} in size; within, "
            "otherwise. The chance p to lie beyond the tolerance is shown beside it and decides "
            "nothing."
        )
    limits = deciding.thresholds(answer)
    return f"{_tolerated(answer)} {_by_chance(*limits)}" if limits else _tolerated(answer)


def _tolerated(answer: Answer) -> str:
    limit = answer["tolerance"]
    return (
        "Tolerance of the change against what the sensor's history leads one to expect, what is "
        f"common to the day's reference taken off: slope ±{limit['slope_pct']:.3g} %, offset "
        f"±{limit['offset']:.3g} {limit['load_unit']}. From the change and its uncertainty "
        "follows the chance p that the true change lies beyond the tolerance (JCGM 106:2012)."
    )


def _by_chance(watch: float, flag: float) -> str:
    return (
        f"Beyond: p of slope or offset is at least {chance(flag)}. Watch: it is at least "
        f"{chance(watch)}; or, with nothing flagged before, the change since the first "
        f"calibration here lies beyond the tolerance with p of at least {chance(SLOW)}, also "
        "when what the reference moved since then is taken off; or the "
        f"reference has moved, with a chance of at least {chance(MOVED)}, by more than half the "
        "slope's tolerance, and not back to where it was. Within: otherwise. No guard band is "
        "added."
    )


def reached(answer: Answer, when: Day) -> str:
    """Return the step from this record's numbers to its verdict; `when` writes a day."""
    if answer["superseded_by"]:
        return "A later record replaces this one: it takes no part in judging and has no verdict."
    if not answer["verdict"]:
        return "It is not judged yet; the next scan does it."
    found = deciding.ground(answer)
    if found == deciding.NOTHING and answer["stage"] == Stage.AS_LEFT:
        return (
            "It was left so after an adjustment: nothing before it is compared with it, and what "
            f"comes after is held against it. The verdict is {answer['verdict']}."
        )
    if found == deciding.NOTHING:
        return (
            "It starts this sensor's history at this place: there is nothing to compare it with, "
            f"so the verdict is {answer['verdict']}."
        )
    if found == deciding.FIRST:
        return _far_from_expected(answer)
    return f"{_greater(answer)}{_otherwise(answer, when)} the verdict is {answer['verdict']}."


def _far_from_expected(answer: Answer) -> str:
    """Whether a first calibration is so far from what was expected that it is watched."""
    numbers = deciding.judged(answer)
    name = max(("slope", "offset"), key=lambda which: abs(float(numbers[f"en_{which}"])))
    size = en(numbers[f"en_{name}"])
    return f"The greater E_n is the {name}'s, {size}: the verdict is {answer['verdict']}."


def _greater(answer: Answer) -> str:
    """The greater chance, and on which side of its threshold it lies."""
    name, p_out = deciding.greater(answer)
    said = f"The greater chance to be beyond tolerance is the {name}'s"
    limits = deciding.thresholds(answer)
    if limits is None:
        return f"{said}, {chance(p_out)}"
    watch, flag = limits
    level = deciding.by_chance(answer, watch, flag)
    limit = flag if level == "beyond" else watch
    words = "stays below" if level == "within" else "reaches"
    return f"{said}, {beside_limit(p_out, limit)}, which {words} {chance(limit)}"


def _otherwise(answer: Answer, when: Day) -> str:
    """Why the verdict is another one than the chances alone would give, where it is."""
    found = deciding.ground(answer)
    if found == deciding.CHANCE:
        return ":"
    if found == deciding.REFERENCE:
        moved = chance(answer["against_expected"]["reference_moved"])
        return f"; but the reference has moved with a chance of {moved}, so"
    if found == deciding.SUM:
        share = chance(deciding.summed(answer)[1])
        return (
            f"; but what has added up since {added_up(answer, when)}, is beyond the tolerance "
            f"with a chance of {share}, so"
        )
    return "; it was judged by other thresholds, until the next scan"


def added_up(answer: Answer, when: Day) -> str:
    """Return the day of the first calibration here, and what has added up since then."""
    first, (name, _) = answer["against_first"], deciding.summed(answer)
    slope = name == "slope"
    key, unit = ("slope_change_pct", "%") if slope else ("offset_change", answer["load_unit"])
    return f"{when(first['performed_at'])}, {name} {signed(first[key], first[f'u_{key}'], unit)}"


def _stands(answer: Answer) -> bool:
    return bool(answer["verdict"]) and not answer["superseded_by"]


def _levels(answer: Answer) -> str:
    if not (_stands(answer) and deciding.judged(answer)):
        return ""
    if deciding.is_first(answer):
        return (
            "A first calibration is only watched, and only where it is far from "
            f"{deciding.before_the_first(answer)}: E_n above {FIRST_LIMIT:g} in size."
        )
    limits = deciding.thresholds(answer)
    if limits is None:
        return ""
    watch, flag = limits
    return f"From a chance of {chance(watch)} on it is watched, from {chance(flag)} on flagged."


def _flags(answer: Answer) -> str:
    raised = [_named(flag["kind"], flag["level"]) for flag in answer["flags"]]
    return f"Flags: {', '.join(raised)}." if raised and _stands(answer) else ""


def _named(kind: str, level: str) -> str:
    """A flag's kind, and how bad it is where that was measured."""
    return f"{kind} ({level})" if kind in DriftFlag.MEASURED else kind
