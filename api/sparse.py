"""Sparse answers: `?fields=serial,lot` shows these of each row, and nothing else."""

from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any

from rest_framework.request import Request

from api.errors import BadQuery
from fleet.errors import Problem

NAME = "fields"


def fields_of(request: Request, known: Callable[[], Collection[str]]) -> tuple[str, ...]:
    """Return the fields that were asked for, in that order; none where all are.

    What is known is asked for only then.

    Raises
    ------
    BadQuery
        If there is no such field.
    """
    given = request.query_params.get(NAME)
    if given is None:
        return ()
    asked = tuple(dict.fromkeys(name.strip() for name in given.split(",")))
    there = known()
    unknown = [name for name in asked if name not in there]
    if unknown:
        accepted = "some of " + ", ".join(there)
        raise BadQuery(Problem(f"?.{NAME}", "There is no such field", accepted, unknown[0][:80]))
    return asked


def sparse(rows: Sequence[Mapping[str, Any]], fields: Sequence[str]) -> Sequence[Any]:
    """Return the rows with these of their fields; whole, where none are named."""
    if not fields:
        return rows
    return [{name: row[name] for name in fields if name in row} for row in rows]
