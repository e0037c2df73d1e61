"""Whose turn it is: locks of dealers and of sensors, in one order for everybody."""

from collections.abc import Iterable, Sequence

from django.db import connection

from calibration import columns
from calibration.models import FurtherCompany, PackedHistory
from fleet.models import Sensor
from fleet.statements import Statement, listed, prepared

_TURNS = 0x5BA7B00C  # PostgreSQL's advisory locks for dealers; the number means nothing
_HELD = Statement(
    lambda mark: (
        Sensor.objects.filter(columns.among("pk", [mark]))
        .order_by("pk")
        .select_for_update(no_key=True, of=("self",))
        .values_list("pk")
    )
)
_CONCERNED = Statement(
    lambda mark: (
        Sensor.objects.filter(columns.among("pk", [mark]))
        .order_by()
        .values_list("dealer")
        .union(
            PackedHistory.objects.filter(columns.among("pk", [mark])).values_list("company"),
            FurtherCompany.objects.filter(columns.among("sensor", [mark])).values_list("company"),
        )
    )
)


def lock(sensor_ids: Iterable[int]) -> None:
    """Lock sensors until the transaction ends, in one order for everybody.

    A post to one of them waits until we are done, and we for it: nobody judges half a history.
    Lock before anything else is written: whoever holds a sensor never waits for a mark.
    """
    ids = [int(key) for key in sensor_ids]
    _take_turns(ids)
    _HELD.many(ids)


def _take_turns(sensor_ids: Sequence[int]) -> None:
    """Let one at a time judge a dealer's sensors, and those calibrated with its references.

    A first verdict is seen by its siblings when it is committed: two who judged siblings for the
    first time side by side would not know of one another, nor mark each other's.
    """
    # SQLite has one writer at a time.
    if connection.vendor != "postgresql" or not sensor_ids:
        return
    asked, given = _CONCERNED.asked(listed(sensor_ids))
    # A subquery in order is not taken apart: they are locked in one order for everybody.
    concerned = f"SELECT dealer::bigint FROM ({asked}) AS t(dealer) ORDER BY 1"  # noqa: S608 # nosec B608
    with prepared() as cursor:
        cursor.execute(
            f"SELECT pg_advisory_xact_lock({_TURNS}, mod(dealer, 2147483648)::int)"  # noqa: S608 # nosec B608
            f" FROM ({concerned}) AS each",
            given,
        )
