"""Does a printed certificate still say what is recorded? What the QR code on it asks.

Anybody who holds the paper may ask, so nothing is told but what the paper says already: a few
characters of the serial and the day, no person and no customer.
"""

from dataclasses import dataclass
from datetime import date
from uuid import UUID

from calibration import digests
from calibration.models import Calibration

SHOWN = 16  # hexadecimal digits of the digest in the address: 64 bits
SERIAL_SHOWN = 4

MATCHES, ALTERED, DIFFERS, UNKNOWN = "matches", "altered", "differs", "unknown"


@dataclass(frozen=True)
class Match:
    """What is said of a printed record."""

    verdict: str
    serial_end: str = ""
    performed_on: date | None = None
    superseded_on: date | None = None
    superseded_by: str = ""  # the address of the newer record's page


def address_of(row: Calibration) -> str:
    """Return the path of the page that says whether a record still matches."""
    return f"/records/{row.pk}/{row.digest[:SHOWN]}/"


def match(key: UUID, printed: str) -> Match:
    """Compare a record with the digest printed on its certificate, and with its own content.

    Who knows a record's id and not its digest is told that it differs, and nothing else.
    """
    row = (
        Calibration.objects.filter(pk=key)
        .select_related("dealer", "superseded_by__dealer")
        .prefetch_related("points")
        .first()
    )
    if row is None:
        return Match(UNKNOWN)
    if row.digest[:SHOWN] != printed:
        return Match(DIFFERS)
    later = getattr(row, "superseded_by", None)
    return Match(
        MATCHES if _is_sound(row) else ALTERED,
        serial_end=row.sensor_serial[-SERIAL_SHOWN:],
        performed_on=row.performed_at.astimezone(row.dealer.zone).date(),
        superseded_on=later and later.performed_at.astimezone(later.dealer.zone).date(),
        superseded_by=address_of(later) if later else "",
    )


def _is_sound(row: Calibration) -> bool:
    """Whether content and place in the chain still give the digests that are stored."""
    content = digests.content_digest(row, row.points.all(), dealer_code=row.dealer.code)
    before = Calibration.objects.filter(
        sensor_id=row.sensor_id, chain_number=row.chain_number - 1
    ).values_list("digest", flat=True)
    previous = before.first() if row.chain_number > 1 else digests.START
    if content != row.content_digest or previous is None:
        return False
    return row.digest == digests.chained(
        previous, number=row.chain_number, content=content, recorded_at=row.recorded_at,
        by=row.recorded_by_id,
    )  # fmt: skip
