"""How verdicts and numbers are said on a page: one sentence, the same digits as everywhere."""

from collections.abc import Mapping
from datetime import date, datetime, tzinfo
from typing import Any

from calibration.models import Judgement, Reason, Stage, Verdict
from calibration.readout import deciding, rounded, ruling, with_uncertainty
from calibration.readout.phrases import brief, chance, digits, en, leaving, minute, setpoint
from calibration.weighing import FIRST_LIMIT, SLOW
from fleet import units

Answer = Mapping[str, Any]

OPENING = {
    "within": "Within tolerance",
    "watch": "Worth watching",
    "beyond": "Beyond tolerance",
}


def local_day(moment: str | datetime | None, zone: tzinfo) -> str:
    """Return the day of a moment where the dealer is."""
    if moment is None:
        return ""
    parsed = datetime.fromisoformat(moment) if isinstance(moment, str) else moment
    return parsed.astimezone(zone).date().isoformat()


def local_time(moment: str | datetime | None, zone: tzinfo) -> str:
    """Return day and time of a moment where the dealer is, with its offset."""
    if moment is None:
        return ""
    parsed = datetime.fromisoformat(moment) if isinstance(moment, str) else moment
    return minute(parsed, zone)


def change(value: float | None, uncertainty: float | None, unit: str) -> str:
    """Return a change with its sign and its standard uncertainty."""
    if value is None:
        return ""
    sign = "+" if value > 0 else ""
    return sign + with_uncertainty(value, uncertainty, unit)


def change_in(unit: str, newtons: float, u_newtons: float | None) -> str:
    """Return a change of load, kept in newtons, in a person's unit."""
    factor = units.LOAD[unit]
    return change(newtons / factor, None if u_newtons is None else u_newtons / factor, unit)


def judged_slope(judgement: Judgement | None) -> str:
    """Return the change of slope that the verdict rests on: against what was expected."""
    if judgement is None:
        return ""
    return change(judgement.expected_slope_change_pct, judgement.expected_u_slope_change_pct, "%")


def judged_offset(judgement: Judgement | None, unit: str) -> str:
    """Return the change of offset that the verdict rests on, in the unit that was typed."""
    if judgement is None or judgement.expected_offset_change is None:
        return ""
    return change_in(unit, judgement.expected_offset_change, judgement.expected_u_offset_change)


def decisive(judgement: Judgement | None, unit: str) -> str:
    """Return what a verdict rests on most: one of the two changes, or that the reference moved."""
    if judgement is None:
        return ""
    moved = deciding.moved_in(judgement)
    heaviest = max(deciding.weights(judgement))
    summed = max(deciding.weights(judgement, "first"))
    if judgement.verdict == Verdict.WATCH and judgement.first_id:
        if moved is not None and moved > heaviest:
            return "reference moved"
        if summed >= SLOW and summed > heaviest:
            return f"{_one_change(judgement, 'first', unit)} since the first"
    return _one_change(judgement, "expected", unit)


def _one_change(judgement: Judgement, against: str, unit: str) -> str:
    """The heavier of a judgement's two changes, with its name; empty where there is none."""
    name = deciding.heavier(judgement, against)
    key = "slope_change_pct" if name == "slope" else "offset_change"
    value, u = (getattr(judgement, f"{against}_{part}{key}") for part in ("", "u_"))
    if value is None:
        return ""
    return f"{name} {change(value, u, '%') if name == 'slope' else change_in(unit, value, u)}"


def slope_of(answer: Answer) -> str:
    """Return the slope, as it was typed: reading per load unit."""
    fit = answer["fit"]
    unit = f"{answer['reading_unit']}/{answer['load_unit']}"
    return with_uncertainty(fit["slope"], fit["u_slope"], unit) if fit else ""


def offset_of(answer: Answer) -> str:
    """Return the offset, in reading units."""
    fit = answer["fit"]
    unit = answer["reading_unit"]
    return with_uncertainty(fit["offset"], fit["u_offset"], unit) if fit else ""


def changes_of(answer: Answer, against: str = "against_previous") -> tuple[str, str]:
    """Return the changes of slope and offset; empty texts where there is nothing before."""
    numbers = answer[against]
    if "slope_change_pct" not in numbers:
        return "", ""
    return (
        change(numbers["slope_change_pct"], numbers["u_slope_change_pct"], "%"),
        change(numbers["offset_change"], numbers["u_offset_change"], answer["load_unit"]),
    )


def sentence(answer: Answer, zone: tzinfo) -> str:
    """Return the verdict of a calibration in one sentence."""
    if answer["superseded_by"]:
        return "A later record replaces this one; it takes no part in judging."
    if not answer["verdict"]:
        return "Not judged yet; the next scan does it."
    slope, offset = changes_of(answer, "against_expected")
    if not slope:
        return "Nothing to compare with yet: it starts this sensor's history at this place."
    if deciding.is_first(answer):
        return _of_a_first(answer, slope, offset)
    tolerance, before = answer["tolerance"], answer["against_previous"]
    since = f"since {local_day(before['performed_at'], zone)}, as the whole history shows it,"
    return (
        f"{OPENING[answer['verdict']]}: {since} the slope changed by {slope} (tolerance "
        f"{tolerance['slope_pct']:.3g} %) and the offset by {offset} (tolerance "
        f"{tolerance['offset']:.3g} {tolerance['load_unit']})."
    )


