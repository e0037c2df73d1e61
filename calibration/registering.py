"""The register's basics out of one JSON file: dealers, models, references, policies.

What is there already stays as it is; what is missing is entered. All of it, or nothing.
"""

import json
from collections.abc import Iterator, Mapping
from typing import Any

from django.core.exceptions import FieldDoesNotExist
from django.db import models, transaction

from calibration.models import ReferenceStandard, TolerancePolicy
from fleet.errors import DomainError, Invalid, Malformed, Problem
from fleet.models import Dealer, MachineModel, SensorModel
from fleet.registry import clean_and_save

# In the order in which one may refer to another: section, model, what names a row.
SECTIONS: Mapping[str, tuple[type[models.Model], tuple[str, ...]]] = {
    "dealers": (Dealer, ("code",)),
    "machine_models": (MachineModel, ("name",)),
    "sensor_models": (SensorModel, ("name",)),
    "references": (ReferenceStandard, ("dealer", "name")),
    "policies": (TolerancePolicy, ("sensor_model", "dealer")),
}
_NAMED_BY = {"dealer": (Dealer, "code"), "sensor_model": (SensorModel, "name")}


@transaction.atomic
def load_register(content: str) -> dict[str, dict[str, int]]:
    """Enter what is missing; return how many of each were created and were there already.

    Raises
    ------
    Malformed
        If it is not a JSON object of lists under the known names.
    Invalid
        With every row that cannot be, by section and number.
    """
    rows = list(_rows(content))
    counts = {section: {"created": 0, "already_there": 0} for section in SECTIONS}
    problems: list[Problem] = []
    for section, number, values in rows:
        try:
            created = _enter(section, values)
        except DomainError as wrong:
            problems += [_at(problem, section, number) for problem in wrong.problems]
        else:
            counts[section]["created" if created else "already_there"] += 1
    if problems:
        raise Invalid(*problems)
    return counts


def _rows(content: str) -> Iterator[tuple[str, int, dict[str, Any]]]:
    accepted = f"an object with lists under {', '.join(SECTIONS)}"
    try:
        whole = json.loads(content)
    except (ValueError, RecursionError) as wrong:
        raise Malformed(Problem("", f"Not JSON: {wrong}", accepted)) from wrong
    if not isinstance(whole, dict) or whole.keys() - SECTIONS.keys():
        raise Malformed(Problem("", "Not the form of a register file", accepted))
    for section in SECTIONS:
        items = whole.get(section, [])
        if not isinstance(items, list) or not all(isinstance(item, dict) for item in items):
            raise Malformed(Problem(section, "Not a list of objects", accepted))
        yield from ((section, number, item) for number, item in enumerate(items, start=1))


def _enter(section: str, values: dict[str, Any]) -> bool:
    model, names = SECTIONS[section]
    fields = {name: _value(model, name, value) for name, value in values.items()}
    key = {name: fields.get(name) for name in names}
    if model._default_manager.filter(**_exactly(key)).exists():
        return False
    clean_and_save(model(**fields))
    return True


def _exactly(key: Mapping[str, Any]) -> dict[str, Any]:
    return {
        (f"{name}__isnull" if value is None else name): (True if value is None else value)
        for name, value in key.items()
    }


def _value(model: type[models.Model], name: str, value: Any) -> Any:
    try:
        model._meta.get_field(name)
    except FieldDoesNotExist as unknown:
        accepted = ", ".join(
            field.name for field in model._meta.concrete_fields if not field.primary_key
        )
        raise Invalid(Problem(name, "Not a known field", accepted)) from unknown
    if name not in _NAMED_BY or value is None:
        return value
    other, by = _NAMED_BY[name]
    found = other._default_manager.filter(**{by: value}).first()
    if found is None:
        known = ", ".join(map(str, other._default_manager.values_list(by, flat=True)[:20]))
        raise Invalid(
            Problem(name, f"No {other._meta.verbose_name} of that {by}", known, str(value))
        )
    return found


def _at(problem: Problem, section: str, number: int) -> Problem:
    where = f"{section}[{number}]"
    field = f"{where}.{problem.field}" if problem.field else where
    return Problem(field, problem.reason, problem.accepted, problem.value)
