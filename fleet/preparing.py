"""PostgreSQL only: a cursor that lets the server plan a statement once and keep the plan."""

from typing import Any, Self

from django.db.backends.postgresql.base import ServerBindingCursor


class PreparingCursor(ServerBindingCursor):
    """Django's cursor that leaves the parameters to the server, with every statement prepared."""

    def execute(self, query: Any, params: Any = None, **options: Any) -> Self:
        """Execute a statement that is the same each time but for its parameters."""
        super().execute(query, params, prepare=True, **options)  # type: ignore[misc] # psycopg's
        return self
