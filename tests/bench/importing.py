"""`python -m tests.bench.import`: a record file of 100,000 calibrations against a raw COPY.

Needs PostgreSQL (DATABASE_URL); works in a scratch database of its own. An invented fleet is
written as a CSV (and, with `--xlsx`, as a workbook) and loaded by `load_file`, as `load_records`
does it: every customer, machine, sensor and installation is new, or, with `--known`, there
already. What it stored is then copied out, and copied by raw COPY into the same tables, emptied
in a transaction that is rolled back: indexes, foreign keys and seals included.

Seconds are wall clock; beside them the processor's seconds of this process and of its database
server process, which say more on a machine that others use too.
"""

import argparse
import json
import os
import resource
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest.mock import patch

TABLES = ("calibration_calibration", "calibration_calibrationpoint")
STAGES = ("parse", "register", "validate+seal", "store", "judge", "rest")


@dataclass
class Spent:
    """Wall clock and processor seconds; of this process and the database's."""

    wall: float = 0.0
    cpu: float = 0.0

    def __add__(self, other: "Spent") -> "Spent":
        return Spent(self.wall + other.wall, self.cpu + other.cpu)

    def __sub__(self, other: "Spent") -> "Spent":
        return Spent(self.wall - other.wall, self.cpu - other.cpu)


