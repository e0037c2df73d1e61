"""A batch of calibrations: each checked and recorded by itself, with the status of its own."""

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from api.answers import RejudgedAnswer
from api.drafts import CalibrationInput, calibration_draft
from api.errors import describe
from api.inputs import Reader
from api.scoping import is_uuid
from calibration.records import CalibrationDraft, Recorded, record_many, to_be
from fleet.errors import DomainError, Invalid, Problem
from fleet.scope import Scope

MOST = 1000
Answers = Callable[[Iterable[UUID]], Sequence[dict[str, Any]]]
Outcome = Recorded | DomainError


def record_batch(
    data: Any, *, scope: Scope, now: datetime, answers_of: Answers
) -> list[dict[str, Any]]:
    """Record what can be recorded, and return what became of each, in the order given.

    A record may supersede one that is stored, or one before it in the batch.
    """
    items = _items(data)
    reader = Reader(CalibrationInput, scope=scope)
    reader.look_up(items)
    outcomes: dict[int, Outcome] = {}
    drafts: dict[int, CalibrationDraft] = {}
    for index, item in enumerate(items):
        try:
            draft = drafts[index] = calibration_draft(reader.checked(item))
            if draft.id:
                reader.expect(to_be(draft))
        except DomainError as refused:
            outcomes[index] = refused
    recorded = record_many(list(drafts.values()), scope=scope, now=now, user_id=scope.user_id)
    outcomes |= dict(zip(drafts, recorded, strict=True))
    done = [found.id for found in outcomes.values() if isinstance(found, Recorded)]
    answers = {answer["id"]: answer for answer in answers_of(done)}
    return [_said(index, item, outcomes[index], answers) for index, item in enumerate(items)]


def rejudged(recorded: Recorded) -> list[dict[str, Any]]:
    """Return what a new record did to later ones, as the answer says it."""
    return list(RejudgedAnswer(recorded.rejudged, many=True).data) if recorded.rejudged else []


def _items(data: Any) -> list[Any]:
    items = data.get("records") if isinstance(data, dict) else data
    if not isinstance(items, list):
        accepted = 'a list of calibrations, or {"records": [...]}'
        raise Invalid(Problem("", "Not a batch", accepted))
    if len(items) > MOST:
        accepted = f"at most {MOST} at once"
        raise Invalid(Problem("", "Too many records", accepted, str(len(items))))
    return items


def _said(
    index: int, item: Any, outcome: Outcome, answers: dict[str, dict[str, Any]]
) -> dict[str, Any]:
    if isinstance(outcome, Recorded):
        key = str(outcome.id)
        status = 201 if outcome.created else 200
        said = {"index": index, "id": key, "status": status, "calibration": answers[key]}
        return said | ({"rejudged": rejudged(outcome)} if outcome.created else {})
    given = item.get("id") if isinstance(item, dict) else None
    details = describe(outcome)
    assert details is not None
    return {
        "index": index,
        "id": given if is_uuid(given) else None,
        "status": int(details.status),
        "problem": details.document(),
    }
