"""What a record names: its sensor, reference, and the record it corrects; found or created."""

from collections.abc import Callable
from typing import Any, TypeVar

from django.db.models import Model

from calibration.importing.changes import Changes
from calibration.importing.clerks import Clerk
from calibration.importing.register import Register
from calibration.importing.rows import FileRecord
from calibration.models import Calibration, ReferenceStandard
from calibration.record_file import record_uuid
from fleet.errors import DomainError, Problem
from fleet.models import Installation, Sensor

Row = TypeVar("Row", bound=Model)

ELSEWHERE = "This serial cannot be used by this dealer"
TRANSFER = "a serial of this dealer; if the machine was resold, transfer it first"
TAG = ("zero_reading", "span_reading", "span_load", "load_unit")


class Naming:
    """Finds what one record names; every problem becomes a reason of the record."""

    def __init__(self, register: Register, record: FileRecord, *, clerk: Clerk) -> None:
        self.register, self.record, self.clerk = register, record, clerk
        self.dealer, self.said = register.dealer, record.said
        self.changes = Changes()
        self.installation: Installation | None = None

    # ── The sensor ────────────────────────────────────────────────────────────

    def sensor(self) -> Sensor | None:
        """Return the record's sensor, created where it is unknown; None with reasons."""
        said = self.said
        if not said.sensor:
            return None
        known = self.register.sensor(said.sensor)
        if known is None:
            return self._new_sensor()
        if known.dealer_id != self.dealer.id:
            self.record.refuse("sensor", ELSEWHERE, TRANSFER, value=said.sensor)
            return None
        self.agrees("sensor_model", known.model.name)
        self.agrees("lot", known.lot)
        for name in TAG:
            self.agrees(f"tag_{name}", getattr(known, f"tag_{name}"))
        return known

    def _new_sensor(self) -> Sensor | None:
        model = self.catalogue("sensor_model", self.register.sensor_models)
        if model is None:
            return None
        said = self.said
        tag = {name: getattr(said, f"tag_{name}") for name in TAG}
        blank = [name for name, value in tag.items() if value in ("", None)]
        if 0 < len(blank) < len(TAG):
            whole = ", ".join(f"tag_{name}" for name in TAG)
            self.record.refuse(
                f"tag_{blank[0]}", "It is blank beside the rest of a tag", f"{whole}, or none"
            )
            return None
        return self.created(
            self.changes.sensors,
            {"serial": "sensor", "model": "sensor_model", "": "sensor"},
            lambda: self.clerk.sensor(self.dealer, model, said.sensor, said.lot, tag),
        )

    def catalogue(self, column: str, known: dict[str, Any]) -> Any:
        """Return a model by name; models are not created by a file."""
        name = getattr(self.said, column)
        if name in known:
            return known[name]
        if column not in self.record.unreadable:
            self.record.refuse(
                column,
                "It is not known, and a file does not create it" if name else "It is blank",
                named(known) or "none is registered yet; register it first",
                value=name,
            )
        return None

    def agrees(self, column: str, kept: object) -> None:
        """Refuse a file that would change what is registered: it says the same, or nothing."""
        given = getattr(self.said, column)
        if given not in ("", None) and given != kept:
            self.record.refuse(
                column,
                f"The register says {kept!r}"
                if kept not in ("", None)
                else "It is not registered",
                "the same, or blank; change it in the register first",
                value=str(given),
            )

    # ── What it was measured with, and what it corrects ───────────────────────

    def reference(self, existing: Calibration | None) -> ReferenceStandard | None:
        """Return the reference that is named; None where none is, or with a reason."""
        name = self.said.reference
        if not name:
            return None
        if existing and existing.reference and existing.reference.name == name:
            return existing.reference
        found = self.register.references.get(name)
        if found is None:
            known = named(self.register.references)
            self.record.refuse(
                "reference",
                "The dealer has no reference of that name",
                f"{known}, or blank" if known else "blank; register the reference first",
                value=name,
            )
        return found

    def supersedes(self) -> Calibration | None:
        """Return the record that this one corrects; None where none is named, or with a reason."""
        name = self.said.supersedes
        if not name:
            return None
        key = record_uuid(name, dealer_code=self.dealer.code)
        found = self.register.record(key)
        if found is None:
            self.record.refuse(
                "supersedes",
                "There is no such record, or it was refused",
                "the record_id of a record of this sensor, stored before or in this file",
                value=name,
            )
        return found

    def created(
        self, among: list[Row], columns: dict[str, str], create: Callable[[], Row]
    ) -> Row | None:
        """Create a row; a service's problems become reasons, its fields the file's columns."""
        try:
            row = create()
        except DomainError as wrong:
            for problem in wrong.problems:
                self._refuse(problem, columns)
            return None
        among.append(row)
        return row

    def _refuse(self, problem: Problem, names: dict[str, str]) -> None:
        column = names.get(problem.field, problem.field)
        value = problem.value or str(getattr(self.said, column, "") or "")
        self.record.refuse(column, problem.reason, problem.accepted, value=value)


def named(known: dict[str, Any]) -> str:
    """Return the known names as one text, the first twenty of them."""
    names = sorted(known)
    more = f" and {len(names) - 20} more" if len(names) > 20 else ""
    return ", ".join(names[:20]) + more
