"""The rules that a functional test must meet to be possible at all. Every breach is collected."""

from collections.abc import Iterator, Sequence
from datetime import date, datetime

from calibration.drafts import FunctionalDraft, StepDraft
from calibration.models import Observed
from calibration.requiring import choice, moment, number, text
from fleet import units
from fleet.errors import Invalid, Problem


def check_functional(draft: FunctionalDraft, *, now: datetime, repeated: bool = False) -> None:
    """Raise Invalid with every reason why a functional test cannot be.

    One that is `repeated` was possible when it was recorded; where its sensor went since, and a
    rule that came since, do not count against it.
    """
    problems = [
        *choice("load_unit", draft.load_unit, units.LOAD),
        *choice("pressure_unit", draft.pressure_unit, units.PRESSURE),
        *moment("performed_at", draft.performed_at, now=now),
        *(() if repeated else _inside(draft)),
        *text("technician", draft.technician, 80),
        *text("note", draft.note, 2000, lines=True),
        *text("supersede_reason", draft.supersede_reason, 200),
        *_supersedes_test(draft),
        *_steps(draft.steps),
        *(() if repeated else _in_order(draft.steps)),
    ]
    if problems:
        raise Invalid(*problems)


def _inside(draft: FunctionalDraft) -> Iterator[Problem]:
    place = draft.installation
    day = draft.performed_at.astimezone(place.sensor.dealer.zone).date()
    if not place.installed_on <= day <= (place.removed_on or date.max):
        until = f" and not after {place.removed_on}" if place.removed_on else ""
        yield Problem(
            "performed_at",
            "The sensor was not installed there on that day",
            f"on or after {place.installed_on}{until}",
            draft.performed_at.isoformat(),
        )


def _supersedes_test(draft: FunctionalDraft) -> Iterator[Problem]:
    if draft.supersedes and draft.supersedes.sensor_id != draft.installation.sensor_id:
        accepted, value = "an id of the same sensor", str(draft.supersedes.pk)
        yield Problem("supersedes", "Not a record of this sensor", accepted, value)
    if bool(draft.supersedes) != bool(draft.supersede_reason.strip()):
        said = "A superseded record and the reason belong together"
        yield Problem("supersede_reason", said, "both, or neither", draft.supersede_reason[:40])


def _steps(steps: Sequence[StepDraft]) -> Iterator[Problem]:
    if not 2 <= len(steps) <= 50:
        yield Problem(
            "steps", "A functional test has two or more setpoints", "2 to 50", str(len(steps))
        )
        return
    for i, step in enumerate(steps):
        yield from choice(f"steps.{i}.observed", step.observed, Observed.values)
        yield from number(f"steps.{i}.commanded", step.commanded, least=1e-6)
        yield from number(f"steps.{i}.displayed_mean", step.displayed_mean)
        for name in ("displayed_min", "displayed_max"):
            if getattr(step, name) is not None:
                yield from number(f"steps.{i}.{name}", getattr(step, name))
        if step.pressure is not None:
            yield from number(f"steps.{i}.pressure", step.pressure, least=0.0)
    if len({float(step.commanded) for step in steps if not list(number("", step.commanded))}) < 2:
        yield Problem("steps", "The setpoints are all the same", "two different loads at least")


def _in_order(steps: Sequence[StepDraft]) -> Iterator[Problem]:
    """The lowest force that was displayed is not above the mean, the highest not below it."""
    for i, step in enumerate(steps):
        low, mean, high = step.displayed_min, step.displayed_mean, step.displayed_max
        if any(list(number("", value)) for value in (low, mean, high) if value is not None):
            continue  # said already
        if low is not None and low > mean:
            yield _out_of_order(f"steps.{i}.displayed_min", "The lowest is above the mean", low)
        if high is not None and high < mean:
            yield _out_of_order(f"steps.{i}.displayed_max", "The highest is below the mean", high)


def _out_of_order(field: str, reason: str, value: float) -> Problem:
    return Problem(field, reason, "displayed_min <= displayed_mean <= displayed_max", repr(value))
