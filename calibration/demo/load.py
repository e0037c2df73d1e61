"""The invented fleet into the database, all of it or nothing, through the services."""

import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime

from django.db import connection, transaction

from calibration import functional, records
from calibration.demo import register, simulate, trials
from calibration.demo.mistakes import written_down
from calibration.demo.register import Register
from calibration.demo.scenario import DEALERS
from calibration.demo.simulate import Point, Written
from calibration.demo.stories import RESOLD_MACHINE, RESOLD_TO, Plot, told_of
from calibration.demo.trials import Trial
from calibration.functional import FunctionalDraft, StepDraft
from calibration.models import Calibration
from calibration.records import CalibrationDraft, PointDraft
from fleet import registry
from fleet.errors import DomainError
from fleet.models import Dealer
from fleet.scope import Scope

NAMESPACE = uuid.UUID("6f1f9d0e-3f0b-4c55-9a38-2f6f5a1f7f10")
CORRECTION = "Two digits of the span reading were exchanged; the paper has them right."

Progress = Callable[[str], None]


def is_migrated() -> bool:
    """Whether this database has the register's tables at all."""
    known = connection.introspection.installed_models(connection.introspection.table_names())
    return Dealer in known


def is_loaded() -> bool:
    """Whether the invented fleet is in this database (it goes in whole, or not at all)."""
    ours = [dealer.code for dealer in DEALERS]
    return is_migrated() and Dealer.objects.filter(code__in=ours).exists()


def strangers() -> list[str]:
    """Return the codes of dealers that are not the demo's."""
    ours = [dealer.code for dealer in DEALERS]
    others = Dealer.objects.exclude(code__in=ours).values_list("code", flat=True)
    return list(others) if is_migrated() else []


@transaction.atomic
def load(*, scope: Scope, now: datetime, progress: Progress = lambda _: None) -> None:
    """Enter the fleet as it looks at a moment: register, five seasons of records, tests."""
    today = now.date()
    progress("register")
    rows = register.fill(scope=scope, today=today)
    measured = {(one.serial, one.visit): one for one in simulate.calibrations(today)}
    written = list(written_down(measured).values())
    sale = told_of(Plot.RESOLD)[0]
    later = [one for one in written if one.serial in sale.serials and one.visit >= sale.visit]
    progress("calibrations")
    _record(rows, [one for one in written if one not in later], scope=scope, now=now)
    _resell(rows, scope)
    _record(rows, later, scope=scope, now=now)
    _correct(rows, (one for one in written if one.corrected_from), scope=scope, now=now)
    progress("functional tests")
    for trial in trials.functional_tests(today):
        _test(rows, trial, scope=scope, now=now)


def _record(rows: Register, written: Sequence[Written], *, scope: Scope, now: datetime) -> None:
    """Record sensor by sensor, each in order of time; the demo has no record to be refused."""
    ordered = sorted(written, key=lambda one: (one.serial, one.visit))
    drafts = [_draft(rows, one) for one in ordered]
    for outcome in records.record_many(drafts, scope=scope, now=now):
        if isinstance(outcome, DomainError):
            raise outcome


def _draft(rows: Register, one: Written) -> CalibrationDraft:
    sensor = rows.sensors[one.serial]
    return CalibrationDraft(
        sensor=sensor,
        performed_at=one.performed_at,
        load_unit=one.dealer.load_unit,
        reading_unit=sensor.model.reading_unit,
        points=_points(one.corrected_from or one.points),
        id=_identity(one, "first" if one.corrected_from else ""),
        reason=one.reason,
        reference=rows.references.get(one.dealer.code),
        technician=one.technician,
        temperature_c=one.temperature_c,
        hydraulic_pressure=one.pressure,
        pressure_unit=one.dealer.pressure_unit,
        note=one.note,
    )


def _points(points: Iterable[Point]) -> tuple[PointDraft, ...]:
    return tuple(PointDraft(load, reading, direction) for load, reading, direction in points)


def _identity(one: Written, what: str) -> uuid.UUID:
    return uuid.uuid5(NAMESPACE, f"{one.serial}/{one.performed_at.isoformat()}/{what}")


def _resell(rows: Register, scope: Scope) -> None:
    """Hand the resold machine to its new owner; its sensors come along."""
    code, number = RESOLD_TO
    buyer = next(dealer for dealer in DEALERS if dealer.code == code)
    registry.transfer_machine(
        scope=scope,
        machine=rows.machines[RESOLD_MACHINE],
        customer=rows.customers[code, buyer.customers[number - 1]],
    )
    for serial in told_of(Plot.RESOLD)[0].serials:
        rows.sensors[serial].refresh_from_db()


def _correct(rows: Register, wrong: Iterator[Written], *, scope: Scope, now: datetime) -> None:
    """Supersede what was typed wrongly by what the paper said."""
    for one in wrong:
        first = Calibration.objects.get(pk=_identity(one, "first"))
        draft = _draft(rows, replace(one, corrected_from=()))
        records.record_calibration(
            replace(draft, supersedes=first, supersede_reason=CORRECTION), scope=scope, now=now
        )


def _test(rows: Register, trial: Trial, *, scope: Scope, now: datetime) -> None:
    draft = FunctionalDraft(
        installation=rows.installations[trial.serial],
        performed_at=trial.performed_at,
        load_unit=trial.dealer.load_unit,
        pressure_unit=trial.dealer.pressure_unit,
        steps=tuple(
            StepDraft(
                commanded=step.commanded,
                displayed_mean=step.displayed_mean,
                displayed_min=step.displayed_min,
                displayed_max=step.displayed_max,
                pressure=step.pressure,
                observed=step.observed,
            )
            for step in trial.steps
        ),
        id=uuid.uuid5(NAMESPACE, f"test/{trial.serial}/{trial.performed_at.isoformat()}"),
        technician=trial.technician,
    )
    functional.record_functional_test(draft, scope=scope, now=now)
