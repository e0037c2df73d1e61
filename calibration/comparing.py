"""Compare what is stored with what should be: until packs are written, nobody can be compared."""

from collections.abc import Callable
from datetime import datetime

from calibration.models import Calibration


def companies() -> list[tuple[int, int]]:
    """Return each company's key and how many packed sensors it has, sorted by key."""
    return []


def differing(first: int, last: int, *, now: datetime, extend: Callable[[], None]) -> list[int]:
    """Return the packed sensors of companies from first to last that should be judged again."""
    raise ValueError(f"there is no company from {first} to {last} at {now}")


def unpacked(after: int, limit: int) -> list[int]:
    """Return the sensors with calibrations but without a pack, in order of their keys."""
    rows = Calibration.objects.filter(sensor__gt=after).order_by("sensor")
    return list(rows.values_list("sensor", flat=True).distinct()[:limit])
