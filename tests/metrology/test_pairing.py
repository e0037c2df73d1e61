"""What a calibration looks back on, against its definition written out one by one."""

import numpy as np
import pytest

from calibration.metrology import pairing


def lives(seed: int, sensors: int):
    rng = np.random.default_rng(seed)
    length = rng.integers(1, 20, sensors)
    count = int(length.sum())
    sensor = np.repeat(np.arange(sensors), length)
    # Years repeat, are left out, and now and then run backwards: another dealer's calendar.
    season = 2000 + np.arange(count) % 23 + rng.choice([-1, 0, 0, 0, 1], count)
    season[1:] = np.where(rng.random(count - 1) < 0.2, season[:-1], season[1:])
    return sensor, season, np.zeros(count, dtype=int), rng.random(count) < 0.05


def looked_back_on(season, start, at: int, length: int) -> list[int]:
    """A season's last calibration stands for it; for the own season, the one in question."""
    rows = range(max(start, at - length + 1), at)
    last = [i for i in rows if season[i] != season[i + 1] and season[i] != season[at]]
    return [*last, at]


@pytest.mark.parametrize(("seed", "sensors"), [(1, 20), (2, 300)])  # padded, and by length
@pytest.mark.parametrize("length", [5, 12])
def test_windows_are_one_calibration_a_season(seed, sensors, length):
    sensor, season, installation, starts = lives(seed, sensors)
    assert (len(season) >= pairing.MANY) == (sensors == 300)
    pairs = pairing.pair(sensor, season, installation, starts)
    found = {
        int(rows[-1]): rows[used].tolist()
        for window in pairing.windows(pairs, season, length, 3)
        for rows, used in zip(window.index.T, window.used.T, strict=True)
    }
    every = (
        looked_back_on(season, pairs.segment_start[at], at, length) for at in range(len(season))
    )
    assert found == {rows[-1]: rows for rows in every if len(rows) >= 3}


def test_nothing_to_look_back_on():
    empty = np.zeros(0, dtype=int)
    pairs = pairing.pair(empty, empty, empty, empty.astype(bool))
    assert all(not window.index.size for window in pairing.windows(pairs, empty, 12, 3))
