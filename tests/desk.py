"""What the tests of the desk share: a person's client, and rows for every page."""

from datetime import UTC, date, datetime
from typing import Any

from django.db.models import Model
from django.test import Client
from django.urls import reverse

from calibration.functional import FunctionalDraft, StepDraft, record_functional_test
from calibration.models import (
    CalendarFeed,
    CustomerNote,
    Digest,
    DueState,
    ImportRun,
    Reminder,
    ScanRun,
    SeasonPlan,
    TolerancePolicy,
    Visit,
    VisitLine,
)
from calibration.records import PointDraft
from fleet.models import Blackout, DayOff, Membership, User
from tests.conftest import NOW, SYSTEM, World


def without_files(settings: Any) -> None:
    """Leave the static files out: reading them all for every client takes seconds."""
    settings.MIDDLEWARE = [name for name in settings.MIDDLEWARE if "whitenoise" not in name]


def signed_in(person: User) -> Client:
    """Return a person's browser."""
    client = Client(raise_request_exception=True)
    client.force_login(person)
    return client


def page(model: type[Model] | Model, kind: str, *args: object) -> str:
    """Return the address of a page: changelist, add, change, delete."""
    return reverse(f"admin:{model._meta.app_label}_{model._meta.model_name}_{kind}", args=args)


def fill(world: World) -> World:
    """Fill every table that has a page, for both dealers."""
    for name in world.dealers:
        _measure(world, name)
        _plan(world, name)
        _run(world, name)
    TolerancePolicy.objects.create()
    ScanRun.objects.create(started_at=NOW)
    return world


def _measure(world: World, name: str) -> None:
    for year in (2024, 2025):
        world.season(f"{name}1", year)
    drifted = (PointDraft(0, 20000), PointDraft(100, 32000))
    world.season(f"{name}1", 2026, points=drifted, technician=f"hand of {name}")
    draft = FunctionalDraft(
        installation=world.installations[f"{name}1"],
        performed_at=datetime(2026, 3, 11, 9, 0, tzinfo=UTC),
        load_unit="daN",
        pressure_unit="bar",
        steps=(StepDraft(50, 50.2), StepDraft(100, 100.1)),
    )
    record_functional_test(draft, scope=SYSTEM, now=NOW)


def _plan(world: World, name: str) -> None:
    sensor, day = world.sensors[f"{name}2"], date(2026, 3, 1)
    DueState.objects.update_or_create(
        sensor=sensor, defaults={"due_on": day, "decided_by": "never_calibrated"}
    )
    Reminder.objects.filter(sensor=sensor).delete()
    Reminder.objects.create(sensor=sensor, due_on=day, why="never_calibrated", created_at=NOW)
    visit = Visit.objects.create(
        customer=world.customers[f"{name}2"],
        season=2026,
        planned_on=date(2026, 4, 12),
        due_on=day,
        updated_at=NOW,
    )
    machine = world.machines[f"{name}2"]
    VisitLine.objects.create(visit=visit, machine=machine, due_on=day, sensors=2)
    CustomerNote.objects.create(
        visit=visit, planned_on=visit.planned_on, subject="visit", body=f"to Farm {name}2"
    )
    tech = Membership.objects.get(user=world.users[f"tech{name}"])
    span = {"first_day": date(2026, 4, 20), "last_day": date(2026, 4, 21)}
    DayOff.objects.create(membership=tech, **span)
    Blackout.objects.create(customer=world.customers[f"{name}2"], **span)


def _run(world: World, name: str) -> None:
    dealer = world.dealers[name]
    TolerancePolicy.objects.create(dealer=dealer)
    SeasonPlan.objects.create(
        dealer=dealer, planned_at=NOW, made_by="greedy", says="Greedy.", cost=1, greedy_cost=1,
        unplanned=[{"customer_name": f"Farm {name}1", "reason": "no day"}],
    )  # fmt: skip
    CalendarFeed.objects.create(dealer=dealer, token_hash=name * 64, created_at=NOW)
    Digest.objects.create(dealer=dealer, day=date(2026, 4, 1), subject="due", body="due")
    ImportRun.objects.create(
        dealer=dealer,
        file_name=f"{dealer.code}.csv",
        sha256="0" * 64,
        status="checked",
        check_result={},
        checked_at=NOW,
        created_at=NOW,
    )
