"""Triggers that write every change of a table into `fleet_change`, whoever makes it and how.

On PostgreSQL they run once a statement and write all its rows at once, so that an import of
thousands costs one more statement; on SQLite once a row. A change keeps the columns that differ,
an entered or removed row all of them. Installed after every migrate, because rebuilding a table on
SQLite drops its triggers without a word. What is derived (fits, judgements, due days, packs, runs)
is not audited: it can be computed again. Sealed records are their own log.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from django.db.backends.base.base import BaseDatabaseWrapper

EVENTS = ("insert", "update", "delete")
_NULL = "NULL"
# As Django writes a moment, which it compares as text: six digits, or no fraction at all.
_SQLITE_NOW = "replace(strftime('%Y-%m-%d %H:%M:%f', 'now') || '000', '.000000', '')"
_NAMES = (
    'at, actor_id, via, what, "table", "row", before, after, '
    "dealer_id, customer_id, machine_id, sensor_id"
)


@dataclass(frozen=True)
class Audited:
    """A table whose changes are written down.

    Attributes
    ----------
    dealer, customer, machine, sensor
        SQL for the keys of those whom a row concerns, with `{r}` for the row.
    secret
        Columns of which only that they changed is written down.
    silent
        Columns whose change alone is nothing to write down.
    derived
        Columns that follow from the others, and are not written down.
    watched
        Where given: only a change of these is written down, entering and removing are not.
    key, shown
        The primary key, and the column that is written down for it.
    """

    table: str
    dealer: str = _NULL
    customer: str = _NULL
    machine: str = _NULL
    sensor: str = _NULL
    secret: tuple[str, ...] = ()
    silent: tuple[str, ...] = ()
    derived: tuple[str, ...] = ()
    watched: tuple[str, ...] = ()
    key: str = "id"
    shown: str = "id"

    @property
    def events(self) -> tuple[str, ...]:
        """What is written down."""
        return ("update",) if self.watched else EVENTS

    def keys(self, row: str) -> str:
        """Return SQL for the keys of those whom a row concerns."""
        each = (self.dealer, self.customer, self.machine, self.sensor)
        return ", ".join(sql.format(r=row) for sql in each)


_CUSTOMERS_DEALER = "(SELECT c.dealer_id FROM fleet_customer c WHERE c.id = {r}.customer_id)"
_SENSORS_DEALER = "(SELECT s.dealer_id FROM fleet_sensor s WHERE s.id = {r}.sensor_id)"
TABLES = (
    Audited("fleet_dealer", dealer="{r}.id"),
    Audited("fleet_user", secret=("password",), silent=("last_login",)),
    Audited("fleet_accesstoken", secret=("digest", "token_key"), silent=("expiry",),
            key="digest", shown="user_id"),
    Audited("fleet_membership", dealer="{r}.dealer_id"),
    Audited(
        "fleet_customer", dealer="{r}.dealer_id", customer="{r}.id", derived=("search",)
    ),
    Audited("fleet_machinemodel"),
    Audited(
        "fleet_machine", dealer=_CUSTOMERS_DEALER, customer="{r}.customer_id", machine="{r}.id",
        derived=("search",),
    ),
    Audited("fleet_sensormodel"),
    Audited("fleet_sensor", dealer="{r}.dealer_id", sensor="{r}.id"),
    Audited(
        "fleet_installation", dealer=_SENSORS_DEALER, machine="{r}.machine_id",
        sensor="{r}.sensor_id",
    ),
    Audited("fleet_blackout", dealer=_CUSTOMERS_DEALER, customer="{r}.customer_id"),
    Audited(
        "fleet_dayoff",
        dealer="(SELECT m.dealer_id FROM fleet_membership m WHERE m.id = {r}.membership_id)",
    ),
)  # fmt: skip


def trigger_names(tables: Sequence[Audited]) -> set[str]:
    """Return the names of the triggers that must be there."""
    return {f"{each.table}_audit_{event}" for each in tables for event in each.events}


def present(connection: BaseDatabaseWrapper) -> dict[str, str]:
    """Return the audit triggers that this database has and obeys, each with its table."""
    query = (
        "SELECT tgname, relname FROM pg_trigger JOIN pg_class ON pg_class.oid = tgrelid "
        "WHERE tgenabled IN ('O', 'A') AND NOT tgisinternal"
        if connection.vendor == "postgresql"
        else "SELECT name, tbl_name FROM sqlite_master WHERE type = 'trigger'"
    )
    with connection.cursor() as cursor:
        cursor.execute(query)
        return {name: table for name, table in cursor.fetchall() if "_audit_" in name}


def install(connection: BaseDatabaseWrapper, tables: Sequence[Audited]) -> None:
    """Create the triggers, in the form that fits the tables as they are now.

    A database that was migrated halfway, or back, has some of the tables only.
    """
    there = set(connection.introspection.table_names())
    if "fleet_change" not in there:
        remove(connection)
        return
    for each in tables:
        if each.table not in there:
            continue
        columns = [name for name in _columns(connection, each.table) if name not in each.derived]
        with connection.cursor() as cursor:
            for event in each.events:
                if connection.vendor == "postgresql":
                    for statement in _postgresql(each, event):
                        cursor.execute(statement)
                else:
                    cursor.execute(f"DROP TRIGGER IF EXISTS {each.table}_audit_{event}")
                    cursor.execute(_sqlite(each, event, columns))


def remove(connection: BaseDatabaseWrapper) -> None:
    """Take all of them away: for tests that empty tables."""
    with connection.cursor() as cursor:
        for name, table in present(connection).items():
            where = f" ON {table}" if connection.vendor == "postgresql" else ""
            cursor.execute(f"DROP TRIGGER {name}{where}")


def _columns(connection: BaseDatabaseWrapper, table: str) -> list[str]:
    with connection.cursor() as cursor:
        found = connection.introspection.get_table_description(cursor, table)
    return [each.name for each in found]


# All of the following is put together from this module's own names only.
def _postgresql(each: Audited, event: str) -> list[str]:
    name = f"{each.table}_audit_{event}"
    transition = {
        "insert": "NEW TABLE AS made",
        "update": "OLD TABLE AS past NEW TABLE AS made",
        "delete": "OLD TABLE AS past",
    }[event]
    row = "made" if event == "insert" else "past"
    images, source = _images(each, event), _source(each, event)
    function = (
        f"CREATE OR REPLACE FUNCTION spanbook_{name}() RETURNS trigger LANGUAGE plpgsql AS $$ "  # nosec B608
        f"BEGIN INSERT INTO fleet_change ({_NAMES}) SELECT clock_timestamp(), "
        "nullif(current_setting('spanbook.actor', true), '')::bigint, "
        f"coalesce(current_setting('spanbook.via', true), ''), '{event}', '{each.table}', "
        f"{row}.{each.shown}::text, {images}, {each.keys(row)} {source}; RETURN NULL; END $$"
    )
    trigger = (
        f"CREATE OR REPLACE TRIGGER {name} AFTER {event.upper()} ON {each.table} "
        f"REFERENCING {transition} FOR EACH STATEMENT EXECUTE FUNCTION spanbook_{name}()"
    )
    return [function, trigger]


def _row(each: Audited, row: str) -> str:
    """Return a row as JSON, without what is derived."""
    return f"(to_jsonb({row}) - '{{{','.join(each.derived)}}}'::text[])"


def _hidden(each: Audited, row: str) -> str:
    """Return a row's image, in which a secret column says only that it is there."""
    image = _row(each, row)
    for name in each.secret:
        image = f"jsonb_set({image}, '{{{name}}}', '\"(secret)\"')"
    return image


