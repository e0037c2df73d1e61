"""What several tests of histories use."""

import pytest

from calibration import histories
from calibration.recorded import read_recorded


@pytest.fixture
def read(monkeypatch):
    """Whose records were read from the first to the last."""
    asked = []

    def reading(sensors):
        asked.extend(sensors)
        return read_recorded(sensors)

    monkeypatch.setattr(histories, "read_recorded", reading)
    return asked
