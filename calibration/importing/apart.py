"""Records that have nothing to do with one another, so that they can be tried apart.

A record concerns its sensor, its machine and the record that it corrects; a sensor concerns every
machine that it sat on. Whatever hangs together so is tried together, in order of time, and
nothing else has to be: a dry run holds no lock for longer than a batch takes.
"""

from collections import defaultdict
from collections.abc import Hashable, Iterator, Sequence

from django.db.models.functions import Upper

from calibration.importing.register import CHUNK, in_chunks
from calibration.importing.rows import FileRecord
from calibration.record_file import record_uuid
from fleet.models import Installation


class _Bonds:
    """Which names hang together (disjoint sets, paths halved on the way)."""

    def __init__(self) -> None:
        self._above: dict[Hashable, Hashable] = {}

    def root(self, name: Hashable) -> Hashable:
        above = self._above
        above.setdefault(name, name)
        while above[name] != name:
            above[name] = above[above[name]]
            name = above[name]
        return name

    def tie(self, one: Hashable, other: Hashable) -> None:
        self._above[self.root(one)] = self.root(other)


def apart(records: Sequence[FileRecord], code: str) -> Iterator[list[FileRecord]]:
    """Yield batches of records; no record of one has to do with a record of another."""
    bonds = _Bonds()
    for record in records:
        for name in _names(record, code):
            bonds.tie(("record", record.key), name)
    _tie_places(bonds, {record.said.sensor.upper() for record in records})
    together: dict[Hashable, list[FileRecord]] = defaultdict(list)
    for record in records:
        together[bonds.root(("record", record.key))].append(record)
    waiting: list[FileRecord] = []
    for some in together.values():
        if waiting and len(waiting) + len(some) > CHUNK:
            yield waiting
            waiting = []
        waiting += some
    if waiting:
        yield waiting


def _names(record: FileRecord, code: str) -> Iterator[Hashable]:
    said = record.said
    if said.sensor:
        yield "sensor", said.sensor.upper()
    if said.machine:
        yield "machine", said.machine.upper()
    if said.supersedes:
        yield "record", record_uuid(said.supersedes, dealer_code=code)


def _tie_places(bonds: _Bonds, serials: set[str]) -> None:
    """Tie sensors to every machine that they sat on, as the register knows it."""
    rows = Installation.objects.annotate(
        worn=Upper("sensor__serial"), bearer=Upper("machine__serial")
    )
    for some in in_chunks(sorted(serials - {""})):
        for sensor, machine in rows.filter(worn__in=some).values_list("worn", "bearer"):
            bonds.tie(("sensor", sensor), ("machine", machine))
