"""The floor of the API's bench: psycopg and json alone, in a bare WSGI application.

It reads, by plain statements that the server prepares, every column that an answer is made from,
and writes the answer's JSON. Nothing is computed between the two: the answer is the one that the
API gave before (FLOOR_ANSWERS), so the floor is what the rows and the bytes cost. Nobody signs in.
A post stores the rows that a post to the API stores, copied from ones that are there.
"""

import json
import os
import secrets
import uuid
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import psycopg
from psycopg.types.json import Jsonb

_CALIBRATION = """
SELECT c.*, f.*, j.*, p.*, first.performed_at, previous.performed_at, later.id, m.name,
       m.reading_unit, d.due_on
FROM calibration_calibration c
JOIN fleet_sensor s ON s.id = c.sensor_id
JOIN fleet_sensormodel m ON m.id = s.model_id
LEFT JOIN calibration_duestate d ON d.sensor_id = s.id
LEFT JOIN calibration_fit f ON f.calibration_id = c.id
LEFT JOIN calibration_judgement j ON j.calibration_id = c.id
LEFT JOIN calibration_calibration previous ON previous.id = j.previous_id
LEFT JOIN calibration_fit p ON p.calibration_id = j.previous_id
LEFT JOIN calibration_calibration first ON first.id = j.first_id
LEFT JOIN calibration_calibration later ON later.supersedes_id = c.id
"""
_NEWEST = """
(SELECT n.id FROM calibration_calibration n WHERE n.sensor_id = s.id AND NOT EXISTS
 (SELECT 1 FROM calibration_calibration x WHERE x.supersedes_id = n.id)
 ORDER BY n.performed_at DESC, n.id DESC LIMIT 1)
"""
_POINTS = "SELECT calibration_id, load, reading, direction FROM calibration_calibrationpoint"
_FLAGS = "SELECT g.* FROM calibration_driftflag g"
_OWN = "WHERE c.sensor_id = %s ORDER BY c.performed_at, c.stage, c.id"
HISTORY = (
    (
        "SELECT s.*, m.name, d.code, u.* FROM fleet_sensor s JOIN fleet_sensormodel m"
        " ON m.id = s.model_id JOIN fleet_dealer d ON d.id = s.dealer_id LEFT JOIN"
        " calibration_duestate u ON u.sensor_id = s.id WHERE s.id = %s"
    ),
    f"{_CALIBRATION} {_OWN}",
    (
        f"{_POINTS} WHERE calibration_id IN (SELECT id FROM calibration_calibration WHERE"
        " sensor_id = %s) ORDER BY calibration_id, number"
    ),
    f"{_FLAGS} WHERE g.sensor_id = %s ORDER BY opened_at, id",
    (
        "SELECT i.*, m.serial, o.name, k.name, k.dealer_id FROM fleet_installation i JOIN"
        " fleet_machine m ON m.id = i.machine_id JOIN fleet_machinemodel o ON o.id = m.model_id"
        " JOIN fleet_customer k ON k.id = m.customer_id WHERE i.sensor_id = %s"
        " ORDER BY installed_on, i.id"
    ),
    "SELECT * FROM calibration_functionaltest WHERE sensor_id = %s ORDER BY performed_at, id",
)
_PAGE = (
    "SELECT s.*, m.name, d.code, u.due_on, c.performed_at, c.load_unit, c.reading_unit, f.slope,"
    " f.u_slope, f.offset, f.u_offset, j.season, j.verdict, c.id FROM"
    " (SELECT * FROM fleet_sensor {where} ORDER BY serial, id LIMIT 51) s"
    " JOIN fleet_sensormodel m ON m.id = s.model_id JOIN fleet_dealer d ON d.id = s.dealer_id"
    " LEFT JOIN calibration_duestate u ON u.sensor_id = s.id LEFT JOIN calibration_calibration c"
    f" ON c.id = {_NEWEST} LEFT JOIN calibration_fit f ON f.calibration_id = c.id LEFT JOIN"
    " calibration_judgement j ON j.calibration_id = c.id ORDER BY s.serial, s.id"
)
FIRST_PAGE = _PAGE.format(where="")
LATER_PAGE = _PAGE.format(where="WHERE (serial, id) > (%s, %s)")
_OPEN = f"{_FLAGS} WHERE g.status <> 'closed' AND g.sensor_id = ANY(%s)"
_SEATED = (
    "fleet_installation i JOIN fleet_machine w ON w.id = i.machine_id JOIN fleet_sensor s"
    " ON s.id = i.sensor_id WHERE w.customer_id = %s AND i.removed_on IS NULL"
)
SHEET = (
    (
        "SELECT k.*, d.* FROM fleet_customer k JOIN fleet_dealer d ON d.id = k.dealer_id WHERE"
        " k.id = %s"
    ),
    (
        "SELECT w.*, o.name, o.kind FROM fleet_machine w JOIN fleet_machinemodel o ON o.id ="
        " w.model_id WHERE w.customer_id = %s"
    ),
    (
        "SELECT i.machine_id, i.position, i.installed_on, s.*, m.name, m.rated_load, m.load_unit,"
        " m.reading_unit, u.due_on, u.decided_by FROM fleet_installation i JOIN fleet_machine w ON"
        " w.id = i.machine_id JOIN fleet_sensor s ON s.id = i.sensor_id JOIN fleet_sensormodel m"
        " ON m.id = s.model_id LEFT JOIN calibration_duestate u ON u.sensor_id = s.id WHERE"
        " w.customer_id = %s AND i.removed_on IS NULL"
    ),
    (
        "SELECT c.id, c.sensor_id, c.performed_at, c.reason, c.stage, c.load_unit, c.reading_unit,"
        " f.slope, f.offset, f.u_slope, f.u_slope_random, f.u_offset, f.covariance, j.verdict FROM"
        f" calibration_calibration c JOIN (SELECT {_NEWEST} AS id FROM {_SEATED}) n ON n.id = c.id"
        " LEFT JOIN calibration_fit f ON f.calibration_id = c.id LEFT JOIN calibration_judgement j"
        " ON j.calibration_id = c.id"
    ),
    (
        f"{_POINTS} WHERE calibration_id IN (SELECT {_NEWEST} FROM {_SEATED})"
        " ORDER BY calibration_id, number"
    ),
    f"{_FLAGS} WHERE g.status <> 'closed' AND g.sensor_id IN (SELECT s.id FROM {_SEATED})",
)
# The tables of a post and how the new row differs from the one that it is copied from.
_INSERTED = ("calibration_calibration", "calibration_calibrationpoint", "calibration_fit",
             "calibration_judgement")  # fmt: skip
