"""Whole columns in and out of the database: rows never become Python objects one by one.

PostgreSQL speaks binary COPY both ways, SQLite its plain cursor; both give and take the same
arrays. What is missing is NaN in a real, -1 in a key or code, zeros in a UUID, `NO_MOMENT` in a
moment and `NO_DATE` in a date.
"""

from calibration.columns.conditions import among, around
from calibration.columns.kinds import NO_DATE, NO_MOMENT, Kind, halves, moment_of
from calibration.columns.matching import Matching
from calibration.columns.reading import located, read, read_in_parts, texts
from calibration.columns.repeated import TEXT, Reading
from calibration.columns.writing import Incoming, insert, update, upsert

__all__ = [
    "NO_DATE",
    "NO_MOMENT",
    "TEXT",
    "Incoming",
    "Kind",
    "Matching",
    "Reading",
    "among",
    "around",
    "halves",
    "insert",
    "located",
    "moment_of",
    "read",
    "read_in_parts",
    "texts",
    "update",
    "upsert",
]