def _of_a_first(answer: Answer, slope: str, offset: str) -> str:
    """The verdict of a first calibration, which the tolerance of a change does not decide."""
    watched = answer["verdict"] == Verdict.WATCH
    opening = "Worth watching: far from" if watched else "Within: near enough to"
    worst = max(abs(deciding.judged(answer)[f"en_{name}"]) for name in ("slope", "offset"))
    return (
        f"{opening} {deciding.before_the_first(answer)}, which a first calibration is compared "
        f"with. The slope is off by {slope} and the offset by {offset}: E_n up to {en(worst)}, "
        f"watched above {FIRST_LIMIT:g}."
    )


def probability(answer: Answer) -> str:
    """Return the greater chance to be beyond tolerance, where it has a part in the verdict."""
    numbers = answer["against_expected"]
    if not numbers or deciding.is_first(answer):
        return ""
    return percent(deciding.greater(answer)[1])


def because(answer: Answer, zone: tzinfo) -> str:
    """Return why the verdict is another one than the change and its chance would give."""
    if not answer["verdict"] or answer["superseded_by"]:
        return ""
    ground = deciding.ground(answer)
    if ground == deciding.SUM:
        summed = ruling.added_up(answer, lambda at: local_day(at, zone))
        share = percent(deciding.summed(answer)[1])
        return (
            f"Watched for what has added up since the first calibration here, {summed}. Chance "
            f"that this lies beyond the tolerance: {share}."
        )
    if ground == deciding.REFERENCE:
        moved = percent(answer["against_expected"]["reference_moved"])
        return f"Watched because its reference has moved, with a chance of {moved}."
    if ground == deciding.OLDER:
        return "Judged by other thresholds than today's, until the next scan."
    return ""


def outlook(answer: Answer) -> str:
    """Return what the trend says; when it will be out is no news of one that is out already."""
    trend = answer["trend"]
    if trend["slope_pct_per_year"] is None:
        return ""
    said = f"The slope moves by {brief(trend['slope_pct_per_year'])} % a year."
    if answer["verdict"] == Verdict.BEYOND:
        return said
    return f"{said} {leaving(trend, answer['performed_at'])}".strip()


def reason_of(answer: Answer) -> str:
    """Return why and when it was made: before or after an adjustment."""
    return f"{Reason(answer['reason']).label}, {Stage(answer['stage']).label}"


def percent(share: float | None) -> str:
    """Return a probability in percent; the ends are never claimed as certain."""
    return "" if share is None else chance(share)


def worst_error(pct: float | None) -> str:
    """Return the largest error of a functional test, to two digits."""
    return "" if pct is None else f"{digits(pct, 2)} %"


def days_until(day: date, today: date) -> str:
    """Return how far a day is away."""
    days = (day - today).days
    if days == 0:
        return "today"
    unit = "day" if abs(days) == 1 else "days"
    return f"in {days} {unit}" if days > 0 else f"{-days} {unit} ago"


def causes_of(causes: list[dict[str, Any]]) -> list[dict[str, str]]:
    """Return ranked causes with their shares as people read them."""
    return [
        {
            "share": percent(cause.get("probability")),
            "name": str(cause.get("code", "")).replace("_", " "),
            "says": cause.get("says", ""),
            "check": cause.get("check", ""),
        }
        for cause in causes
    ]


def points_of(answer: Answer) -> list[dict[str, str]]:
    """Return the points as typed, and how far each lies off the line, in load units."""
    fit, unit = answer["fit"], answer["load_unit"]
    rows = []
    for point in answer["points"]:
        rest = ""
        if fit and fit["slope"]:
            off = (point["reading"] - fit["offset"]) / fit["slope"] - point["load"]
            doubt = abs((fit["residual_sd"] or fit["u_offset"]) / fit["slope"])
            rest = change(round(off, 12), doubt, "").split(" ± ")[0] + f" {unit}"
        rows.append(
            {
                "load": f"{point['load']:.15g} {unit}",
                "reading": f"{point['reading']:.15g} {answer['reading_unit']}",
                "direction": point["direction"],
                "rest": rest,
            }
        )
    return rows


def setpoints_of(answer: Answer) -> list[dict[str, str]]:
    """Return what the operator felt at each setpoint with the numbers of the season before."""
    unit = answer["load_unit"]
    return [
        {
            "setpoint": f"{setpoint(row['setpoint'])} {unit}",
            "true_load": f"{rounded(row['true_load'], row['u_error'])} {unit}",
            "error": change(row["error"], row["u_error"], unit),
            "error_pct": f"{brief(row['error_pct'])} %",
        }
        for row in answer["against_previous"].get("setpoints", [])
    ]
