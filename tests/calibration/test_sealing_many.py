"""Many records sealed at once: the same digests, chains and refusals as one after the other."""

import hashlib
import json
import uuid
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration import digests, ledger, records, verifying
from calibration.digests import Content
from calibration.models import Calibration, CalibrationPoint
from calibration.records import PointDraft, Recorded
from fleet.errors import Conflict, Invalid
from fleet.models import Sensor
from tests.conftest import NOW, SYSTEM

TEXT = st.text(max_size=20)
NUMBER = st.floats(allow_nan=False, allow_infinity=False)
MOMENT = st.datetimes(timezones=st.just(UTC))
SAID = st.builds(
    Content, st.uuids(), TEXT, TEXT, TEXT, MOMENT, TEXT, TEXT, st.none() | st.uuids(), TEXT,
    TEXT, TEXT, TEXT, TEXT, TEXT, st.none() | NUMBER, st.none() | NUMBER, TEXT, TEXT,
    st.sampled_from(["", "d" * 64]),
)  # fmt: skip


@given(SAID, st.lists(st.tuples(NUMBER, NUMBER, TEXT), max_size=4), TEXT)
def test_what_is_digested_is_the_json_of_the_standard_library(said, points, code):
    fields = said._asdict()
    for name in ("id", "performed_at", "supersedes_id", "words_salt", "words_digest"):
        del fields[name]
    if said.words_salt or said.words_digest:  # version 2: the words by a salted digest of theirs
        words = [said.words_salt, *(fields.pop(name) for name in digests.WORDS)]
        text = json.dumps(words, separators=(",", ":"))
        own = hashlib.sha256(text.encode()).hexdigest()
        fields["words"] = own if said.words_salt else said.words_digest
    fields |= {
        "id": str(said.id),
        "kind": "calibration",
        "dealer": code,
        "performed_at": said.performed_at.isoformat(timespec="microseconds"),
        "supersedes": str(said.supersedes_id or ""),
        "parts": [list(point) for point in points],
    }
    expected = json.dumps(fields, sort_keys=True, separators=(",", ":"), allow_nan=False)
    assert digests.calibration_json(said, points, dealer_code=code) == expected


@pytest.fixture(autouse=True)
def _one_salt(monkeypatch):
    """Salts are random; here the same content is to have the same digest."""
    monkeypatch.setattr(digests, "new_salt", lambda: "5a" * 16)


def sealed(drafts):
    return records.seal_many(drafts, scope=SYSTEM, now=NOW, user_id=None)


def several(world):
    """Return drafts of three sensors, two seasons each, oldest first, with everything said."""
    return [
        world.draft(
            which,
            id=uuid.UUID(int=1 + year * 10 + at),
            performed_at=datetime(year, 3, 10, 9, at, tzinfo=UTC),
            points=(PointDraft(0, 20000 + at), PointDraft(100.5, 30000, "down")),
            note="tab\tand \\N and\r\nline, \N{GREEK SMALL LETTER MU}",
            technician="\\.",
            reference=world.references["A"] if at else None,
            temperature_c=-3,
        )
        for year in (2024, 2025)
        for at, which in enumerate(("A1", "A2", "A1b"))
    ]


def stored():
    return [
        list(Calibration.objects.order_by("pk").values()),
        list(CalibrationPoint.objects.order_by("calibration", "number").values()),
    ]


def without_keys(tables):
    calibrations, points = tables
    return calibrations, [{**row, "id": None} for row in points]


def test_together_they_are_what_they_are_one_by_one(world):
    from django.db import transaction

    with transaction.atomic():
        for draft in several(world):
            records.seal(draft, scope=SYSTEM, now=NOW, user_id=None)
        one_by_one = without_keys(stored())
        transaction.set_rollback(True)
    outcomes = sealed(several(world))
    assert all(isinstance(outcome, Recorded) and outcome.created for outcome in outcomes)
    assert without_keys(stored()) == one_by_one
    assert [row["chain_number"] for row in one_by_one[0]] == [1, 1, 1, 2, 2, 2]
    assert not list(verifying.verify(now=NOW))


def test_a_record_is_given_back_as_it_is_read(world):
    (outcome,) = sealed(several(world)[:1])
    row = Calibration.objects.get()
    for name in ledger.ROW:
        assert getattr(outcome.calibration, name) == getattr(row, name), name
    assert outcome.installation_id == row.installation_id == world.installations["A1"].pk


def test_the_same_record_twice_in_a_batch_is_one(world):
    draft = several(world)[0]
    first, second, other = sealed([draft, draft, replace(draft, note="another")])
    assert (first.created, second.created) == (True, False)
    assert second.calibration.pk == draft.id
    assert isinstance(other, Conflict)
    assert Calibration.objects.count() == 1


def test_a_record_may_supersede_one_of_its_batch(world):
    wrong, right, again = several(world)[:3]
    earlier = Calibration(pk=wrong.id, sensor=wrong.sensor)
    change = {"sensor": wrong.sensor, "supersedes": earlier, "supersede_reason": "misread"}
    first, second, third = sealed([wrong, replace(right, **change), replace(again, **change)])
    assert first.created
    assert second.calibration.supersedes_id == wrong.id
    assert isinstance(third, Conflict)
    assert "superseded already" in str(third)
    assert not list(verifying.verify(now=NOW))


def test_a_record_does_not_supersede_one_that_was_refused(world):
    wrong, right = several(world)[:2]
    earlier = Calibration(pk=wrong.id, sensor=wrong.sensor)
    change = {"sensor": wrong.sensor, "supersedes": earlier, "supersede_reason": "misread"}
    first, second = sealed([replace(wrong, points=()), replace(right, **change)])
    assert isinstance(first, Invalid)
    assert isinstance(second, Invalid)
    assert not Calibration.objects.exists()


@pytest.mark.parametrize("at", [0, 3, 5])
def test_an_id_that_somebody_else_stores_meanwhile_is_refused_alone(world, monkeypatch, at):
    drafts = several(world)
    theirs = replace(world.draft("A2b"), id=drafts[at].id)
    records.record_calibration(theirs, scope=SYSTEM, now=NOW)
    # As if it had come between our look and our writing.
    monkeypatch.setattr(ledger, "_known", lambda ids: {})
    outcomes = sealed(drafts)
    assert isinstance(outcomes.pop(at), Conflict)
    assert all(outcome.created for outcome in outcomes)
    assert Calibration.objects.count() == len(drafts)
    assert not list(verifying.verify(now=NOW))


def test_a_sensor_that_is_gone_is_named(world):
    draft = world.draft()
    gone = Sensor(pk=10**6, dealer=draft.sensor.dealer, model=draft.sensor.model, serial="gone")
    outcome, other = sealed([replace(draft, sensor=gone), draft])
    assert "not registered any more" in str(outcome)
    assert other.created


def test_few_queries_for_many(world, django_assert_max_num_queries):
    with django_assert_max_num_queries(12):
        sealed(several(world))
