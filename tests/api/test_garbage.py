"""Garbage in every field of every input: refused or taken, in JSON, and never an error of ours."""

import json

import pytest

from api.urls import RESOURCES
from tests.api.conftest import PROBLEM, V1, calibration

GARBAGE = [
    "null", "true", "0", "-1", "1.5", "1e308", "1e400", "NaN", "9223372036854775807",
    "1" + "0" * 400, '""', '"x"', r'"\u0000"', r'"\ud800"', '"' + "x" * 5000 + '"',
    '"0001-01-01"', '"9999-12-31T23:59:59-14:00"', '"00000000-0000-4000-8000-000000000000"',
    "[]", '["x"]', "{}", '{"x": 1}', "[" * 15 + "]" * 15, "[" * 20 + "]" * 20,
]  # fmt: skip
SOUND = {
    "dealers": {"code": "EAST", "name": "Ost"},
    "users": {"username": "neu", "password": "a-very-long-secret-7", "dealer": "NORTH"},
    "memberships": {"user": "techA", "dealer": "NORTH", "role": "service_manager"},
    "customers": {"name": "Neu", "dealer": "NORTH"},
    "machine-models": {"name": "Neu"},
    "machines": {"customer": "Farm A1", "model": "Ackerfurche 8", "serial": "M-9"},
    "sensor-models": {"name": "Neu", "rated_load": 100, "load_unit": "daN"},
    "sensors": {"serial": "S-9", "model": "LC-500", "dealer": "NORTH"},
    "installations": {
        "sensor": "S-9", "machine": "M-A1", "position": "row 4", "installed_on": "2026-01-01",
    },
    "references": {"name": "Neu", "dealer": "NORTH"},
    "policies": {"dealer": "NORTH"},
    "calibrations": calibration(),
    "functional-tests": {
        "sensor": "S-A1", "performed_at": "2026-03-11T10:00:00+01:00",
        "steps": [{"commanded": 5, "displayed_mean": 5}, {"commanded": 9, "displayed_mean": 9}],
    },
    "visits": {"customer": "Farm A1", "planned_on": "2027-02-10"},
    "scans": {},
    "tokens": {"username": "techA", "password": "x"},
}  # fmt: skip
NESTED = {
    "calibrations": {
        "points": ("load", "reading", "direction"),
        "conditions": ("temperature_c", "hydraulic_pressure", "pressure_unit"),
    },
    "functional-tests": {
        "steps": ("commanded", "displayed_mean", "displayed_min", "displayed_max", "pressure"),
    },
    "sensors": {"tag": ("zero_reading", "span_reading", "span_load", "load_unit")},
}  # fmt: skip
TAG = {"zero_reading": 1, "span_reading": 2, "span_load": 3, "load_unit": "daN"}


def bodies(resource, views):
    """Yield the sound body with each piece of garbage in each field, and in each part."""
    sound = SOUND[resource]
    for name in views.input().fields:
        for garbage in GARBAGE:
            yield json.dumps(sound | {name: "<>"}).replace('"<>"', garbage)
    for name, inner in NESTED.get(resource, {}).items():
        for field in inner:
            for garbage in GARBAGE:
                part = sound.get(name, TAG)
                first = part[0] if isinstance(part, list) else part
                changed = first | {field: "<>"}
                whole = [changed, *part[1:]] if isinstance(part, list) else changed
                yield json.dumps(sound | {name: whole}).replace('"<>"', garbage)


@pytest.mark.parametrize(
    "views", [views for views in RESOURCES if views.resource in SOUND], ids=lambda v: v.resource
)
def test_garbage_is_answered(views, admin, world, settings, monkeypatch):
    settings.REDIS_URL = ""
    monkeypatch.setattr("fleet.guessing.wait", lambda *_, **__: 0.0)
    seen = set()
    for body in bodies(views.resource, views):
        answer = admin.post(
            f"{V1}{views.resource}/", body.encode(), content_type="application/json"
        )
        seen.add(answer.status_code)
        assert answer.status_code < 500, body[:300]
        if answer.status_code >= 400:
            assert answer["Content-Type"] == PROBLEM
            assert answer.json()["errors"] or answer.status_code == 401
    assert 422 in seen


@pytest.mark.parametrize(
    "views",
    [views for views in RESOURCES if hasattr(views, "partial_update")],
    ids=lambda v: v.resource,
)
def test_garbage_in_an_edit_is_answered(views, admin, rows, world):
    catalogue = {"machine-models": world.machine_model, "sensor-models": world.sensor_model}
    row = catalogue.get(views.resource)
    key = row.pk if row else rows[views.resource]["A"]
    for name in views.input().fields:
        for garbage in GARBAGE:
            body = json.dumps({name: "<>"}).replace('"<>"', garbage)
            answer = admin.patch(
                f"{V1}{views.resource}/{key}/", body.encode(), content_type="application/json"
            )
            assert answer.status_code < 500, body[:300]
            # Whatever was taken can be read, and so can what was refused last.
            if answer.status_code < 400 or garbage == GARBAGE[-1]:
                shown = admin.get(f"{V1}{views.resource}/{key}/")
                assert shown.status_code == 200, body[:300]


def test_what_was_kept_can_be_read(admin, world):
    """Large but finite numbers that a field takes come back as JSON."""
    body = SOUND["sensor-models"] | {"reading_max": 1e308, "nominal_slope": 1e-308}
    made = admin.post(f"{V1}sensor-models/", body)
    assert made.status_code in {201, 422}
    assert json.loads(admin.get(f"{V1}sensor-models/").content)