def _images(each: Audited, event: str) -> str:
    if event == "insert":
        return f"NULL, {_hidden(each, 'made')}"
    if event == "delete":
        return f"{_hidden(each, 'past')}, NULL"
    return "diff.before, diff.after"


def _source(each: Audited, event: str) -> str:
    if event != "update":
        return "FROM made" if event == "insert" else "FROM past"
    hide = "".join(f"WHEN o.key = '{name}' THEN '\"(secret)\"'::jsonb " for name in each.secret)
    old, new = (
        f"jsonb_object_agg(o.key, CASE {hide}WHEN true THEN {side}.value END)"
        for side in ("o", "n")
    )
    quiet = ", ".join(f"'{name}'" for name in each.silent) or "''"
    watched = (
        " HAVING bool_or(o.key IN (" + ", ".join(f"'{name}'" for name in each.watched) + "))"
        if each.watched
        else f" HAVING bool_or(o.key NOT IN ({quiet}))"
    )
    return (
        f"FROM past JOIN made ON made.{each.key} = past.{each.key} CROSS JOIN LATERAL ("  # noqa: S608 # nosec B608
        f"SELECT {old} AS before, {new} AS after FROM jsonb_each({_row(each, 'past')}) o "
        f"JOIN jsonb_each({_row(each, 'made')}) n ON n.key = o.key "
        f"WHERE n.value IS DISTINCT FROM o.value{watched}) diff WHERE diff.before IS NOT NULL"
    )


def _sqlite(each: Audited, event: str, columns: Sequence[str]) -> str:
    row = "NEW" if event == "insert" else "OLD"
    if event == "update":
        before, after = (_sqlite_diff(each, columns, side) for side in ("OLD", "NEW"))
        noticed = each.watched or [name for name in columns if name not in each.silent]
        when = "WHEN " + " OR ".join(f'OLD."{name}" IS NOT NEW."{name}"' for name in noticed) + " "
    else:
        image = _sqlite_image(each, columns, row)
        before, after = (_NULL, image) if event == "insert" else (image, _NULL)
        when = ""
    return (
        f"CREATE TRIGGER {each.table}_audit_{event} AFTER {event.upper()} ON {each.table} {when}"  # noqa: S608 # nosec B608
        f"BEGIN INSERT INTO fleet_change ({_NAMES}) VALUES ("
        f"{_SQLITE_NOW}, (SELECT actor_id FROM fleet_acting WHERE id = 1), "
        f"coalesce((SELECT via FROM fleet_acting WHERE id = 1), ''), '{event}', '{each.table}', "
        f"CAST({row}.{each.shown} AS TEXT), {before}, {after}, {each.keys(row)}); END"
    )


def _sqlite_value(each: Audited, name: str, side: str) -> str:
    return "'(secret)'" if name in each.secret else f'{side}."{name}"'


def _sqlite_image(each: Audited, columns: Sequence[str], side: str) -> str:
    pairs = ", ".join(f"'{name}', {_sqlite_value(each, name, side)}" for name in columns)
    return f"json_object({pairs})"


def _sqlite_diff(each: Audited, columns: Sequence[str], side: str) -> str:
    differing = " UNION ALL ".join(
        f"SELECT '{name}' AS k, {_sqlite_value(each, name, side)} AS v "  # nosec B608
        f'WHERE OLD."{name}" IS NOT NEW."{name}"'
        for name in columns
    )
    return f"(SELECT json_group_object(k, v) FROM ({differing}))"  # noqa: S608 # nosec B608
