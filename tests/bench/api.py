"""The bench of the API: five answers and a post, each beside the same with psycopg and json alone.

Run ``python -m tests.bench.api`` (``--sensors 10000``, 100000 or 1000000). It fills a PostgreSQL
database of its own with the invented fleet (`api_fleet`), serves it with two sync workers of
gunicorn, asks over loopback with one client, in turns with the floor (`api_floor`): a bare WSGI
application under the same server, that reads the rows and writes the JSON of the same answers. At
last a mixed load at saturation. Medians; client, servers and database share the machine, so the
ratios count. The last line is one JSON object.
"""

import argparse
import json
import random
import tempfile
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import psycopg

from tests.bench import scan_database
from tests.bench.api_asking import Client, Load, Request, mixed, turns
from tests.bench.api_fleet import Asked, prepare
from tests.bench.api_server import APPLICATION, FLOOR, Server, serving
from tests.bench.scan_readings import Fleet

V1 = "/api/v1"
PAGE, DEEP, BATCH, CLIENTS = 50, 4000, 1000, 8


@dataclass(frozen=True)
class Measured:
    """Medians [s]: ours and the floor's, and what the load came to."""

    history: tuple[float, float]
    fleet: tuple[float, float]
    sheet: tuple[float, float]
    deep: tuple[float, float]
    post: tuple[float, float]
    batch: tuple[float, float]  # for each calibration
    load: Load
    grown_mb: float
    page: int
    sizes: dict[str, int]


