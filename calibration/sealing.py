"""The database's own seal: triggers that refuse to change or delete what was measured.

Installed after every migrate, because rebuilding a table on SQLite drops its triggers without a
word. The audit trail is sealed alike. One thing only passes: while an erasure of personal data is
open in the same transaction (`fleet.models.Erasure`), the columns that may hold such data may be
changed, every other column of the row being as it was. The same triggers keep a sensor's
installations from overlapping (SQLite; PostgreSQL has an exclusion constraint for it, see the
fleet's migrations).
"""

from collections.abc import Mapping

from django.db.backends.base.base import BaseDatabaseWrapper

SEALED_TABLES = (
    "calibration_calibration",
    "calibration_calibrationpoint",
    "calibration_functionaltest",
    "calibration_setpointstep",
    "fleet_change",
    "fleet_erasure",
)
_WORDS = ("technician", "note", "supersede_reason", "words_salt", "words_digest")
# What an open erasure may change.
ERASABLE: Mapping[str, tuple[str, ...]] = {
    "calibration_calibration": _WORDS,
    "calibration_functionaltest": _WORDS,
    "fleet_change": ("before", "after"),
    "fleet_erasure": ("counts", "open"),
}
MESSAGE = "sealed: a recorded measurement is never changed or deleted; supersede it"

_OPEN = "EXISTS (SELECT 1 FROM fleet_erasure WHERE open)"
_POSTGRESQL_FUNCTIONS = (
    f"""
CREATE OR REPLACE FUNCTION spanbook_refuse() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN RAISE EXCEPTION '{MESSAGE}' USING ERRCODE = 'integrity_constraint_violation'; END $$
""",
    f"""
CREATE OR REPLACE FUNCTION spanbook_refuse_but_erasing() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  IF {_OPEN} AND to_jsonb(NEW) - TG_ARGV = to_jsonb(OLD) - TG_ARGV THEN RETURN NEW; END IF;
  RAISE EXCEPTION '{MESSAGE}' USING ERRCODE = 'integrity_constraint_violation';
END $$
""",
)


def _events(vendor: str) -> tuple[str, ...]:
    return ("update", "delete", "truncate") if vendor == "postgresql" else ("update", "delete")


def trigger_names(vendor: str) -> set[str]:
    """Return the names of the triggers that must be there."""
    return {f"{table}_no_{event}" for table in SEALED_TABLES for event in _events(vendor)}


def _postgresql(table: str, event: str) -> str:
    each = "STATEMENT" if event == "truncate" else "ROW"
    function = "spanbook_refuse()"
    if event == "update" and table in ERASABLE:
        columns = ", ".join(f"'{name}'" for name in ERASABLE[table])
        function = f"spanbook_refuse_but_erasing({columns})"
    return (
        f"CREATE OR REPLACE TRIGGER {table}_no_{event} BEFORE {event.upper()} ON {table} "
        f"FOR EACH {each} EXECUTE FUNCTION {function}"
    )


def _sqlite(connection: BaseDatabaseWrapper, table: str, event: str) -> str:
    when = ""
    if event == "update" and table in ERASABLE:
        with connection.cursor() as cursor:
            described = connection.introspection.get_table_description(cursor, table)
        kept = [each.name for each in described if each.name not in ERASABLE[table]]
        same = " AND ".join(f'OLD."{name}" IS NEW."{name}"' for name in kept)
        when = f"WHEN NOT ({_OPEN} AND {same}) "
    return (
        f"CREATE TRIGGER {table}_no_{event} BEFORE {event.upper()} ON {table} {when}"
        f"BEGIN SELECT RAISE(ABORT, '{MESSAGE}'); END"
    )


def install(connection: BaseDatabaseWrapper) -> None:
    """Create the triggers on this database, in the form that fits its tables now.

    A database that was migrated halfway, or back, has some of the tables only.
    """
    there = set(connection.introspection.table_names())
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            for function in _POSTGRESQL_FUNCTIONS:
                cursor.execute(function)
        for table in (each for each in SEALED_TABLES if each in there):
            for event in _events(connection.vendor):
                if connection.vendor == "postgresql":
                    cursor.execute(_postgresql(table, event))
                else:
                    cursor.execute(f"DROP TRIGGER IF EXISTS {table}_no_{event}")
                    cursor.execute(_sqlite(connection, table, event))


def loosen(connection: BaseDatabaseWrapper) -> None:
    """Take away, before a migration on SQLite, the triggers that name another table."""
    with connection.cursor() as cursor:
        for table in ERASABLE:
            cursor.execute(f"DROP TRIGGER IF EXISTS {table}_no_update")


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
