"""The database's own rule that a sensor is in one place at a time, and a place holds one sensor.

PostgreSQL holds it by exclusion constraints, SQLite by triggers. Both are installed after every
migrate, because rebuilding a table on SQLite drops its triggers without a word. A day on which one
installation ends and the next begins belongs to the later one.
"""

from django.db.backends.base.base import BaseDatabaseWrapper

TABLE = "fleet_installation"
MESSAGE = "installations overlap in time"
RULES = {
    "fleet_installation_sensor_overlap": ("sensor_id",),
    "fleet_installation_position_overlap": ("machine_id", "position"),
}


def install(connection: BaseDatabaseWrapper) -> None:
    """Create what is missing on this database."""
    if TABLE not in connection.introspection.table_names():
        return  # migrated halfway, or back
    if connection.vendor == "postgresql":
        _exclusions(connection)
    else:
        _triggers(connection)


def present(connection: BaseDatabaseWrapper) -> set[str]:
    """Return the names of the rules that this database holds."""
    query = (
        "SELECT conname FROM pg_constraint WHERE contype = 'x'"
        if connection.vendor == "postgresql"
        else "SELECT replace(name, '_insert', '') FROM sqlite_master WHERE type = 'trigger'"
    )
    with connection.cursor() as cursor:
        cursor.execute(query)
        return {name for (name,) in cursor.fetchall()} & set(RULES)


def _exclusions(connection: BaseDatabaseWrapper) -> None:
    missing = set(RULES) - present(connection)
    with connection.cursor() as cursor:
        if missing:
            cursor.execute("CREATE EXTENSION IF NOT EXISTS btree_gist")
        for name in sorted(missing):
            same = ", ".join(f"{column} WITH =" for column in RULES[name])
            cursor.execute(
                f"ALTER TABLE {TABLE} ADD CONSTRAINT {name} EXCLUDE USING gist "
                f"({same}, daterange(installed_on, removed_on) WITH &&)"
            )


def _triggers(connection: BaseDatabaseWrapper) -> None:
    with connection.cursor() as cursor:
        for name, columns in RULES.items():
            for event in ("insert", "update"):
                cursor.execute(_trigger(name, columns, event))


def _trigger(name: str, columns: tuple[str, ...], event: str) -> str:
    same = " AND ".join(f"o.{column} = NEW.{column}" for column in columns)
    # Put together from this module's own names only.
    clash = (
        f"SELECT 1 FROM {TABLE} o WHERE {same} AND o.id IS NOT NEW.id "  # noqa: S608 # nosec B608
        "AND NEW.installed_on < coalesce(o.removed_on, '9999-12-31') "
        "AND o.installed_on < coalesce(NEW.removed_on, '9999-12-31')"
    )
    return (
        f"CREATE TRIGGER IF NOT EXISTS {name}_{event} BEFORE {event.upper()} ON {TABLE} "
        f"WHEN EXISTS ({clash}) BEGIN SELECT RAISE(ABORT, '{MESSAGE}'); END"
    )
