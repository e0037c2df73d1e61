"""Judgements of records that are none, for tests of whole columns."""

import uuid
from datetime import UTC, date, datetime, timedelta

from calibration.columns import NO_DATE, Incoming, read
from calibration.models import Judgement

VERDICTS = ("within", "watch", "beyond")
KINDS = {
    "calibration": "uuid",
    "sensor": "key",
    "performed_at": "moment",
    "reference": "key",
    "season": "key",
    "segment": "key",
    "verdict": VERDICTS,
    "previous": "uuid",
    "step": "real",
    "expected_crossing": "date",
    "trusted": "flag",
    "slope_tolerance_pct": "real",
    "offset_tolerance": "real",
    "common_members": "key",
}
MOMENTS = [
    datetime(1899, 12, 31, 23, 59, 59, 999999, tzinfo=UTC),
    datetime(1969, 12, 31, 23, 59, 59, 1, tzinfo=UTC),
    datetime(1970, 1, 1, tzinfo=UTC),
    datetime(1999, 12, 31, 12, tzinfo=UTC),
    datetime(2026, 3, 10, 9, 0, 0, 500000, tzinfo=UTC),
    datetime(2999, 1, 1, 0, 0, 1, tzinfo=UTC),
]
DATES = [None, date(1969, 12, 31), date(1970, 1, 1), date(2000, 1, 1), date(2038, 2, 28), None]
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def judgements():
    """Six judgements of records that are none: their keys are not checked."""
    return [
        Judgement(
            calibration_id=uuid.UUID(int=i + 1),
            sensor_id=10 - i,
            performed_at=MOMENTS[i],
            reference_id=None if i % 2 else i,
            season=2020 + i,
            segment=1,
            verdict=VERDICTS[i % 3],
            previous_id=uuid.UUID(int=2**127 + i) if i % 2 else None,
            step=None if i % 3 == 0 else -0.1 * i,
            expected_crossing=DATES[i],
            trusted=i % 2 == 0,
            slope_tolerance_pct=3,
            offset_tolerance=1e-300,
            causes=[{"code": "ä", "probability": 0.5}] if i == 4 else [],
            method="by hand",
        )
        for i in range(6)
    ]


def stored(rows):
    return list(rows.order_by("pk").values_list(*KINDS))


def as_read(rows):
    """What `read` should give for the same rows, worked out from Python's own values."""
    for row in rows.order_by("pk"):
        yield (
            row.pk.bytes,
            row.sensor_id,
            (row.performed_at - EPOCH) // timedelta(microseconds=1),
            -1 if row.reference_id is None else row.reference_id,
            row.season,
            row.segment,
            VERDICTS.index(row.verdict),
            bytes(16) if row.previous_id is None else row.previous_id.bytes,
            row.step,
            NO_DATE
            if row.expected_crossing is None
            else (row.expected_crossing - EPOCH.date()).days,
            row.trusted,
            row.slope_tolerance_pct,
            row.offset_tolerance,
            row.common_members,
        )


def values_of(rows):
    return read(rows.order_by("pk").values_list(*KINDS), **KINDS)


def incoming(values, causes, **changes):
    return Incoming(KINDS, values | changes, {"causes": causes}, {"method": "by hand"})
