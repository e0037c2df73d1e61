"""What a column may hold, and how it looks in our arrays and on the wire of PostgreSQL."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Kind = str | tuple[str, ...]  # a name below, or the texts that a code stands for

NO_DATE = int(np.iinfo(np.int32).min)
NO_MOMENT = int(np.iinfo(np.int64).min)
SIGNATURE = b"PGCOPY\n\xff\r\n\0" + bytes(8)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_EPOCH_2000_US = 946_684_800_000_000
_EPOCH_2000_DAYS = 10_957


@dataclass(frozen=True)
class Form:
    """One kind.

    Attributes
    ----------
    cast
        Its type in PostgreSQL.
    wire, own
        Its type in binary COPY, and in our arrays.
    missing
        What stands for NULL, as PostgreSQL writes it.
    shift
        From PostgreSQL's count of days or microseconds since 2000 to ours since 1970.
    """

    cast: str
    wire: str
    own: str
    missing: str
    shift: int = 0


_FORMS = {
    "key": Form("bigint", ">i8", "<i8", "'-1'"),
    "real": Form("float8", ">f8", "<f8", "'NaN'"),
    "flag": Form("boolean", "?", "?", "'false'"),
    "uuid": Form("uuid", "V16", "V16", f"'{'0' * 32}'"),
    "moment": Form("timestamptz", ">i8", "<i8", "'-infinity'", _EPOCH_2000_US),
    "date": Form("date", ">i4", "<i4", "'-infinity'", _EPOCH_2000_DAYS),
    # Those of all rows laid end to end; to be read, never written.
    "bytes": Form("bytea", "u1", "u1", "''"),
}
_CODE = Form("smallint", ">i2", "<i2", "'-1'")


def form(kind: Kind) -> Form:
    """Return the form of a kind."""
    return _CODE if isinstance(kind, tuple) else _FORMS[kind]


def moment_of(moment: datetime) -> int:
    """Return a moment as microseconds since 1970 UTC."""
    return (moment - _EPOCH) // timedelta(microseconds=1)


def row_of(kinds: Sequence[Kind]) -> np.dtype[Any]:
    """Return a row of binary COPY: the number of fields, then a length and a value of each."""
    width = [("fields", ">i2")]
    for i, kind in enumerate(kinds):
        width += [(f"length{i}", ">i4"), (f"c{i}", form(kind).wire)]
    return np.dtype(width)


def halves(ids: Array) -> NDArray[np.uint64]:
    """Return UUIDs as two whole numbers each, (N, 2): quick to compare and to mix."""
    return np.ascontiguousarray(ids).view(np.uint64).reshape(-1, 2)


def shifted(values: Array, by: int) -> Array:
    """Count from another epoch; what is missing stays the least number."""
    if not by:
        return values
    least = np.iinfo(values.dtype).min
    return np.where(values == least, least, values + by).astype(values.dtype)


def names(count: int) -> str:
    """Return the names of so many columns."""
    return ", ".join(f"c{i}" for i in range(count))
