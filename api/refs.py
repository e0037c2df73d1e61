"""How objects name one another: the readable key of each kind, in input, output and filters."""

from collections.abc import Mapping
from typing import Any

from django.db.models import Model, QuerySet
from rest_framework import serializers

from api import conditions
from api.fields import Ref
from api.scoping import Rows
from calibration.models import Calibration, FunctionalTest, ReferenceStandard
from fleet.access import users_visible_to
from fleet.models import (
    Customer,
    Dealer,
    Installation,
    Machine,
    MachineModel,
    Membership,
    Sensor,
    SensorModel,
    User,
)
from fleet.scope import Scope

# Readable key (none: by id only) and the word for it.
KEYS: Mapping[type[Model], tuple[str, str]] = {
    Dealer: ("code", "dealer"),
    User: ("username", "user"),
    Membership: ("", "membership"),
    Customer: ("name", "customer"),
    MachineModel: ("name", "machine model"),
    Machine: ("serial", "machine"),
    SensorModel: ("name", "sensor model"),
    Sensor: ("serial", "sensor"),
    Installation: ("", "installation"),
    ReferenceStandard: ("name", "reference"),
    Calibration: ("", "calibration"),
    FunctionalTest: ("", "functional test"),
}


def rows_of(model: type[Model]) -> Rows:
    """Return the function that gives the rows of a table that a caller may see."""

    def rows(scope: Scope) -> QuerySet[Any]:
        if model is User:
            return users_visible_to(scope)
        found: QuerySet[Any] = model.objects.visible_to(scope)  # type: ignore[attr-defined] # a ScopedModel
        return found

    return rows


def ref(model: type[Model], *related: str, **options: Any) -> Ref:
    """Return the input field that names a row of this table."""
    key, noun = KEYS[model]
    return Ref(rows_of(model), key, noun, beside=related, **options)


def ref_filter(path: str, model: type[Model]) -> conditions.Ref:
    """Return the filter by a row of this table."""
    return conditions.Ref(path, rows_of(model), KEYS[model][0])


def seated(path: str, model: type[Model]) -> conditions.Seated:
    """Return the filter by where a sensor sits now."""
    return conditions.Seated(path, rows_of(model), KEYS[model][0])


def beside(source: str, *, nullable: bool = False) -> serializers.CharField:
    """Return the output field that shows a readable key beside an id."""
    return serializers.CharField(source=source, read_only=True, allow_null=nullable)
