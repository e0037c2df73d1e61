"""The database's own seal: triggers that refuse to change or delete what was measured.

Installed after every migrate, because rebuilding a table on SQLite drops its triggers without a
word. The same triggers keep a sensor's installations from overlapping (SQLite; PostgreSQL has an
exclusion constraint for it, see the fleet's migrations).
"""

from django.db.backends.base.base import BaseDatabaseWrapper

SEALED_TABLES = (
    "calibration_calibration",
    "calibration_calibrationpoint",
    "calibration_functionaltest",
    "calibration_setpointstep",
)
MESSAGE = "sealed: a recorded measurement is never changed or deleted; supersede it"

_POSTGRESQL_FUNCTION = f"""
CREATE OR REPLACE FUNCTION spanbook_refuse() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN RAISE EXCEPTION '{MESSAGE}' USING ERRCODE = 'integrity_constraint_violation'; END $$
"""


def _events(vendor: str) -> tuple[str, ...]:
    return ("update", "delete", "truncate") if vendor == "postgresql" else ("update", "delete")


def trigger_names(vendor: str) -> set[str]:
    """Return the names of the triggers that must be there."""
    return {f"{table}_no_{event}" for table in SEALED_TABLES for event in _events(vendor)}


def _creation(table: str, event: str, vendor: str) -> str:
    name = f"{table}_no_{event}"
    if vendor == "postgresql":
        each = "STATEMENT" if event == "truncate" else "ROW"
        return (
            f"CREATE OR REPLACE TRIGGER {name} BEFORE {event.upper()} ON {table} "
            f"FOR EACH {each} EXECUTE FUNCTION spanbook_refuse()"
        )
    return (
        f"CREATE TRIGGER IF NOT EXISTS {name} BEFORE {event.upper()} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, '{MESSAGE}'); END"
    )


def install(connection: BaseDatabaseWrapper) -> None:
    """Create the triggers that are missing on this database."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(_POSTGRESQL_FUNCTION)
        for table in SEALED_TABLES:
            for event in _events(connection.vendor):
                cursor.execute(_creation(table, event, connection.vendor))


def present(connection: BaseDatabaseWrapper) -> set[str]:
    """Return the names of our triggers that this database has and obeys."""
    query = (
        "SELECT tgname FROM pg_trigger WHERE tgenabled IN ('O', 'A')"
        if connection.vendor == "postgresql"
        else "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    )
    with connection.cursor() as cursor:
        cursor.execute(query)
        return {name for (name,) in cursor.fetchall()} & trigger_names(connection.vendor)
