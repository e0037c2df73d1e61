"""PostgreSQL only: a cursor that lets the server plan a statement once and keep the plan."""

from typing import Any, Self

from django.db.backends.postgresql.base import ServerBindingCursor


class PreparingCursor(ServerBindingCursor):
    """Django's cursor that leaves the parameters to the server, with every statement prepared.

    Django turns preparing off on its connections, also for whoever asks for it. So it is turned on
    for as long as a statement of ours is sent: where it stays on, psycopg keeps the text of other
    statements too, which Django sends with all their values.
    """

    def execute(self, query: Any, params: Any = None, **options: Any) -> Self:
        """Execute a statement that is the same each time but for its parameters."""
        connection: Any = self.connection  # type: ignore[attr-defined] # psycopg's
        connection.prepare_threshold = 0
        try:
            super().execute(query, params, prepare=True, **options)  # type: ignore[misc] # psycopg's
        finally:
            connection.prepare_threshold = None
        return self

    def _send_query_prepared(self, name: bytes, pgq: Any, **options: Any) -> None:
        self._query = pgq  # Django's log of queries asks; psycopg notes only what is not prepared
        super()._send_query_prepared(name, pgq, **options)  # type: ignore[misc] # psycopg's