@dataclass
class Stopwatch:
    """Where the time goes: a stage within another is not counted twice."""

    server: int
    spent: dict[str, Spent] = field(default_factory=lambda: defaultdict(Spent))
    _open: list[str] = field(default_factory=list)
    _since: Spent = field(default_factory=Spent)

    def now(self) -> Spent:
        ticks = Path(f"/proc/{self.server}/stat").read_text().rpartition(")")[2].split()[11:13]
        server = sum(map(int, ticks)) / os.sysconf("SC_CLK_TCK")
        return Spent(time.perf_counter(), time.process_time() + server)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        self._switch()
        self._open.append(name)
        try:
            yield
        finally:
            self._switch()
            self._open.pop()

    def _switch(self) -> None:
        now = self.now()
        if self._open:
            self.spent[self._open[-1]] += now - self._since
        self._since = now

    def timed(self, name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def run(*args: Any, **options: Any) -> Any:
            with self.stage(name):
                return call(*args, **options)

        return run


@contextmanager
def _watched(watch: Stopwatch) -> Iterator[None]:
    """Time the stages of a load from outside; the product knows nothing of it."""
    from calibration.importing import batching, loading
    from calibration.ledger import Ledger

    whole = {
        (loading.Reader, "records"): "parse",
        (loading, "Register"): "register",
        (loading, "_existing"): "register",
        (batching.Batch, "store"): "register",
        (batching, "seal_locked"): "validate+seal",
        (Ledger, "write"): "store",
        (loading._Run, "judge"): "judge",
    }
    with ExitStack() as patches:
        for (owner, name), stage in whole.items():
            call = getattr(owner, name)
            patches.enter_context(patch.object(owner, name, watch.timed(stage, call)))
        yield


def load(path: Path, *, dry_run: bool = False) -> tuple[Any, Stopwatch]:
    """Load a file and return its result and where the time went."""
    from django.db import connection
    from django.utils import timezone

    from calibration.importing import load_file
    from fleet.scope import Scope
    from tests.bench.importing_fleet import register

    dealer = register(make=False)
    watch = Stopwatch(_server(connection))
    with path.open("rb") as content, _watched(watch), watch.stage("rest"):
        result = load_file(
            content, dealer=dealer, scope=Scope.system(), now=timezone.now(), dry_run=dry_run
        )
    if result.refused or result.unjudged:
        raise SystemExit(f"the invented fleet is refused: {result.reasons[:3]}")
    return result, watch


def _server(connection: Any) -> int:
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_backend_pid()")
        return int(cursor.fetchone()[0])


def raw_copy() -> Spent:
    """COPY the stored calibrations and points, as prepared text, into the same tables, empty."""
    from django.db import connection, transaction

    names = {table: _columns(table) for table in TABLES}
    with transaction.atomic(), connection.cursor() as cursor:
        prepared = {}
        for table in TABLES:
            cursor.execute("SET LOCAL work_mem = '256MB'")
            with cursor.copy(f"COPY {table} ({names[table]}) TO STDOUT") as out:
                prepared[table] = b"".join(out)
        cursor.execute("SET LOCAL session_replication_role = replica")
        cursor.execute(f"TRUNCATE {', '.join(TABLES)} CASCADE")
        cursor.execute("SET LOCAL session_replication_role = origin")
        watch = Stopwatch(_server(connection))
        with watch.stage("copy"):
            for table in TABLES:
                with cursor.copy(f"COPY {table} ({names[table]}) FROM STDIN") as into:
                    into.write(prepared[table])
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")  # the foreign keys
        transaction.set_rollback(True)
    return watch.spent["copy"]


def _columns(table: str) -> str:
    from calibration.models import Calibration, CalibrationPoint

    model = {each._meta.db_table: each for each in (Calibration, CalibrationPoint)}[table]
    fields = [each.column for each in model._meta.concrete_fields]
    return ", ".join(name for name in fields if model is Calibration or name != "id")


def measure(path: Path) -> dict[str, Any]:
    """Load a file that is not loaded yet, and COPY what it stored."""
    result, watch = load(path)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    whole = sum(watch.spent.values(), Spent())
    copied = raw_copy()
    rows: list[tuple[str, Spent]] = [("raw COPY", copied)]
    rows += [(stage, watch.spent[stage]) for stage in STAGES]
    rows += [("load_records whole", whole)]
    print(f"\n{path.name}: {result.totals()}")
    print(f"{'':20}{'s':>9}{'records/s':>12}{'/ COPY':>9}{'cpu s':>9}{'/ COPY':>9}")
    for name, spent in rows:
        rate = result.records / spent.wall if spent.wall else 0.0
        print(
            f"{name:20}{spent.wall:9.2f}{rate:12,.0f}{spent.wall / copied.wall:9.2f}"
            f"{spent.cpu:9.2f}{spent.cpu / copied.cpu:9.2f}"
        )
    print(f"peak memory {peak:.0f} MB")
    unjudged = whole - watch.spent["judge"]
    return {
        "calibrations": result.records,
        "import_vs_copy": round(whole.wall / copied.wall, 2),
        "without_judging_vs_copy": round(unjudged.wall / copied.wall, 2),
        "cpu_import_vs_copy": round(whole.cpu / copied.cpu, 2),
        "cpu_without_judging_vs_copy": round(unjudged.cpu / copied.cpu, 2),
        "records_per_s": round(result.records / whole.wall),
        "mb": round(peak),
    }


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    options.add_argument("--calibrations", type=int, default=100_000)
    options.add_argument("--xlsx", action="store_true", help="a workbook instead of a CSV")
    options.add_argument(
        "--known", action="store_true", help="the register holds the fleet already"
    )
    chosen = options.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.config.settings")
    import django

    django.setup()
    from django.db import connection

    if connection.vendor != "postgresql":
        raise SystemExit("DATABASE_URL must name a PostgreSQL database")
    from tests.bench import importing_fleet

    base = connection.settings_dict["NAME"]
    connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
    try:
        importing_fleet.register()
        with tempfile.TemporaryDirectory() as folder:
            write = importing_fleet.write_xlsx if chosen.xlsx else importing_fleet.write_csv
            name = "fleet.xlsx" if chosen.xlsx else "fleet.csv"
            path = Path(folder) / name
            _apart(lambda: write(path, chosen.calibrations))
            if chosen.known:
                _apart(lambda: importing_fleet.enter_fleet(chosen.calibrations))
            figures = measure(path)
    finally:
        connection.creation.destroy_test_db(base, verbosity=0)
    print(json.dumps(figures))


def _apart(work: Callable[[], Any]) -> None:
    """Prepare something in a process of its own: its memory is not the load's."""
    from django.db import connection

    connection.close()  # two processes on one connection would read each other's answers
    child = os.fork()
    if child == 0:
        status = 1
        try:
            work()
            connection.close()
            status = 0
        finally:
            os._exit(status)
    if os.waitpid(child, 0)[1] != 0:
        raise SystemExit("the file or its fleet could not be prepared")


if __name__ == "__main__":
    sys.exit(main())
