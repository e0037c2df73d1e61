"""The lookup `__among`: a column's value is one of many, given as one parameter.

`__in` writes one parameter a value, which for some thousands costs more than the query itself.
"""

import json
from dataclasses import dataclass
from typing import Any

from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models import Field, ForeignObject, Lookup
from django.db.models.sql.compiler import SQLCompiler


@dataclass(frozen=True)
class Keys:
    """Whole numbers as one text, separated by commas; nothing that Django would go through."""

    text: str


@ForeignObject.register_lookup
@Field.register_lookup
class Among(Lookup[Any]):
    """Keys (whole numbers or UUIDs) as an array on PostgreSQL, as a JSON list on SQLite.

    Very many whole numbers are better given as `Keys`: of a list, Django looks at each member.
    """

    lookup_name = "among"
    prepare_rhs = False

    def as_sql(
        self, compiler: SQLCompiler, connection: BaseDatabaseWrapper
    ) -> tuple[str, tuple[str | int, ...]]:
        """Return the condition."""
        column, params = self.process_lhs(compiler, connection)
        field = self.lhs.output_field
        if connection.vendor == "postgresql":
            several = self.rhs.text if isinstance(self.rhs, Keys) else ",".join(map(str, self.rhs))
            sql = f"{column} = ANY(%s::{field.db_type(connection)}[])"
            return sql, (*params, f"{{{several}}}")
        listed = f"[{self.rhs.text}]" if isinstance(self.rhs, Keys) else self._listed(connection)
        return f"{column} IN (SELECT value FROM json_each(%s))", (*params, listed)  # noqa: S608 # nosec B608

    def _listed(self, connection: BaseDatabaseWrapper) -> str:
        field = self.lhs.output_field
        return json.dumps([field.get_db_prep_value(each, connection) for each in self.rhs])
