"""All peers on one database, timed, and made to agree."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import psycopg

from tests.bench.peers import clients, ours, servers
from tests.bench.peers.rows import Flagged, Rows, read, uuids
from tests.bench.scan_floor import median_of

SAMPLE = 1_000  # sensors of the ORM's loop
SEED = 20260802

CLIENTS: dict[str, Callable[[Rows], Flagged]] = {
    "pandas": clients.with_pandas,
    "polars": clients.with_polars,
    "duckdb": clients.with_duckdb,
}


@dataclass(frozen=True)
class Race:
    """Seconds of each peer, of reading alone (in the first three), and what all of them flag."""

    seconds: dict[str, float]
    reading: float
    flagged: int
    tied: int
    sample: int

    @property
    def fastest(self) -> str:
        """Return who was fastest."""
        return min(self.seconds, key=self.seconds.__getitem__)


def race(connection: psycopg.Connection[Any], sensors: int) -> Race:
    """Time the peers; Django must be set up on the same database.

    Raises
    ------
    AssertionError
        If one of them flags another calibration than our own core does.
    """
    rows = read(connection)
    reading = median_of(lambda: read(connection))
    compared = ours.compare(rows)
    sample = np.random.default_rng(SEED).permutation(sensors)[:SAMPLE] + 1
    chosen = np.isin(rows.calibrations["sensor"], sample)
    theirs = uuids(rows.calibrations["hi"][chosen], rows.calibrations["lo"][chosen])
    expected = np.intersect1d(compared.flagged, theirs)

    seconds, said = {}, {}

    def timed(name: str, work: Callable[[], Flagged]) -> float:
        def keep() -> None:
            said[name] = work()

        return median_of(keep)

    for name, peer in CLIENTS.items():
        seconds[name] = reading + timed(name, lambda peer=peer: peer(rows))
    seconds["sql"] = timed("sql", lambda: servers.with_sql(connection))
    loop = timed("orm", lambda: servers.with_orm(sample.tolist()))
    seconds["orm"] = loop * sensors / len(sample)
    for name, flagged in said.items():
        against = ours.Compared(expected, compared.tied) if name == "orm" else compared
        assert not against.differs(flagged), f"{name} flags {against.differs(flagged)} otherwise"
    stored = ours.compare_stored(np.sort(sample).tolist())
    assert not ours.Compared(expected, compared.tied).differs(stored), "our own readers disagree"
    return Race(seconds, reading, len(compared.flagged), len(compared.tied), len(sample))
