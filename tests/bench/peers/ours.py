"""The same pairwise part with the project's own core, for the peers to agree with.

Never timed: the scan does this and much more.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.metrology import fit
from tests.bench.peers.rows import LIMIT, Flagged, Rows, uuids

Floats = NDArray[np.float64]
TIE = 1e-9  # nearer to the limit than this, the last bits of a sum decide


@dataclass(frozen=True)
class Compared:
    """What our own core says: sorted UUIDs flagged, and those too near to the limit to tell."""

    flagged: Flagged
    tied: Flagged

    def differs(self, others: Flagged) -> int:
        """Return how many calibrations somebody else judges otherwise; ties do not count."""
        return len(np.setdiff1d(np.setxor1d(self.flagged, others), self.tied))


def compare(rows: Rows) -> Compared:
    """Fit with `metrology.fit` and compare each line with the one before."""
    heads, points = rows.calibrations, rows.points
    order = np.lexsort((points["lo"], points["hi"]))  # calibrations end to end
    hi, lo = points["hi"][order], points["lo"][order]
    starts = np.flatnonzero(np.r_[True, (hi[1:] != hi[:-1]) | (lo[1:] != lo[:-1])])
    counts = np.diff(np.r_[starts, len(hi)])
    nothing = np.zeros(len(hi))
    load, reading = points["load"][order], points["reading"][order]
    lines = fit.fit_lines(fit.Points(load, reading, nothing, nothing, counts))
    by_id = np.lexsort((heads["lo"], heads["hi"]))
    assert np.array_equal(heads["hi"][by_id], hi[starts]), "a calibration without points"
    slope = np.empty(len(by_id))
    slope[by_id] = lines.slope
    time = np.lexsort((heads["performed"], heads["sensor"]))
    sensor, place = heads["sensor"][time], heads["installation"][time]
    same = np.r_[False, (sensor[1:] == sensor[:-1]) & (place[1:] == place[:-1])]
    ratio = slope[time] / np.r_[1.0, slope[time][:-1]]
    change = np.where(same, np.abs(ratio - 1.0), 0.0)
    key = {name: heads[name][time] for name in ("hi", "lo")}
    out, near = change > LIMIT, np.abs(change - LIMIT) < TIE
    return Compared(uuids(key["hi"][out], key["lo"][out]), uuids(key["hi"][near], key["lo"][near]))


def compare_stored(sensor_ids: Sequence[int]) -> Flagged:
    """The same for some sensors the way the scan goes: read, fit, pair, compare."""
    from calibration import arrays
    from calibration.cases import state_of, take_state
    from calibration.metrology import drift, pairing

    history: Any = arrays.read_history(sensor_ids)
    lines = fit.fit_lines(history.points, history.reference_pct)
    pairs = pairing.pair(
        history.sensor, history.season, history.installation, history.starts_segment
    )
    new = np.flatnonzero(pairs.before != pairing.NONE)
    old = pairs.before[new]
    state = state_of(lines, history.reference_pct, np.arange(len(history)))
    change = drift.compare(
        take_state(state, old),
        take_state(state, new),
        same_reference=history.reference[old] == history.reference[new],
        slope_tolerance_pct=np.full(len(new), 100.0 * LIMIT),
        offset_tolerance=np.full(len(new), np.inf),
    )
    out = new[np.abs(change.slope_pct) > 100.0 * LIMIT].tolist()
    found = sorted(history.ids[i].tobytes() for i in out)
    return np.frombuffer(b"".join(found), dtype="V16")
