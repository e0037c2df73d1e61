"""What several tests of histories and scans use."""

import pytest

from calibration import claiming, histories, judging
from calibration.recorded import read_recorded
from tests.calibration.deaths import Killed


@pytest.fixture
def read(monkeypatch):
    """Whose records were read from the first to the last."""
    asked = []

    def reading(sensors):
        asked.extend(sensors)
        return read_recorded(sensors)

    monkeypatch.setattr(histories, "read_recorded", reading)
    return asked


@pytest.fixture
def killing(monkeypatch):
    """Let a process end at a sensor without giving anything back: what SIGKILL leaves behind."""
    monkeypatch.setattr(claiming, "give_back", lambda *_, **__: None)

    def at(sensor_id):
        original = judging.judge

        def judge(sensor_ids, *, now, **asked):
            if sensor_id in sensor_ids:
                raise Killed
            return original(sensor_ids, now=now, **asked)

        monkeypatch.setattr(judging, "judge", judge)

    return at
