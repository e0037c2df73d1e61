"""The add pages of calibrations and functional tests: form, check, store once.

Every page carries the identity of the record that it will become; sent twice, it is one record.
"""

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar

from django.db import transaction
from django.utils import timezone

from calibration import readout
from calibration.admin.entry_forms import (
    CalibrationForm,
    EntryForm,
    FunctionalForm,
    PointRows,
    StepRows,
    fresh_id,
    place_errors,
)
from calibration.functional import (
    FunctionalDraft,
    StepDraft,
    check_functional_test,
    record_functional_test,
)
from calibration.models import Calibration, FunctionalTest
from calibration.records import (
    CalibrationDraft,
    PointDraft,
    Recorded,
    check_calibration,
    record_calibration,
)
from calibration.unfinished import calibration_problems, functional_problems
from fleet.errors import DomainError, Invalid, Problem
from fleet.models import Dealer, Sensor
from fleet.scope import Scope


@dataclass(frozen=True)
class Question:
    """What is asked before a record is sealed that is as good as certainly wrong.

    Attributes
    ----------
    answer : dict
        The record as it would be judged; nothing is stored yet.
    sure : str
        What the form sends back to say yes. It stands for these remarks and no others: numbers
        that are typed anew are asked about anew.
    """

    answer: dict[str, Any]
    sure: str


class Entry:
    """One form on one page: what was typed, and what became of it."""

    form_class: type[EntryForm]
    rows_class: Any
    prefix: str
    unfinished: ClassVar[Callable[..., list[Problem]]]

    def __init__(
        self, scope: Scope, *, data: Mapping[str, Any] | None = None, start: dict[str, Any]
    ) -> None:
        self.scope = scope
        self.question: Question | None = None
        self.sure = (data or {}).get("_sure", "")
        self.form = self.form_class(data, scope=scope, initial=start)
        self.rows = self.rows_class(data, prefix=self.prefix, initial=start.get(self.prefix))
        self.rows.in_units_of(self.form)

    def sensor(self) -> Sensor | None:
        """Return the sensor whose serial is typed, where the caller may see it; read once.

        Of what was sent it is known after `is_valid`.
        """
        form = self.form
        found: Sensor | None = (
            form.cleaned_data.get("sensor") if form.is_bound else form.initial.get("known")
        )
        return found

    def is_valid(self, *, now: datetime) -> bool:
        """Whether everything that was typed can be read; if not, all that is wrong is said."""
        readable = self.form.is_valid()
        if self.rows.is_valid() and readable:
            return True
        filled = [row for _, row in self.rows.filled()]
        wrong = self.unfinished(self.form.cleaned_data, filled, now=now)
        self._place(Invalid(*wrong))
        return False

    def attempt(self, action: Any) -> Any:
        """Do something with the draft; put what a service refuses at its fields, answer None."""
        try:
            with transaction.atomic():
                return action(self.draft([row for _, row in self.rows.filled()]))
        except DomainError as refusal:
            self._place(refusal)
            return None

    def _place(self, refusal: DomainError) -> None:
        numbers = {i: number for i, (number, _) in enumerate(self.rows.filled())}
        place_errors(self.form, self.rows, refusal, numbers)

    def draft(self, rows: list[dict[str, Any]]) -> Any:
        """Return the draft of what was typed."""
        raise NotImplementedError

    def check(self, *, now: datetime) -> dict[str, Any] | None:
        """Judge what was typed without storing it; None where it was refused."""
        raise NotImplementedError

    def store(self, *, now: datetime) -> tuple[Any, bool] | None:
        """Store it once, and say whether this call did; None where it is not stored."""
        raise NotImplementedError

    def problems(self) -> dict[str, list[str]]:
        """Return what is wrong with what was typed, by the name of the field on the page."""
        found = {self.form.add_prefix(k): [str(e) for e in v] for k, v in self.form.errors.items()}
        for row in self.rows.forms:
            if row.has_changed():
                found |= {row.add_prefix(k): [str(e) for e in v] for k, v in row.errors.items()}
        return found