_SETTLED = ("calibration_packedhistory", "calibration_duestate")

_connections: dict[int, "psycopg.Connection[Any]"] = {}


def _connection() -> "psycopg.Connection[Any]":
    """Return this worker's connection."""
    if os.getpid() not in _connections:
        made = psycopg.connect(os.environ["DATABASE_URL"], autocommit=True, prepare_threshold=0)
        _connections[os.getpid()] = made
    return _connections[os.getpid()]


def application(environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
    """Answer `/history`, `/page` and `/sheet`, and posts of one or of many."""
    asked = {name: values[0] for name, values in parse_qs(environ["QUERY_STRING"]).items()}
    path = environ["PATH_INFO"]
    if environ["REQUEST_METHOD"] == "POST":
        body = json.loads(environ["wsgi.input"].read(int(environ["CONTENT_LENGTH"])))
        answer = store(_connection(), body)
    elif path in READ:
        READ[path](_connection(), asked)
        answer = _answers()[asked["answer"]]
    else:
        start_response("404 Not Found", [("Content-Length", "0")])
        return [b""]
    content = json.dumps(answer, ensure_ascii=False, separators=(",", ":")).encode()
    head = [("Content-Type", "application/json"), ("Content-Length", str(len(content)))]
    start_response("200 OK", head)
    return [content]


_kept: dict[str, Any] = {}


def _answers() -> dict[str, Any]:
    if not _kept:
        _kept.update(json.loads(Path(os.environ["FLOOR_ANSWERS"]).read_text()))
    return _kept


def _all(connection: "psycopg.Connection[Any]", statements: Iterable[str], key: int) -> None:
    for statement in statements:
        connection.execute(statement, [key] * statement.count("%s")).fetchall()


def _page(connection: "psycopg.Connection[Any]", asked: dict[str, str]) -> None:
    if "serial" in asked:
        found = connection.execute(LATER_PAGE, [asked["serial"], int(asked["id"])])
    else:
        found = connection.execute(FIRST_PAGE)
    connection.execute(_OPEN, [[row[0] for row in found.fetchall()]]).fetchall()


READ: dict[str, Callable[["psycopg.Connection[Any]", dict[str, str]], None]] = {
    "/history": lambda connection, asked: _all(connection, HISTORY, int(asked["key"])),
    "/page": _page,
    "/sheet": lambda connection, asked: _all(connection, SHEET, int(asked["key"])),
}


def store(connection: "psycopg.Connection[Any]", body: list[dict[str, Any]]) -> dict[str, Any]:
    """Store a copy of the newest record of each sensor, with all that follows from it."""
    templates = [_template(connection, one["sensor"]) for one in body]
    with connection.transaction():
        cursor = connection.cursor()
        for place, table in enumerate(_INSERTED):
            rows = [row for made in templates for row in made[place]]
            names, _ = _templates[body[0]["sensor"]][place]
            marks = ", ".join(["%s"] * len(names))
            statement = f"INSERT INTO {table} ({', '.join(map(_quoted, names))}) VALUES ({marks})"
            cursor.executemany(statement, rows)
        for table, column in zip(_SETTLED, ("outcome", "due_on"), strict=True):
            cursor.executemany(
                f"UPDATE {table} SET {column} = {column} WHERE sensor_id = %s",
                [[one["sensor"]] for one in body],
            )
    return {"stored": len(templates)}


def _quoted(name: str) -> str:
    return f'"{name}"'


_Rows = list[tuple[Any, ...]]
_templates: dict[int, list[tuple[list[str], _Rows]]] = {}


def _template(connection: "psycopg.Connection[Any]", sensor: int) -> list[_Rows]:
    """Return the rows to insert: a sensor's newest ones, under a new key."""
    if sensor not in _templates:
        _templates[sensor] = [_copied(connection, table, sensor) for table in _INSERTED]
    new = {"id": uuid.uuid4(), "chain_number": 1000 + secrets.randbelow(2**30)}
    new["calibration_id"] = new["id"]
    return [
        [
            tuple(new.get(name, value) for name, value in zip(names, row, strict=True))
            for row in rows
        ]
        for names, rows in _templates[sensor]
    ]


def _given(connection: "psycopg.Connection[Any]", table: str) -> str:
    """The columns of a table that the database does not fill by itself."""
    rows = connection.execute(
        "SELECT column_name FROM information_schema.columns WHERE table_schema = 'public'"
        " AND table_name = %s AND is_generated = 'NEVER'"
        " AND (column_name <> 'id' OR table_name NOT LIKE '%%point') ORDER BY ordinal_position",
        [table],
    )
    return ", ".join(f'"{name}"' for (name,) in rows)


def _copied(
    connection: "psycopg.Connection[Any]", table: str, sensor: int
) -> tuple[list[str], _Rows]:
    newest = "(SELECT id FROM calibration_calibration WHERE sensor_id = %s AND chain_number < 1000"
    key = "id" if table == _INSERTED[0] else "calibration_id"
    names = _given(connection, table)
    cursor = connection.execute(
        f"SELECT {names} FROM {table} WHERE {key} = {newest} ORDER BY chain_number DESC LIMIT 1)",
        [sensor],
    )
    rows = [
        tuple(Jsonb(value) if isinstance(value, list) else value for value in row)
        for row in cursor.fetchall()
    ]
    return [column.name for column in cursor.description or ()], rows
