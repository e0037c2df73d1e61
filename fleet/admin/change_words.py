"""The trail in words of the trade: which thing, which of its fields, from what to what.

The trail names tables, columns and keys. What a key names is told to whoever may see it, and asked
for once, however many changes are shown.
"""

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from functools import cache
from typing import Any

from django.apps import apps
from django.db import models
from django.db.models import Model
from django.db.models.functions import Cast
from django.utils import timezone
from django.utils.formats import localize
from django.utils.text import capfirst

from fleet.admin.door import visible
from fleet.models import AccessToken, Change, Customer, Machine, Sensor, User
from fleet.scope import Scope

NAMED_BY = ("serial", "name", "code", "username")
NOTHING = "nothing"
HIDDEN = "(secret)"  # what the triggers write in the place of one
OWN = {"updated_at", "search"}  # what the program keeps for itself
WORDS = {"id": "number", "pct": "in %"}
Key = tuple[type[Model], str]
Line = dict[str, str]


class Trail:
    """Some changes, and what is known of the rows that they name."""

    def __init__(self, rows: Iterable[Change], scope: Scope) -> None:
        self.rows = list(rows)
        self.names = _names(_wanted(self.rows), scope)

    def thing(self, row: Change) -> str:
        """Return what was changed: its kind, and its name where that can be told."""
        model = model_of(row.table)
        if model is None:
            return f"{row.table} {row.row}"
        kind, own = kind_of(model), _named_in(row)
        name = own or self.names.get((_subject(model), row.row), "")
        return f"{kind} {name}" if name else f"{kind}{self._of(row)}"

    def _of(self, row: Change) -> str:
        """Whose it is, of a thing that has no name of its own."""
        said = [
            f"{kind_of(model)} {self.names[model, str(key)]}"
            for model, key in _concerned(row)
            if (model, str(key)) in self.names
        ]
        return f" of {', '.join(said)}" if said else f", number {row.row}"

    def lines(self, row: Change) -> list[Line]:
        """Return each field that was changed; of a row that was entered, what it holds."""
        before, after = row.before or {}, row.after or {}
        model = model_of(row.table)
        found = []
        for column in [*before, *(name for name in after if name not in before)]:
            field = field_of(model, column)
            values = [self.value(field, image.get(column)) for image in (before, after)]
            if row.what != Change.What.UPDATE and values == [NOTHING, NOTHING]:
                continue
            if column in OWN or (column == "id" and row.what != Change.What.UPDATE):
                continue
            found.append({"field": field_words(field, column), "from": values[0], "to": values[1]})
        return found

    def value(self, field: "models.Field[Any, Any] | None", value: Any) -> str:
        """Return a value as a person reads it."""
        if value is None or value in ("", [], {}):
            return NOTHING
        if value == HIDDEN:
            return "kept secret"
        if isinstance(field, models.ForeignKey):
            target = field.remote_field.model
            return self.names.get((target, str(value)), f"number {value}")
        return _written(field, value)


def _written(field: "models.Field[Any, Any] | None", value: Any) -> str:
    """A value that names nothing else."""
    if isinstance(field, models.BooleanField):
        return "yes" if value else "no"
    if field is not None and field.choices:
        return str(dict(field.flatchoices).get(value, value))
    if isinstance(field, models.DateTimeField):
        return _moment(str(value))
    if isinstance(value, float):  # one database writes 8, another 8.0
        return f"{value:.15g}"
    return str(value) if isinstance(value, str | int) else json.dumps(value, ensure_ascii=False)


def _moment(written: str) -> str:
    """A moment as the databases write it into the trail; SQLite's, without a zone, is UTC."""
    at = datetime.fromisoformat(written)
    at = at.replace(tzinfo=UTC) if at.tzinfo is None else at
    return localize(timezone.localtime(at))


def model_of(table: str) -> type[Model] | None:
    """Return whose table it is; of one that is no more, nothing is known."""
    return _by_table().get(table)


@cache
def _by_table() -> Mapping[str, type[Model]]:
    return {model._meta.db_table: model for model in apps.get_models()}


def kind_of(model: type[Model]) -> str:
    """Return what a person calls such a thing."""
    return str(model._meta.verbose_name)


def field_of(model: type[Model] | None, column: str) -> "models.Field[Any, Any] | None":
    """Return the field that a column belongs to, where there still is one."""
    if model is None:
        return None
    return next((f for f in model._meta.concrete_fields if f.column == column), None)


def field_words(field: "models.Field[Any, Any] | None", column: str) -> str:
    """Return what a person calls a column."""
    said = str(field.verbose_name) if field is not None else column.replace("_", " ")
    return str(capfirst(" ".join(WORDS.get(word, word) for word in said.split())))


def _subject(model: type[Model]) -> type[Model]:
    """Whom the trail's row number of a table names: of a token, its owner."""
    return User if model is AccessToken else model


def _named_in(row: Change) -> str:
    """The name of a thing as the change itself has it."""
    image = {**(row.before or {}), **(row.after or {})}
    return next((str(image[name]) for name in NAMED_BY if image.get(name)), "")


def _concerned(row: Change) -> list[tuple[type[Model], Any]]:
    keys = ((Sensor, row.sensor_id), (Machine, row.machine_id), (Customer, row.customer_id))
    return [(model, key) for model, key in keys if key is not None]


def _wanted(rows: Sequence[Change]) -> dict[type[Model], set[str]]:
    """The keys of the rows that are named anywhere in these changes."""
    found: dict[type[Model], set[str]] = defaultdict(set)
    for row in rows:
        model = model_of(row.table)
        if model is None:
            continue
        found[_subject(model)].add(row.row)
        for concerned, key in _concerned(row):
            found[concerned].add(str(key))
        for image in (row.before or {}, row.after or {}):
            for column, value in image.items():
                field = field_of(model, column)
                if isinstance(field, models.ForeignKey) and value is not None:
                    found[field.remote_field.model].add(str(value))
    return found


def _names(wanted: Mapping[type[Model], set[str]], scope: Scope) -> dict[Key, str]:
    """The names of rows that the caller may see; of all others nothing is told. One query."""
    asked = [
        _named(model, by, keys, scope)
        for model, keys in wanted.items()
        if (by := _named_by(model)) is not None
    ]
    if not asked:
        return {}
    first, *others = asked
    found = first.union(*others, all=True) if others else first
    return {
        (model, key): name for table, key, name in found if (model := model_of(table)) is not None
    }


def _named_by(model: type[Model]) -> str | None:
    own = {field.name for field in model._meta.concrete_fields}
    return next((name for name in NAMED_BY if name in own), None)


def _named(
    model: type[Model], by: str, keys: set[str], scope: Scope
) -> "models.QuerySet[Any, tuple[str, str, str]]":
    text = models.CharField()
    return (
        visible(model, scope)
        .filter(pk__in=keys)
        .order_by()
        .values_list(
            models.Value(model._meta.db_table, output_field=text),
            Cast("pk", text),
            Cast(by, text),
        )
    )