class CalibrationEntry(Entry):
    """Entering a calibration."""

    form_class = CalibrationForm
    rows_class = PointRows
    prefix = "points"
    unfinished = staticmethod(calibration_problems)

    def draft(self, rows: list[dict[str, Any]]) -> CalibrationDraft:
        """Return the calibration as it was typed."""
        typed = self.form.cleaned_data
        return CalibrationDraft(**typed, points=tuple(PointDraft(**row) for row in rows))

    def check(self, *, now: datetime) -> dict[str, Any] | None:
        """Judge what was typed without storing it."""
        answer: dict[str, Any] | None = self.attempt(
            lambda draft: check_calibration(draft, scope=self.scope, now=now)
        )
        return answer

    def store(self, *, now: datetime) -> tuple[Calibration, bool] | None:
        """Store it once; None where it was refused, or where there is a `question` first."""
        done = self.attempt(lambda draft: self._sealed(draft, now=now))
        return done and (done.calibration, done.created)

    def _sealed(self, draft: CalibrationDraft, *, now: datetime) -> Recorded | None:
        """Record it; roll back, and ask, where a strong remark has not been answered."""
        done = record_calibration(draft, scope=self.scope, now=now, user_id=self.scope.user_id)
        if done.created:
            answer = readout.calibration_answer(done.calibration, self.scope)
            remarks = readout.strong(answer["remarks"])
            sure = _sure_of(answer["id"], [remark["says"] for remark in remarks])
            if remarks and sure != self.sure:
                self.question = Question(answer | {"digest": None, "stored": False}, sure)
                transaction.set_rollback(True)  # a sealed record could not be taken back
                return None
        return done


class FunctionalEntry(Entry):
    """Entering a functional test, at the place where the sensor sat at that time."""

    form_class = FunctionalForm
    rows_class = StepRows
    prefix = "steps"
    unfinished = staticmethod(functional_problems)

    def draft(self, rows: list[dict[str, Any]]) -> FunctionalDraft:
        """Return the test as it was typed."""
        typed = {name: said for name, said in self.form.cleaned_data.items() if name != "sensor"}
        return FunctionalDraft(**typed, steps=tuple(StepDraft(**row) for row in rows))

    def check(self, *, now: datetime) -> dict[str, Any] | None:
        """Judge what was typed without storing it."""
        answer: dict[str, Any] | None = self.attempt(
            lambda draft: check_functional_test(draft, scope=self.scope, now=now)
        )
        return answer

    def store(self, *, now: datetime) -> tuple[FunctionalTest, bool] | None:
        """Store it once; None where it was refused."""
        done = self.attempt(
            lambda draft: record_functional_test(
                draft, scope=self.scope, now=now, user_id=self.scope.user_id
            )
        )
        return done and (done.functional_test, done.created)


def _sure_of(record: str, said: list[str]) -> str:
    """Return what stands for the yes to these remarks on this record."""
    return hashlib.sha256("\n".join([record, *said]).encode()).hexdigest()


def start_values(scope: Scope, serial: str, person: str) -> dict[str, Any]:
    """Return what a fresh form holds: identity, moment, the units of sensor and dealer."""
    sensor = None
    if serial:
        rows = Sensor.objects.visible_to(scope).select_related("model", "dealer")
        sensor = rows.filter(serial__iexact=serial).first()
    dealer = sensor.dealer if sensor else Dealer.objects.visible_to(scope).first()
    start: dict[str, Any] = {
        "id": fresh_id(), "sensor": serial, "known": sensor, "technician": person
    }  # fmt: skip
    if dealer is not None:
        here = timezone.now().astimezone(dealer.zone)
        start |= {
            # With seconds: of two records of one minute, the one typed later is the later one.
            "performed_at": here.isoformat(sep=" ", timespec="seconds"),
            "load_unit": dealer.load_unit,
            "pressure_unit": dealer.pressure_unit,
        }
    if sensor is not None:
        start["reading_unit"] = sensor.model.reading_unit
    return start


def correction_of(record: Calibration, scope: Scope) -> dict[str, Any]:
    """Return the form of a record that is to be replaced by a corrected one.

    After a resale the former dealer's words and reference are left out, as in every answer.
    """
    names = ("reason", "stage", "load_unit", "reading_unit", "temperature_c",
             "hydraulic_pressure", "pressure_unit")  # fmt: skip
    own = scope.sees_remarks_of(record.dealer_id)
    here = record.performed_at.astimezone(record.sensor.dealer.zone)
    return {
        **{name: getattr(record, name) for name in names},
        "technician": record.technician if own else "",
        "note": record.note if own else "",
        "reference": readout.reference_of(record, scope),
        "id": fresh_id(),
        "sensor": record.sensor.serial,
        "known": record.sensor,
        "supersedes": record.pk,
        "performed_at": here.isoformat(sep=" "),
        "points": [
            {
                "load": f"{point.load:.15g}",
                "reading": f"{point.reading:.15g}",
                "direction": point.direction,
            }
            for point in record.points.all()
        ],
    }
