"""Clients of the API: one per person of the world, with a token of their own."""

from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import Any

import pytest
from django.core.cache import cache
from rest_framework.test import APIClient

from calibration import events, functional, records
from calibration.models import (
    CalendarFeed,
    CustomerNote,
    Digest,
    DriftFlag,
    Event,
    ImportRun,
    Reminder,
    TolerancePolicy,
    Visit,
    Webhook,
)
from calibration.signing import PrivateKey
from fleet.models import Blackout, Change, DayOff, Membership
from fleet.scope import Scope
from tests.shared_world import upon_the_world

NOW = datetime(2026, 4, 10, 12, 0, tzinfo=UTC)
V1 = "/api/v1/"
PROBLEM = "application/problem+json"


@pytest.fixture(autouse=True)
def _nobody_failed(settings, tmp_path):
    """Forget failed attempts to sign in; serve no static files; have a key to sign with."""
    settings.CHECKPOINT_KEY_FILE = str(tmp_path / "checkpoint.pem")
    PrivateKey.make(tmp_path / "checkpoint.pem")
    settings.STATIC_ROOT = tmp_path
    cache.clear()


@pytest.fixture
def client_of(world) -> Callable[[str | None], APIClient]:
    """Return the function that makes a person's client."""

    def client(name: str | None) -> APIClient:
        made = APIClient(raise_request_exception=True)
        if name is not None:
            _, token = world.users[name].auth_token_set.create(name="test")
            made.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
        return made

    return client


@pytest.fixture
def tech(client_of):
    return client_of("techA")


@pytest.fixture
def manager(client_of):
    return client_of("managerA")


@pytest.fixture
def stranger(client_of):
    return client_of("managerB")


@pytest.fixture
def reviewer(client_of):
    return client_of("reviewer")


@pytest.fixture
def admin(client_of):
    return client_of("admin")


@pytest.fixture
def nobody(client_of):
    return client_of(None)


def calibration(**changes: Any) -> dict[str, Any]:
    """Return a sound calibration as a client sends it."""
    body = {
        "sensor": "S-A1",
        "performed_at": "2026-03-10T09:00:00+01:00",
        "reason": "seasonal",
        "stage": "as_found",
        "reference": None,
        "technician": "K. Wrona",
        "load_unit": "daN",
        "reading_unit": "count",
        "points": [
            {"load": 0, "reading": 20000, "direction": "up"},
            {"load": 100, "reading": 30000, "direction": "up"},
        ],
        "conditions": {"temperature_c": 11.5, "hydraulic_pressure": 0, "pressure_unit": "bar"},
        "note": "",
    }
    return body | changes


def refused(answer: Any, status: int, pointer: str | None = None) -> dict[str, Any]:
    """Assert that an answer is a complete problem document, and return it."""
    assert answer.status_code == status, (answer.status_code, answer.content[:500])
    assert answer["Content-Type"] == PROBLEM
    document = dict(answer.json())
    assert document.pop("request_id") == answer["X-Request-ID"]
    assert set(document) == {"type", "title", "status", "detail", "code", "errors"}
    assert document["status"] == status
    assert document["detail"]
    for error in document["errors"]:
        assert set(error) == {"pointer", "reason", "accepted", "value"}
    if pointer is not None:
        assert pointer in {error["pointer"] for error in document["errors"]}, document
    return document


def taken(answer: Any) -> None:
    """Assert that what must be unique was refused, and that it is said what, where and why."""
    for error in refused(answer, 409)["errors"]:
        assert all(error.values()), error


@upon_the_world
def rows(world: Any) -> dict[str, dict[str, Any]]:
    """Return the key of one row of each resource at each dealer."""
    found: dict[str, dict[str, Any]] = {}
    for letter in "AB":
        for resource, key in _rows(world, letter).items():
            found.setdefault(resource, {})[letter] = key
    return found


def _rows(world: Any, letter: str) -> dict[str, Any]:
    dealer, name = world.dealers[letter], f"{letter}1"
    world.season(name, 2024)
    turned = (records.PointDraft(0, 20000), records.PointDraft(100, 32000))
    drifted = world.season(name, 2025, points=turned).calibration
    steps = (
        functional.StepDraft(50, 50, pressure=40),
        functional.StepDraft(100, 100, pressure=80),
    )
    tried = functional.record_functional_test(
        functional.FunctionalDraft(
            installation=world.installations[name], performed_at=drifted.performed_at,
            load_unit="daN", pressure_unit="bar", steps=steps,
        ),
        scope=Scope.system(), now=NOW,
    )  # fmt: skip
    visit = Visit.objects.create(
        customer=world.customers[name], season=2027, planned_on=date(2027, 2, 1),
        due_on=date(2027, 3, 1), updated_at=NOW,
    )  # fmt: skip
    run = ImportRun.objects.create(
        dealer=dealer, file_name="past.csv", sha256="0" * 64,
        status="checked", check_result={}, checked_at=NOW, created_at=NOW,
    )  # fmt: skip
    hook = Webhook.objects.create(
        dealer=dealer, url=f"https://{letter}.example/", secret=b"x", created_at=NOW
    )
    events.number()
    return {
        "dealers": dealer.pk,
        "users": world.users[f"tech{letter}"].pk,
        "memberships": Membership.objects.get(user=world.users[f"tech{letter}"]).pk,
        "customers": world.customers[name].pk,
        "machines": world.machines[name].pk,
        "sensors": world.sensors[name].pk,
        "installations": world.installations[name].pk,
        "references": world.references[letter].pk,
        "policies": TolerancePolicy.objects.create(dealer=dealer).pk,
        "calibrations": drifted.pk,
        "functional-tests": tried.functional_test.pk,
        "flags": DriftFlag.objects.filter(sensor=world.sensors[name]).earliest("pk").pk,
        "reminders": Reminder.objects.filter(sensor=world.sensors[name]).earliest("pk").pk,
        "visits": visit.pk,
        "imports": run.pk,
        "events": Event.objects.filter(dealer=dealer).earliest("number").pk,
        "webhooks": hook.pk,
        "audit": Change.objects.get(table="fleet_customer", row=str(world.customers[name].pk)).pk,
        "days-off": DayOff.objects.create(
            membership=Membership.objects.get(user=world.users[f"tech{letter}"]),
            first_day=date(2027, 2, 8), last_day=date(2027, 2, 9),
        ).pk,
        "blackouts": Blackout.objects.create(
            customer=world.customers[name], first_day=date(2027, 2, 8),
            last_day=date(2027, 2, 9),
        ).pk,
        "calendar-feeds": CalendarFeed.objects.create(
            dealer=dealer, technician=world.users[f"tech{letter}"], token_hash=f"{letter}" * 64,
            created_at=NOW,
        ).pk,
        "digests": Digest.objects.create(
            dealer=dealer, day=date(2027, 2, 1), subject="due", body="due"
        ).pk,
        "customer-notes": CustomerNote.objects.create(
            visit=visit, planned_on=date(2027, 2, 1), subject="visit", body="visit"
        ).pk,
    }  # fmt: skip
