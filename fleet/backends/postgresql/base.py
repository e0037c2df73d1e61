"""PostgreSQL, told who acts by settings that end with the transaction."""

from typing import Any

from django.db.backends.postgresql import base

from fleet.acting import telling
from fleet.backends.told import Told

# The plan of what is prepared is kept: only statements whose parameters are keys are
# (`fleet.statements`), and to plan one of ten tables anew for each key, as the server would, takes
# longer than to answer it. A page read alone costs hardly more than the next one (but on a
# spinning disk); and no statement here lasts so long that to compile it would pay.
_PLANNING = """
SET plan_cache_mode = force_generic_plan;
SET random_page_cost = 1.1;
SET jit = off
"""


class DatabaseWrapper(Told, base.DatabaseWrapper):
    """Django's connection to PostgreSQL; see `fleet.acting`."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # Before any statement: a COPY, which no wrapper sees, comes after one.
        self.execute_wrappers.append(telling(self, writes_only=False))

    def init_connection_state(self) -> None:
        """Tell the server how to plan."""
        super().init_connection_state()
        assert self.connection is not None
        with self.wrap_database_errors:
            self.connection.execute(_PLANNING)

    def tell(self, user: int | None, via: str) -> None:
        """Set who acts, until the transaction ends."""
        assert self.connection is not None
        with self.wrap_database_errors:
            self.connection.execute(
                "SELECT set_config('spanbook.actor', %s, true), "
                "set_config('spanbook.via', %s, true)",
                ("" if user is None else str(user), via),
            )

    def _commit(self) -> None:
        self.told = None
        super()._commit()  # type: ignore[misc] # Django's, without types
