"""`name__among=keys`: a key is one of many, given as one value however many there are."""

import json
from collections.abc import Iterable
from typing import Any

import numpy as np
from django.db import models
from django.db.models import Lookup, Q
from django.db.models.fields.related import ForeignObject
from django.db.models.sql.compiler import SQLCompiler
from numpy.typing import NDArray


class Among(Lookup[Any]):
    """Membership in an array: `IN` would make a parameter of every key."""

    lookup_name = "among"
    prepare_rhs = False

    def as_postgresql(self, compiler: SQLCompiler, connection: Any) -> tuple[str, list[Any]]:
        """Compare with an array."""
        left, params = self.process_lhs(compiler, connection)
        return f"{left} = ANY(%s::bigint[])", [*params, self._literal("{", "}")]

    def as_sqlite(self, compiler: SQLCompiler, connection: Any) -> tuple[str, list[Any]]:
        """Look into a JSON list."""
        left, params = self.process_lhs(compiler, connection)
        return f"{left} IN (SELECT value FROM json_each(%s))", [*params, self._literal("[", "]")]

    def _literal(self, opens: str, closes: str) -> str:
        return opens + json.dumps(self.rhs)[1:-1] + closes


models.Field.register_lookup(Among)
ForeignObject.register_lookup(Among)


def among(name: str, keys: Iterable[int] | NDArray[np.int64]) -> Q:
    """Return the condition that a key is one of these."""
    listed = keys.tolist() if isinstance(keys, np.ndarray) else list(keys)
    return Q(**{f"{name}__among": listed})
