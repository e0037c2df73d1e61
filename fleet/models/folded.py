"""What people search in, without capitals: SQLite compares capitals of A to Z only.

So "łódź" would not find "ŁÓDŹ" there. A folded column holds the texts of others, folded by
Python; whoever searches folds the words too (`folded`).
"""

from collections.abc import Iterable, Mapping
from typing import Any

from django.db import models
from django.db.models import Q

LONGEST = 400
COLUMN = "search"  # what a folded column is called in every table


def folded(text: str) -> str:
    """Return a text as searching sees it."""
    return text.casefold()[:LONGEST]


class FoldedText(models.CharField):  # type: ignore[type-arg] # not subscriptable at run time
    """The folded texts of other columns of its row; written whenever the row is."""

    def __init__(self, *sources: str, **options: Any) -> None:
        self.sources = sources
        fixed = {"max_length": LONGEST, "default": "", "editable": False, "db_default": ""}
        super().__init__(**{**options, **fixed})

    def deconstruct(self) -> Any:
        """Return how it is made: with the names of its sources."""
        name, path, _, options = super().deconstruct()
        for fixed in ("max_length", "default", "editable", "db_default"):
            options.pop(fixed, None)
        return name, path, self.sources, options

    def value_of(self, row: models.Model) -> str:
        """Return what the column of a row should hold."""
        return folded(" ".join(str(getattr(row, source) or "") for source in self.sources))

    def pre_save(self, model_instance: models.Model, add: bool) -> str:  # noqa: FBT001 # Django's
        """Fold the texts as they are now."""
        value = self.value_of(model_instance)
        setattr(model_instance, self.attname, value)
        return value

    def clean(self, value: Any, model_instance: models.Model | None) -> str:
        """Fold the texts of a row that is checked (rows are inserted in bulk after that)."""
        return self.value_of(model_instance) if model_instance else ""


def with_folded(row: models.Model, values: Mapping[str, Any]) -> dict[str, Any]:
    """Give a row values; return them with the folded columns that follow, for an update."""
    for name, value in values.items():
        setattr(row, name, value)
    return dict(values) | {field.name: field.value_of(row) for field in following(row, values)}


def following(row: models.Model, names: Iterable[str]) -> list[FoldedText]:
    """Return the folded columns of a row that change where these columns do."""
    changed = set(names)
    return [
        field
        for field in row._meta.concrete_fields
        if isinstance(field, FoldedText) and not changed.isdisjoint(field.sources)
    ]


def anywhere(word: str, fields: Iterable[str]) -> Q:
    """Return the condition that a word stands in one of some columns, in capitals or not."""
    found = Q()
    for field in fields:
        if field.rpartition("__")[2] == COLUMN:
            found |= Q(**{f"{field}__contains": folded(word)})
        else:
            found |= Q(**{f"{field}__icontains": word})
    return found
