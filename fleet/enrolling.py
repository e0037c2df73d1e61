"""New rows of the register by the hundred, as a file brings them: entered together or not at all.

The rules are those of `fleet.registry`: fields are checked by `checked`, what must be unique by
the database. Whoever wants to be told in words what is wrong with one row enters it there.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TypeVar

from django.core.exceptions import ValidationError
from django.db import connection, models, transaction

from fleet.errors import Invalid
from fleet.inserting import insert
from fleet.models import Customer, Dealer, Installation, Machine, Sensor
from fleet.registry import require
from fleet.scope import Scope

Row = TypeVar("Row", bound=models.Model)

_RESERVED = 200  # keys taken at once; those that are not used leave a gap


@dataclass
class Newcomers:
    """Rows of one dealer that are not stored yet; their keys are, so that they name each other."""

    customers: list[Customer] = field(default_factory=list)
    machines: list[Machine] = field(default_factory=list)
    sensors: list[Sensor] = field(default_factory=list)
    installations: list[Installation] = field(default_factory=list)

    def __bool__(self) -> bool:
        """Whether there are any."""
        return any(self.by_resource().values())

    def by_resource(self) -> dict[str, Sequence[models.Model]]:
        """Return them in the order in which one may refer to another."""
        return {
            "customers": self.customers,
            "machines": self.machines,
            "sensors": self.sensors,
            "installations": self.installations,
        }


class Keys:
    """Primary keys for rows that are not stored yet.

    On SQLite they are good while this transaction writes and nobody enters other rows in it;
    on PostgreSQL they are nobody else's ever.
    """

    def __init__(self) -> None:
        self._left: dict[type[models.Model], list[int]] = {}

    def take(self, model: type[models.Model]) -> int:
        """Return a key that no row of the table has."""
        left = self._left.get(model)
        if not left:
            left = self._left[model] = list(reversed(_reserve(model)))
        key = left.pop()
        if not left and connection.vendor != "postgresql":
            left += reversed(range(key + 1, key + 1 + _RESERVED))
        return key


def _reserve(model: type[models.Model]) -> list[int]:
    table = model._meta.db_table
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "SELECT nextval(pg_get_serial_sequence(%s, 'id')) FROM generate_series(1, %s)",
                [table, _RESERVED],
            )
            return [key for (key,) in cursor.fetchall()]
        cursor.execute(
            "SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = %s", [table]
        )
        (last,) = cursor.fetchone()
    return list(range(last + 1, last + 1 + _RESERVED))


def checked(row: Row) -> Row:
    """Return a row whose fields can be.

    Raises
    ------
    Invalid
        If one of them cannot; that the rows it refers to are there is for the database to say.
    """
    related = {each.name for each in row._meta.concrete_fields if each.is_relation}
    try:
        row.clean_fields(exclude=related)
    except ValidationError as wrong:
        raise Invalid(*wrong.messages) from wrong
    if isinstance(row, Sensor) and row.tag_span_load is not None and row.tag_span_load <= 0:
        raise Invalid("A tag has a span load above zero.")
    return row


@transaction.atomic
def enrol(rows: Newcomers, *, dealer: Dealer, scope: Scope) -> None:
    """Enter checked customers, machines, sensors and installations of one dealer.

    Raises
    ------
    Forbidden
        If the caller may not enter them.
    django.db.IntegrityError
        If one of them clashes with a row that is there.
    """
    for resource, several in rows.by_resource().items():
        if several:
            require(scope, "create", resource, dealer.pk)
            model = type(several[0])
            names = [field.attname for field in model._meta.concrete_fields]
            insert(model, names, [tuple(getattr(row, name) for name in names) for row in several])
