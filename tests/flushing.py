"""How a transactional test empties sealed tables afterwards."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from django.db import connection

from calibration import sealing
from fleet import auditing


@contextmanager
def unsealed() -> Iterator[None]:
    """Let Django's flush empty all tables; what it calls after puts the seals on again."""
    operations = type(connection.ops)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            operations, "execute_sql_flush", _without_seals(operations.execute_sql_flush)
        )
        yield


def _without_seals(original: Callable[..., Any]) -> Callable[..., Any]:
    def flush(ops: Any, sql_list: list[str]) -> Any:
        with connection.cursor() as cursor:
            for name in sorted(sealing.present(connection)):
                table = name.rsplit("_no_", 1)[0]
                where = f" ON {table}" if connection.vendor == "postgresql" else ""
                cursor.execute(f"DROP TRIGGER {name}{where}")
        auditing.remove(connection)
        if connection.vendor == "postgresql":
            # The token package's own table is swapped out, but it is there and refers to ours.
            sql_list = [
                sql.rstrip(";") + " CASCADE;" if sql.startswith("TRUNCATE") else sql
                for sql in sql_list
            ]
        return original(ops, sql_list)

    return flush
