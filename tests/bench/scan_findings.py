"""What the scan found of what was planted in the bench's fleet."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.bench.scan_readings import Fleet

FLAGS = """
SELECT c.sensor_id, c.chain_number
FROM calibration_driftflag f JOIN calibration_calibration c ON c.id = f.calibration_id
WHERE f.kind IN ('slope', 'offset', 'fit', 'reference')
"""


@dataclass(frozen=True)
class Findings:
    """Calibrations planted, those of them flagged; and flags where nothing was planted."""

    drifts: int
    drifts_found: int
    large: int  # by 1.5 tolerances and more
    large_found: int
    slips: int
    slips_found: int
    sound: int
    sound_flagged: int

    def __str__(self) -> str:
        return (
            f"found / planted: {self.drifts_found} / {self.drifts} real drifts of 1 to 3 "
            f"tolerances ({self.large_found} / {self.large} of 1.5 and more), "
            f"{self.slips_found} / {self.slips} slips; "
            f"{self.sound_flagged} of {self.sound} sound calibrations flagged"
        )


def findings(cursor: Any, fleet: Fleet) -> Findings:
    """Hold the flags of a database, read through any cursor, against the truth.

    What follows upon a slip is left out of the sound ones: it differs from what stands before it.
    """
    cursor.execute(FLAGS)
    rows = np.array(cursor.fetchall(), dtype=np.int64).reshape(-1, 2)
    planted = fleet.planted
    flagged = np.zeros(planted.slip.shape, dtype=bool)
    seasonal = rows[rows[:, 1] <= len(flagged)]
    flagged[seasonal[:, 1] - 1, seasonal[:, 0] - 1] = True
    drift, slip = planted.in_slope | planted.in_zero, planted.slip > 0
    large = drift & (np.abs(planted.size) >= 1.5)
    sound = ~drift & ~slip
    sound[0] = False
    sound[1:] &= ~slip[:-1]

    def of(which: np.ndarray) -> tuple[int, int]:
        return int(which.sum()), int((flagged & which).sum())

    return Findings(*of(drift), *of(large), *of(slip), *of(sound))
