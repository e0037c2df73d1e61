"""The lookup `__among`: a column's value is one of many, given as one parameter.

`__in` writes one parameter a value, which for some thousands costs more than the query itself.
"""

import json
from typing import Any

from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models import Field, ForeignObject, Lookup
from django.db.models.sql.compiler import SQLCompiler


@ForeignObject.register_lookup
@Field.register_lookup
class Among(Lookup[Any]):
    """Keys (whole numbers or UUIDs) as an array on PostgreSQL, as a JSON list on SQLite."""

    lookup_name = "among"
    prepare_rhs = False

    def as_sql(
        self, compiler: SQLCompiler, connection: BaseDatabaseWrapper
    ) -> tuple[str, tuple[str | int, ...]]:
        """Return the condition."""
        column, params = self.process_lhs(compiler, connection)
        field = self.lhs.output_field
        if connection.vendor == "postgresql":
            several = f"{{{','.join(map(str, self.rhs))}}}"
            return f"{column} = ANY(%s::{field.db_type(connection)}[])", (*params, several)
        plain = [field.get_db_prep_value(each, connection) for each in self.rhs]
        listed = "SELECT value FROM json_each(%s)"
        return f"{column} IN ({listed})", (*params, json.dumps(plain))
