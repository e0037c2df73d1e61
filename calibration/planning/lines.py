"""The lines of a dealer's open visits: one for each machine that is due."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Self

from calibration.due import Need
from calibration.models import Visit, VisitLine
from fleet.updating import update


class LineBook:
    """Every line of some visits, changed in memory and written at once."""

    def __init__(self) -> None:
        self._lines: dict[object, dict[int, VisitLine]] = defaultdict(dict)
        self._new: list[VisitLine] = []
        self._changed: list[VisitLine] = []
        self._gone: list[int] = []

    @classmethod
    def of(cls, visits: Iterable[Visit]) -> Self:
        """Return the book of these visits."""
        book = cls()
        for line in VisitLine.objects.filter(visit__in=[visit.pk for visit in visits]):
            book._lines[line.visit_id][line.machine_id] = line
        return book

    def fill(self, visit: Visit, needs: Sequence[Need]) -> bool:
        """Make a visit's lines say what is due; return whether it has any line at all.

        A line that was done stays as a record of it, unless its machine is due again; one that
        was not done goes when nothing is due on its machine.
        """
        lines = self._lines[visit.pk]
        for need in needs:
            self._say(visit, lines.get(need.machine_id), need)
        needed = {need.machine_id for need in needs}
        idle = [line for machine, line in lines.items() if machine not in needed and not line.done]
        self._gone.extend(line.pk for line in idle)
        return len(lines) > len(idle) or bool(needs)

    def write(self) -> None:
        """Write what differs."""
        if self._gone:
            VisitLine.objects.filter(pk__in=self._gone).delete()
        if self._changed:
            fields = ["due_on", "sensors", "done", "done_at"]
            update(self._changed, fields)
        if self._new:
            VisitLine.objects.bulk_create(self._new, batch_size=1000)

    def _say(self, visit: Visit, line: VisitLine | None, need: Need) -> None:
        if line is None:
            self._new.append(
                VisitLine(
                    visit=visit,
                    machine_id=need.machine_id,
                    due_on=need.due_on,
                    sensors=need.sensors,
                )
            )
        elif (line.due_on, line.sensors, line.done) != (need.due_on, need.sensors, False):
            line.due_on, line.sensors, line.done = need.due_on, need.sensors, False
            line.done_at = None
            self._changed.append(line)
