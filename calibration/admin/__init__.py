"""The desk's pages about measurements, and the sensor and machine pages with their numbers."""

from calibration.admin import (
    equipment,
    flags,
    imports,
    installations,
    planning,
    records,
    rules,
    runs,
    sensors,
    work,
)

__all__ = [
    "equipment",
    "flags",
    "imports",
    "installations",
    "planning",
    "records",
    "rules",
    "runs",
    "sensors",
    "work",
]