def main() -> None:
    """Fill, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sensors", type=int, default=10_000)
    parser.add_argument("--database", metavar="URL", default=_default())
    parser.add_argument("--times", type=int, default=200, help="how often each is asked")
    parser.add_argument("--seconds", type=float, default=60.0, help="of mixed load")
    parser.add_argument("--keep", action="store_true", help="leave the database for a look")
    asked = parser.parse_args()
    try:
        fleet = Fleet(asked.sensors, today=datetime.now(UTC).date())
        known = prepare(asked.database, fleet)
        measured = measure(asked.database, known, times=asked.times, seconds=asked.seconds)
    finally:
        if not asked.keep:
            scan_database.drop(asked.database)
    print("\n".join(table(known, measured)))
    print(json.dumps(figures(measured)))


def _default() -> str:
    return scan_database.named(scan_database.default_url(), "spanbook_bench_api")


def measure(url: str, known: Asked, *, times: int, seconds: float) -> Measured:
    """Ask everything of a database that is filled."""
    with tempfile.TemporaryDirectory() as folder, serving(url, APPLICATION) as server:
        ours = Client(server.port, known.token)
        last = _place_of(url, known.sensors)
        paths = {
            "history": f"{V1}/sensors/{known.sensor}/history/",
            "page": f"{V1}/sensors/?page_size={PAGE}",
            "sheet": f"{V1}/customers/{known.customer}/visit-sheet/",
        }
        paths["deep"] = f"{paths['page']}&cursor={_cursor(ours, paths['page'], last)}"
        contents = {name: ours.good("GET", path) for name, path in paths.items()}
        kept = Path(folder) / "answers.json"
        kept.write_text(json.dumps({name: json.loads(said) for name, said in contents.items()}))
        with serving(url, FLOOR, {"FLOOR_ANSWERS": str(kept)}) as beneath:
            floor = Client(beneath.port)

            def pair(name: str, floors: str) -> tuple[float, float]:
                return turns(
                    lambda _: ours.good("GET", paths[name]),
                    lambda _: floor.good("GET", floors),
                    times,
                )

            found = {
                "history": pair("history", f"/history?answer=history&key={known.sensor}"),
                "fleet": pair("page", "/page?answer=page"),
                "sheet": pair("sheet", f"/sheet?answer=sheet&key={known.customer}"),
                "deep": turns(
                    lambda _: ours.good("GET", paths["deep"]),
                    lambda _: ours.good("GET", paths["page"]),
                    times,
                ),
                "post": _posts(url, known, ours, floor, times),
                "batch": _batches(url, known, ours, floor),
            }
        load, grown = _load(url, known, server, paths, seconds)
    return Measured(
        **found, load=load, grown_mb=grown, page=last // PAGE,
        sizes={name: len(said) for name, said in contents.items()},
    )  # fmt: skip


# ── Pages ─────────────────────────────────────────────────────────────────────
def _place_of(url: str, sensors: int) -> int:
    """Return after which row the 4,000th page begins, or the last full one."""
    return min((DEEP - 1) * PAGE, (sensors - 1) // PAGE * PAGE - PAGE)


def _cursor(client: Client, first: str, place: int) -> str:
    """Walk there in large steps, and return the cursor that the API gives for it."""
    size = 500 if place >= 500 else PAGE
    address = first.replace(f"page_size={PAGE}", f"page_size={size}")
    for step in range(size, place + 1, size):
        address = json.loads(client.good("GET", _local(address)))["next"]
        at = step
    while at < place:
        address = json.loads(client.good("GET", _local(_sized(address))))["next"]
        at += PAGE
    return dict(parse_qsl(urlsplit(address).query))["cursor"]


def _sized(address: str) -> str:
    return address.replace("page_size=500", f"page_size={PAGE}")


def _local(address: str) -> str:
    parts = urlsplit(address)
    return f"{parts.path}?{parts.query}"


# ── Posts ─────────────────────────────────────────────────────────────────────
def bodies(url: str, sensors: list[int]) -> list[dict[str, Any]]:
    """Return a new calibration of each sensor: its newest readings, taken again an hour later."""
    with psycopg.connect(url) as connection:
        rows = connection.execute(
            "SELECT DISTINCT ON (c.sensor_id) c.sensor_id, c.performed_at, c.load_unit,"
            " c.reading_unit, CASE WHEN r.dealer_id = s.dealer_id THEN c.reference_id END,"
            " (SELECT json_agg(json_build_object('load', p.load, 'reading', p.reading,"
            " 'direction', p.direction) ORDER BY p.number) FROM calibration_calibrationpoint p"
            " WHERE p.calibration_id = c.id) FROM calibration_calibration c JOIN fleet_sensor s"
            " ON s.id = c.sensor_id LEFT JOIN calibration_referencestandard r"
            " ON r.id = c.reference_id WHERE c.sensor_id = ANY(%s) AND c.chain_number < 1000"
            " ORDER BY c.sensor_id, c.performed_at DESC",
            [sensors],
        ).fetchall()
    return [
        {
            "id": str(uuid.uuid4()), "sensor": sensor, "reference": reference,
            "performed_at": (moment + timedelta(hours=1)).isoformat(), "load_unit": load_unit,
            "reading_unit": reading_unit, "points": points,
        }
        for sensor, moment, load_unit, reading_unit, reference, points in rows if _rise(points)
    ]  # fmt: skip


def _rise(points: list[dict[str, Any]]) -> bool:
    """Whether readings rise with the load; those of a planted slip may not, and are refused."""
    by_load = sorted(points, key=lambda point: point["load"])
    return bool(by_load[0]["reading"] < by_load[-1]["reading"])


def _posts(url: str, known: Asked, ours: Client, floor: Client, times: int) -> tuple[float, float]:
    most = min(len(known.ours), len(known.floors))
    times = min(times, most // 2)
    begun = max(2, times // 10)
    new = bodies(url, known.ours[: times + begun])
    return turns(
        lambda number: ours.good("POST", f"{V1}/calibrations/", new[number + begun]),
        lambda number: floor.good("POST", "/post", [{"sensor": known.floors[number + begun]}]),
        times,
    )


def _batches(url: str, known: Asked, ours: Client, floor: Client) -> tuple[float, float]:
    """Return the time for each calibration of a batch, the median of three batches."""
    size = min(BATCH, len(known.ours) // 2, len(known.floors))
    new = [bodies(url, known.ours[-size:]) for _ in range(5)]
    for hours, some in enumerate(new, start=1):
        for one in some:
            moment = datetime.fromisoformat(one["performed_at"]) + timedelta(hours=hours)
            one["performed_at"] = moment.isoformat()

    def post(number: int) -> None:
        said = json.loads(ours.good("POST", f"{V1}/calibrations/batch/", new[number + 2]))
        assert said["stored"] == size, said["results"][0]

    beneath = [{"sensor": sensor} for sensor in known.floors[:size]]
    found = turns(post, lambda _: floor.good("POST", "/batch", beneath), 3)
    return found[0] / size, found[1] / size


# ── Load ──────────────────────────────────────────────────────────────────────
def _load(
    url: str, known: Asked, server: Server, paths: dict[str, str], seconds: float
) -> tuple[Load, float]:
    """Ask for everything in a mixture, and return how much the workers' memory grew meanwhile."""
    new = iter(bodies(url, known.ours[: len(known.ours) // 2]))

    def post(_: random.Random) -> Request:
        body = next(new, None)
        return ("POST", f"{V1}/calibrations/", body) if body else ("GET", paths["page"], None)

    def one(pattern: str) -> Callable[[random.Random], Request]:
        return lambda dice: ("GET", V1 + pattern.format(dice.choice(known.ours)), None)

    mixture = [
        (30, one("/sensors/{}/history/")), (25, lambda _: ("GET", paths["page"], None)),
        (10, lambda _: ("GET", paths["deep"], None)), (10, one("/sensors/{}/")),
        (10, lambda _: ("GET", f"{V1}/flags/", None)), (10, post),
        (5, lambda _: ("GET", paths["sheet"], None)),
    ]  # fmt: skip
    # Rings of objects are looked for now and then: as long as this, memory is not what it will be.
    mixed(server.port, known.token, mixture, clients=CLIENTS, seconds=seconds)
    before = server.memory_mb()
    load = mixed(server.port, known.token, mixture, clients=CLIENTS, seconds=seconds)
    return load, server.memory_mb() - before


# ── What it says ──────────────────────────────────────────────────────────────
def figures(found: Measured) -> dict[str, Any]:
    """Return what the last line says."""
    ratios = {
        "history_vs_floor": found.history, "fleet_vs_floor": found.fleet,
        "visit_sheet_vs_floor": found.sheet, "deep_page_vs_first": found.deep,
        "post_vs_inserts": found.post,
    }  # fmt: skip
    return {
        **{name: round(ours / floor, 3) for name, (ours, floor) in ratios.items()},
        "batch_ms": round(1000 * found.batch[0], 3),
        "errors": len(found.load.errors),
        "p99_vs_p50": round(found.load.quantile(0.99) / found.load.quantile(0.5), 2),
        "memory_grown_mb": round(found.grown_mb, 1),
        "requests": len(found.load.seconds),
        "page": found.page,
    }


def table(known: Asked, found: Measured) -> list[str]:
    """Return the lines of the table."""
    rows = [
        (f"history, 20 calibrations with points, {found.sizes['history']:,} bytes", found.history),
        (f"fleet page of {PAGE}, {found.sizes['page']:,} bytes", found.fleet),
        (f"visit sheet, {found.sizes['sheet']:,} bytes", found.sheet),
        (f"page {found.page + 1:,} of {PAGE}, beside the first", found.deep),
        ("post one calibration, beside its inserts", found.post),
        ("batch, for each calibration, beside its inserts", found.batch),
    ]
    lines = [f"{known.sensors:,} sensors", f"{'':52s} {'ms':>8s} {'floor':>8s} {'ratio':>6s}"]
    lines += [
        f"{label:52s} {1000 * ours:8.2f} {1000 * floor:8.2f} {ours / floor:6.2f}"
        for label, (ours, floor) in rows
    ]
    load = found.load
    lines.append(
        f"mixed load of {CLIENTS} clients: {len(load.seconds):,} requests, "
        f"{len(load.errors)} errors, "
        f"p50 {1000 * load.quantile(0.5):.1f} ms, p99 {1000 * load.quantile(0.99):.1f} ms, "
        f"memory grown by {found.grown_mb:.1f} MB"
    )
    return [*lines, *load.errors[:5], ""]


if __name__ == "__main__":
    main()
