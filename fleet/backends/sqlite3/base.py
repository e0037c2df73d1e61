"""SQLite, told who acts by a row that lives as long as the transaction."""

from typing import Any

from django.db.backends.sqlite3 import base
from django.db.utils import OperationalError

from fleet.acting import telling
from fleet.backends.told import Told

TABLE = "fleet_acting"
_ABSENT = f"no such table: {TABLE}"


class DatabaseWrapper(Told, base.DatabaseWrapper):
    """Django's connection to SQLite; see `fleet.acting`."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.execute_wrappers.append(telling(self, writes_only=True))

    def tell(self, user: int | None, via: str) -> None:
        """Write the row; before the migration that makes its table there is nothing to tell."""
        self._directly(
            f"INSERT INTO {TABLE} (id, actor_id, via) VALUES (1, ?, ?) "  # noqa: S608 # nosec B608
            "ON CONFLICT (id) DO UPDATE SET actor_id = excluded.actor_id, via = excluded.via",
            (user, via),
        )

    def _directly(self, sql: str, params: tuple[Any, ...] = ()) -> None:
        assert self.connection is not None
        try:
            with self.wrap_database_errors:
                self.connection.execute(sql, params)
        except OperationalError as wrong:
            if _ABSENT not in str(wrong):
                raise

    def _commit(self) -> None:
        if self.told is not None and self.connection is not None:
            self._directly(f"DELETE FROM {TABLE}")  # noqa: S608 # nosec B608
            self.told = None
        super()._commit()  # type: ignore[misc] # Django's, without types
