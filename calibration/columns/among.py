"""`name__among=keys`: a key is one of many, given as one value however many there are."""

from collections.abc import Iterable
from typing import Any

import numpy as np
from django.db import models
from django.db.models import Lookup, Q
from django.db.models.fields.related import ForeignObject
from django.db.models.sql.compiler import SQLCompiler
from numpy.typing import NDArray

_CLOSE = 2  # so many keys of others are read with each at most


class Among(Lookup[Any]):
    """Membership in an array: `IN` would make a parameter of every key."""

    lookup_name = "among"
    prepare_rhs = False

    def as_postgresql(self, compiler: SQLCompiler, connection: Any) -> tuple[str, list[Any]]:
        """Compare with an array."""
        left, params = self.process_lhs(compiler, connection)
        return f"{left} = ANY(%s::bigint[])", [*params, f"{{{self.rhs}}}"]

    def as_sqlite(self, compiler: SQLCompiler, connection: Any) -> tuple[str, list[Any]]:
        """Look into a JSON list."""
        left, params = self.process_lhs(compiler, connection)
        return f"{left} IN (SELECT value FROM json_each(%s))", [*params, f"[{self.rhs}]"]


models.Field.register_lookup(Among)
ForeignObject.register_lookup(Among)


def among(name: str, keys: Iterable[int] | NDArray[np.int64]) -> Q:
    """Return the condition that a key is one of these."""
    listed = keys.tolist() if isinstance(keys, np.ndarray) else keys
    # A text: of a list, every query would look at each member.
    return Q(**{f"{name}__among": ",".join(map(str, listed))})


def around(name: str, keys: NDArray[np.int64]) -> Q:
    """Return the same condition or, where the keys lie close together, their range.

    Then others may be among what is found.
    """
    if not len(keys) or keys.max() - keys.min() > _CLOSE * len(keys):
        return among(name, keys)
    return Q(**{f"{name}__gte": int(keys.min()), f"{name}__lte": int(keys.max())})
