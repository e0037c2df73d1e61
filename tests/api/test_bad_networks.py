"""A tablet comes back from a field without a network: everything arrives, once, in some order."""

import random
import uuid

import pytest

from calibration import verifying
from calibration.models import Calibration
from tests.api.conftest import NOW, V1, calibration

PATH = f"{V1}calibrations/"
YEARS = range(2020, 2026)
CELLS = ("S-A1", "S-A1b", "S-A2")


def of(cell, year, span=30000, **changes):
    points = [{"load": 0, "reading": 20000}, {"load": 100, "reading": span}]
    when = f"{year}-03-10T09:00:00+01:00"
    return calibration(
        id=str(uuid.uuid4()), sensor=cell, performed_at=when, points=points, **changes
    )


def status_counts(answer):
    body = answer.json()
    return body["stored"], body["already_there"], body["refused"]


def test_a_batch_that_arrives_in_pieces_twice_and_in_disorder_is_the_same_history(tech, world):
    rng = random.Random(7)
    records = [
        of(cell, year, 30000 + 120 * number + rng.randrange(-15, 15))
        for cell in CELLS
        for number, year in enumerate(YEARS)
    ]
    for number in range(1000 - len(records)):  # many of one day, a minute apart
        when = f"2026-03-11T{number // 60:02}:{number % 60:02}:00+01:00"
        records.append(of(CELLS[number % 3], 2026, 31200 + number % 7) | {"performed_at": when})
    rng.shuffle(records)
    first, second = records[480:], records[:480]
    answer = tech.post(f"{PATH}batch/", first)
    assert [item["problem"] for item in answer.json()["results"] if item["status"] > 299] == []
    assert status_counts(answer) == (520, 0, 0)
    conflict = first[7] | {"note": "another"}
    assert status_counts(tech.post(f"{PATH}batch/", [*second, conflict])) == (480, 0, 1)
    assert status_counts(tech.post(f"{PATH}batch/", records[::-1])) == (0, 1000, 0)
    assert Calibration.objects.count() == 1000
    assert not list(verifying.verify(now=NOW))
    # Judged by when it was measured, not by when it came: each against the season before it.
    for cell in CELLS:
        history = Calibration.objects.filter(sensor_serial=cell).order_by("performed_at")
        found = [row.judgement.previous_id for row in history[: len(YEARS)]]
        assert found == [None, *[row.pk for row in history[: len(YEARS) - 1]]]


def test_one_in_conflict_stops_nobody_else(tech, world):
    first, second = of("S-A1", 2024), of("S-A2", 2024)
    assert tech.post(PATH, first).status_code == 201
    answer = tech.post(f"{PATH}batch/", [first | {"note": "other"}, second, first])
    assert answer.status_code == 207
    assert [item["status"] for item in answer.json()["results"]] == [409, 201, 200]
    assert Calibration.objects.get(pk=first["id"]).note == ""


@pytest.mark.parametrize("way", ["post", "batch"])
def test_an_older_record_that_comes_late_says_what_it_did_to_later_ones(tech, world, way):
    middle, late = of("S-A1", 2025, 30900), of("S-A1", 2026, 30920)
    assert tech.post(PATH, middle).json()["rejudged"] == []
    assert tech.post(PATH, late).json()["rejudged"] == []
    before = {row["id"]: row["verdict"] for row in tech.get(PATH).json()["results"]}
    assert before == {middle["id"]: "within", late["id"]: "within"}
    oldest = of("S-A1", 2024, 30000)
    if way == "post":
        said = tech.post(PATH, oldest).json()["rejudged"]
    else:
        answer = tech.post(f"{PATH}batch/", [of("S-A2", 2024), oldest])
        other, item = answer.json()["results"]
        assert other["rejudged"] == []
        said = item["rejudged"]
    assert [row["id"] for row in said] == [middle["id"], late["id"]]
    assert said[0]["verdict_before"] == "within"
    assert said[0]["verdict"] != "within"  # 9 % more than the season before it
    for row in said:
        assert tech.get(f"{PATH}{row['id']}/").json()["verdict"] == row["verdict"]


def test_what_was_there_already_rejudges_nobody(tech, world):
    record = of("S-A1", 2024)
    assert tech.post(PATH, of("S-A1", 2025)).status_code == 201
    assert [row["verdict"] for row in tech.post(PATH, record).json()["rejudged"]] == ["within"]
    again = tech.post(f"{PATH}batch/", [record]).json()["results"][0]
    assert again["status"] == 200
    assert "rejudged" not in again
