"""The other sensors on a machine: what each said last tells whether cables were swapped."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration import columns
from calibration.arrays import MINUTE_US, MINUTES, VISIT, History
from calibration.columns import located
from calibration.metrology.drift import LineState
from calibration.models import Fit, in_time
from fleet.models import Installation

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MOST_NEIGHBOURS = 64


@dataclass(frozen=True)
class MachineLines:
    """Lines of the sensors on some machines, sorted by sensor and time, as arrays of length L.

    Attributes
    ----------
    machine, sensor, minute : (L,) arrays
        Keys; minutes since 1970 UTC.
    slope, offset : (L,) arrays [reading/N], [reading]
    """

    machine: Ints
    sensor: Ints
    minute: Ints
    slope: Floats
    offset: Floats

    def __add__(self, other: "MachineLines") -> "MachineLines":
        """Return both; the neighbours of a machine are told apart by sensor, in any order."""
        return MachineLines(
            *(
                np.concatenate((mine, theirs))
                for mine, theirs in zip(vars(self).values(), vars(other).values(), strict=True)
            )
        )


def lines_of(history: History, state: LineState) -> MachineLines:
    """Return the lines of a history itself."""
    machine = history.extras["machine"]
    at = np.flatnonzero(~np.isnan(machine))
    return MachineLines(
        machine=machine[at].astype(np.int64),
        sensor=history.sensor[at],
        minute=history.minute[at],
        slope=state.slope[at],
        offset=state.offset[at],
    )


_LINES = columns.Reading(
    lambda: Fit.objects.filter(calibration__superseded_by__isnull=True).order_by(
        "calibration__sensor_id", *in_time("calibration__")
    ),
    "calibration__installation__machine",
    {
        "machine": ("calibration__installation__machine_id", "key"),
        "sensor": ("calibration__sensor_id", "key"),
        "minute": ("calibration__performed_at", "moment"),
        "slope": ("slope", "real"),
        "offset": ("offset", "real"),
    },
)
_SEATS = columns.Reading(
    Installation.objects.order_by,
    "machine",
    {"machine": ("machine", "key"), "sensor": ("sensor", "key")},
    closely=True,
)


def read_lines(history: History, index: Ints) -> MachineLines:
    """Read the lines of other sensors on the machines of these calibrations; one query."""
    machine = history.extras["machine"][index]
    machines = np.unique(machine[~np.isnan(machine)]).astype(np.int64)
    found = _LINES.of(machines)
    found["minute"] //= MINUTE_US
    others = ~np.isin(found["sensor"], np.unique(history.sensor))
    return MachineLines(**{name: values[others] for name, values in found.items()})


def beside_others(history: History, index: Ints) -> Ints:
    """Return those of these calibrations on whose machines others sat as well; one query."""
    machine = history.extras["machine"][index]
    machines = np.unique(machine[~np.isnan(machine)]).astype(np.int64)
    sat = _SEATS.of(machines)
    others = ~np.isin(sat["sensor"], np.unique(history.sensor))
    return index[np.isin(machine, sat["machine"][others])]


@dataclass(frozen=True)
class Neighbours:
    """What is expected of the other sensors on the machines of S calibrations.

    Attributes
    ----------
    index : (S,) array
        Of the calibration, ascending.
    slope, offset : (S, B) arrays [reading/N], [reading]
        As last calibrated on a visit before; NaN where there are fewer neighbours.
    """

    index: Ints
    slope: Floats
    offset: Floats

    def around(self, index: Ints) -> tuple[Floats, Floats]:
        """Return slopes and offsets about the calibrations at these indices, one row each."""
        place, known = located(self.index, index)
        if not len(self.index):
            nobody = np.full((len(index), 0), np.nan)
            return nobody, nobody
        return (
            np.where(known[:, None], self.slope[place], np.nan),
            np.where(known[:, None], self.offset[place], np.nan),
        )


def neighbours(history: History, index: Ints, lines: MachineLines) -> Neighbours:
    """Return the neighbours of these calibrations, by sensor, each as of a visit before."""
    order = np.lexsort((lines.sensor, lines.machine))  # stable: the time stays in order
    machine, sensor = lines.machine[order], lines.sensor[order]
    begins = np.flatnonzero(
        np.append(True, (machine[1:] != machine[:-1]) | (sensor[1:] != sensor[:-1]))[: len(order)]
    )
    group = np.zeros(len(order), dtype=np.int64)
    group[begins] = 1
    group = np.cumsum(group) - 1
    here = history.extras["machine"][index]
    at = index[~np.isnan(here)]
    here = here[~np.isnan(here)].astype(np.int64)
    low, high = (np.searchsorted(machine[begins], here, side=side) for side in ("left", "right"))
    width = int((high - low).max(initial=0))
    candidate = low[:, None] + np.arange(width)
    there = candidate < high[:, None]
    candidate = np.where(there, candidate, 0)
    key = group * MINUTES + lines.minute[order]
    visit = history.minute[at, None] - VISIT
    last = np.searchsorted(key, candidate * MINUTES + visit, side="right") - 1
    if not len(key):
        return _empty()
    there &= (last >= 0) & (group[last] == candidate)
    there &= sensor[begins][candidate] != history.sensor[at][:, None]
    place = order[last]
    return _packed_left(at, there, lines.slope[place], lines.offset[place])


def _packed_left(index: Ints, there: Bools, slope: Floats, offset: Floats) -> Neighbours:
    """Bring those that are there to the front of each row, in their order."""
    front = np.argsort(~there, axis=1, kind="stable")[:, :MOST_NEIGHBOURS]
    there = np.take_along_axis(there, front, axis=1)
    width = int(there.sum(axis=1).max(initial=0))
    slope, offset = (
        np.where(there, np.take_along_axis(values, front, axis=1), np.nan)[:, :width]
        for values in (slope, offset)
    )
    return Neighbours(index, slope, offset)


def _empty() -> Neighbours:
    return Neighbours(np.zeros(0, dtype=np.int64), np.zeros((0, 0)), np.zeros((0, 0)))
