"""Why a calibration has its verdict: the numbers that went in, step by step, in plain sentences.

A pure function of the answer: it computes nothing that the answer does not hold.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import tzinfo
from functools import partial
from typing import Any

from calibration.moving import MOVED
from calibration.readout import deciding, ruling, sources
from calibration.readout.doubts import doubt_in
from calibration.readout.phrases import (
    brief,
    chance,
    day,
    digits,
    en,
    leaving,
    number_of,
    points_said,
    setpoint,
    signed,
)
from calibration.rounding import with_uncertainty

Answer = Mapping[str, Any]
Step = dict[str, str]
Said = Iterator[Step]

_FELT = "true_load", "u_error", "setpoint", "error_pct"


def explain(answer: Answer, zone: tzinfo) -> list[Step]:
    """Return the steps from the readings to the verdict, in their order.

    Parameters
    ----------
    answer : mapping
        A calibration's answer. What it does not hold (no expectation for a first calibration, no
        verdict for one that is superseded, no figures of two points) makes no step.
    zone : tzinfo
        Of the dealer who looks after the sensor: days are said as on all its pages.

    Returns
    -------
    list of dict
        Each with `step` (a short name), `says` (a sentence with the numbers; ± is one standard
        uncertainty), `formula` (plain text) and `source` (where the formula is from; empty where
        the step is a rule of this program).
    """
    return [
        {"step": name, **said}
        for name, build in _steps(partial(day, zone))
        for said in build(answer)
    ]


def _points(answer: Answer) -> Said:
    fit = answer["fit"]
    said = f"{points_said(answer['points'], answer['load_unit'], answer['reading_unit'])}."
    if not fit:
        yield sources.REFERENCE.says(said)
        return
    name = f" ({answer['reference_name']})" if answer["reference_name"] else ""
    pct = fit["reference_uncertainty_pct"]
    yield sources.REFERENCE.says(
        f"{said} The reference{name} counts as known to {pct:.3g} % (standard uncertainty), which "
        "is common to all these points and is not averaged down."
    )


def _line(answer: Answer) -> Said:
    fit = answer["fit"]
    if not fit:
        return
    reading, load = fit["reading_unit"], fit["load_unit"]
    slope = with_uncertainty(fit["slope"], fit["u_slope"], f"{reading}/{load}")
    offset = with_uncertainty(fit["offset"], fit["u_offset"], reading)
    said = f"The line has the slope {slope} and the offset {offset}."
    freedom = fit["degrees_of_freedom"]
    if not freedom:
        stated = (
            "their uncertainty is that of a reading in the field (the sensor model's "
            "repeatability, or a usual one where the model states none) and the reference's."
        )
        yield sources.TWO_POINTS.says(f"{said} Two points fix it exactly; {stated}")
        return
    scatter = f"{digits(fit['residual_sd'])} {reading} (standard deviation)"
    yield sources.LINE.says(
        f"{said} {number_of(freedom, 'degree')} of freedom; the points scatter about it by "
        f"{scatter}: {_scatter(fit['birge_ratio'])}"
    )


def _scatter(birge: float) -> str:
    """What the points' scatter means for the line's uncertainty."""
    if birge == 1.0:  # no uncertainty of a reading is stated
        return (
            "that alone gives the line's uncertainty; whatever is judged by it allows for the few "
            "degrees of freedom (Student's t)."
        )
    if birge < 1.0:
        return "no more than the readings' uncertainties allow."
    return (
        f"that is {birge:.3g} times what the readings' uncertainties allow, and the line's "
        "uncertainty was widened by as much."
    )


def _figures(answer: Answer) -> Said:
    found = answer.get("figures")
    if not found:
        return
    names = {
        "terminal_nonlinearity_pct": "nonlinearity (terminal line)",
        "best_fit_nonlinearity_pct": "nonlinearity (best-fit line)",
        "hysteresis_pct": "hysteresis",
        "repeatability_pct": "repeatability",
        "zero_return_pct": "zero return",
    }
    parts = [f"{said} {found[key]:.2g}" for key, said in names.items() if found[key] is not None]
    if parts:
        yield sources.FIGURES.says(f"In % of rated capacity: {', '.join(parts)}.")
    if found["curve_order"] is not None:
        shape = {1: "a straight line", 2: "a quadratic", 3: "a cubic"}[found["curve_order"]]
        bend = f", which bends by {found['bend_pct']:.2g} %" if found["curve_order"] > 1 else ""
        term = "cubic" if found["curve_order"] == 3 else "quadratic"
        yield sources.CURVE.says(
            f"The points ask for {shape}{bend}. Chance that scatter alone makes a {term} term "
            f"explain so much: {chance(found[f'p_{term}'])}."
        )


def _expected(when: ruling.Day, answer: Answer) -> Said:
    expected, fit = answer.get("against_expected"), answer["fit"]
    if not expected or not fit:
        return
    slope = with_uncertainty(expected["expected_slope"], expected["u_expected_slope"])
    offset = with_uncertainty(
        expected["expected_offset"], expected["u_expected_offset"], fit["reading_unit"]
    )
    yield sources.EXPECTED.says(
        f"{_basis(answer, when)} led one to expect the slope {slope} "
        f"{fit['reading_unit']}/{fit['load_unit']} and the offset {offset}."
    )


def _learnt(answer: Answer) -> Said:
    if (answer.get("against_expected") or {}).get("learnt_from") is False:
        yield sources.RULE.says(
            "It is judged, but nothing is learnt from it for the next one: it should be repeated."
        )


def _jump(answer: Answer) -> Said:
    jump = (answer.get("against_expected") or {}).get("jump_probability")
    if jump is not None:
        yield sources.JUMP.says(
            f"Chance that the cell jumped, rather than moved slowly or not at all: {chance(jump)}."
        )


def _basis(answer: Answer, when: ruling.Day) -> str:
    """What the expectation rests on."""
    if deciding.is_first(answer):
        return f"Nothing was measured at this place before; {deciding.before_the_first(answer)}"
    since = f"The calibrations here since {when(answer['against_first']['performed_at'])}"
    seasons = answer["against_expected"].get("seasons")
    return since if seasons is None else f"{since} ({number_of(seasons, 'earlier season')})"


def _common(answer: Answer) -> Said:
    expected = answer.get("against_expected") or {}
    members = expected.get("common_members")
    if members is None or deciding.is_first(answer):
        return
    yield from _returned(expected.get("reference_returned_pct"))
    if members < 2:
        yield sources.COMMON.says(
            "No other cell tells what this day and reference have in common; what the references' "
            "uncertainties allow is in the uncertainty of the change."
        )
        return
    share = signed(expected["common_change_pct"], expected["u_common_change_pct"], "%")
    yield sources.COMMON.says(
        f"The {members} cells calibrated together with this reference share a change of slope of "
        f"{share}; what the others show was taken off, its uncertainty carried along. "
        + _moved(expected)
    )


def _returned(off_by: float | None) -> Said:
    if off_by is not None:
        yield sources.COMMON.says(
            f"The reference had moved by {brief(off_by)} % before, as the cells of that day "
            "together show. These numbers fit the cell as it was before that: the way back is not "
            "the cell's."
        )


def _moved(expected: Mapping[str, Any]) -> str:
    probability = expected["reference_moved"]
    back = expected.get("reference_returned_pct") is not None
    if back and (probability or 0.0) >= MOVED:
        return "It is the way back from where the reference had moved."
    if probability is None:
        return "They are too few to tell whether the reference itself moved."
    return f"Chance that the reference itself moved: {chance(probability)}."


def _change(name: str, answer: Answer) -> Said:
    """The change of slope or offset that the verdict rests on."""
    numbers, limit = deciding.judged(answer), answer["tolerance"]
    if not numbers or not limit:
        return
    unit = "%" if name == "slope" else limit["load_unit"]
    key = "slope_change_pct" if name == "slope" else "offset_change"
    tolerance = limit["slope_pct" if name == "slope" else "offset"]
    size = signed(numbers[key], numbers[f"u_{key}"], unit)
    agree = "agrees with" if abs(numbers[f"en_{name}"]) <= 1 else "differs from"
    before = "what was expected" if answer.get("against_expected") else "the one before"
    first = deciding.is_first(answer)
    moved = f"is off {deciding.before_the_first(answer)}" if first else "changed"
    yield (sources.SLOPE_CHANGE if name == "slope" else sources.OFFSET_CHANGE).says(
        f"The {name} {moved} by {size}; the tolerance is ±{tolerance:.3g} {unit}. Chance that "
        f"the true change lies beyond it: {chance(numbers[f'p_out_{name}'])}. E_n is "
        f"{en(numbers[f'en_{name}'])}: it {agree} {before}."
    )


def _alone(which: str, when: ruling.Day, answer: Answer) -> Said:
    """The change against one earlier calibration alone, the previous or the first."""
    numbers = answer[f"against_{which}"]
    if numbers.get("slope_change_pct") is None:
        return
    slope = signed(numbers["slope_change_pct"], numbers["u_slope_change_pct"], "%")
    offset = signed(numbers["offset_change"], numbers["u_offset_change"], answer["load_unit"])
    said = "the calibration of" if which == "previous" else "the first here, of"
    yield sources.PAIRWISE.says(
        f"Beside it, against {said} {when(numbers['performed_at'])} alone: slope {slope}, "
        f"offset {offset}."
    )


def _felt(answer: Answer) -> Said:
    if doubt_in(answer):  # what stood on the wheel is not told by numbers that are to be repeated
        return
    rows = [
        row
        for row in answer["against_previous"].get("setpoints") or []
        if all(row.get(name) is not None for name in _FELT)
    ]
    if not rows:
        return
    worst = max(rows, key=lambda row: abs(float(row["error_pct"])))
    unit = answer["load_unit"]
    true = with_uncertainty(worst["true_load"], worst["u_error"], unit)
    yield sources.FELT.says(
        f"With the numbers of the calibration before in the cab, the wheel really carried {true} "
        f"while the cab showed {setpoint(worst['setpoint'])} {unit}: "
        f"{brief(worst['error_pct'])} % at the worst of {number_of(len(rows), 'setpoint')}."
    )


def _trend(answer: Answer) -> Said:
    trend = answer["trend"]
    rate = trend.get("slope_pct_per_year")
    if rate is None:
        return
    u_rate = trend.get("u_slope_pct_per_year")
    shown = f"{brief(rate)} % a year" if u_rate is None else signed(rate, u_rate, "% a year")
    said = f"Over the seasons the slope moves by {shown}."
    yield sources.TREND.says(f"{said} {leaving(trend, answer['performed_at'])}".strip())


def _causes(answer: Answer) -> Said:
    for cause in answer["causes"]:
        todo = sources.REMEDIES.get(cause["code"], "")
        said = chance(cause["probability"])
        check = f" To tell: {cause['check']}" if cause.get("check") else ""
        yield sources.CAUSES.says(
            f"With a chance of {said}: {cause['says']}{check} {todo}".strip()
        )


def _steps(when: ruling.Day) -> Sequence[tuple[str, Callable[[Answer], Said]]]:
    """Return the steps by name; `when` writes a day."""
    return (
        ("points", _points),
        ("line", _line),
        ("figures", _figures),
        ("expected", partial(_expected, when)),
        ("common", _common),
        ("slope change", partial(_change, "slope")),
        ("offset change", partial(_change, "offset")),
        ("jump", _jump),
        ("against previous", partial(_alone, "previous", when)),
        ("against first", partial(_alone, "first", when)),
        ("verdict", partial(ruling.verdict, when)),
        ("learnt", _learnt),
        ("felt", _felt),
        ("trend", _trend),
        ("cause", _causes),
    )
