"""Judging a chunk's sensors batch by batch, down to the one that cannot be judged.

That one is reported and stays marked; everybody else is judged.
"""

import logging
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from django.db import InterfaceError, OperationalError, transaction
from django.db.models import F
from numpy.typing import NDArray

from calibration import together
from calibration.claiming import LeaseLost
from calibration.held import Held
from calibration.records import take_up
from calibration.stages import COMPARE, JUDGE

Ints = NDArray[np.int64]

logger = logging.getLogger(__name__)

NARROWER = 100  # so much smaller are the batches in which the next attempt begins
DEADLOCKS = 5  # so often a batch is tried again when two judged one another's siblings
AWAY = (OperationalError, InterfaceError)  # of the database, not of a sensor


def judge_all(held: Held, sensor: Ints, dealer: Ints | None = None) -> None:
    """Judge sensors in that order, one dealer's together where that is known."""
    for some in batches(sensor.tolist(), dealer, held.chunk.attempt):
        _judge_some(held, sorted(some))
        held.told()


def batches(sensor: Sequence[int], dealer: Ints | None, attempt: int) -> Iterator[Sequence[int]]:
    """Yield batches of one transaction each; a second and third attempt begin with small ones.

    Where an attempt died, the batch that it died in comes first.
    """
    largest = together.TOGETHER
    small = max(1, largest // NARROWER ** (attempt - 1))
    carefully = 0 if attempt == 1 else max(1, largest // NARROWER ** (attempt - 2))
    carefully = min(len(sensor), carefully)
    for at in range(0, carefully, small):
        yield sensor[at : min(at + small, carefully)]
    rest = None if dealer is None else dealer[carefully:]
    yield from together.batches(sensor[carefully:], rest)


def _judge_some(held: Held, sensor_ids: Sequence[int]) -> None:
    """Judge a batch; where it fails, halve it until the one that cannot be judged stands alone."""
    try:
        _judge_together(held, sensor_ids)
    except (LeaseLost, *AWAY):
        raise
    except Exception as wrong:
        if len(sensor_ids) > 1:
            half = len(sensor_ids) // 2
            _judge_some(held, sensor_ids[:half])
            _judge_some(held, sensor_ids[half:])
            return
        if not isinstance(wrong, ValueError | ArithmeticError):
            logger.exception("sensor %s cannot be judged", sensor_ids[0])
        put_aside(held, sensor_ids[0], str(wrong) or type(wrong).__name__)


def _judge_together(held: Held, sensor_ids: Sequence[int]) -> None:
    for tries_left in range(DEADLOCKS, -1, -1):
        try:
            _judge_and_note(held, sensor_ids)
        except OperationalError as wrong:
            # Two workers whose batches are siblings of one another wait for each other's marks.
            deadlock = getattr(wrong.__cause__, "sqlstate", None) == "40P01"
            if not deadlock or not tries_left:
                raise
        else:
            return


def _judge_and_note(held: Held, sensor_ids: Sequence[int]) -> None:
    with transaction.atomic():
        judged = take_up(sensor_ids, now=held.now)
        held.keep(
            judged.flags,
            rows_written=F("rows_written") + judged.rows_written,
            **_further(held, sensor_ids, judged=F("judged") + len(sensor_ids)),
        )


def put_aside(held: Held, sensor_id: int, why: str) -> None:
    """Report a sensor; its mark stays, and this scan does not try it again."""
    failed = [*held.chunk.failed, {"sensor": sensor_id, "reason": why}]
    held.keep(failed=failed, **_further(held, [sensor_id]))
    held.chunk.failed = failed


def _further(held: Held, sensor_ids: Sequence[int], **counts: Any) -> dict[str, Any]:
    """How far a chunk is after these sensors; one that compares counts at its end."""
    if held.chunk.work == JUDGE:
        counts["first"] = sensor_ids[-1] + 1
    return {} if held.chunk.work == COMPARE else counts
