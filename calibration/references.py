"""Reference standards over arrays: how well each is known, and the days of the clock they live by.

What is wrong with a reference on a day is in all that was measured with it. The day is that of the
yard, by the clock of the dealer who owns it: a morning in Perth is not two days.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calibration import calendars, columns
from calibration.calendars import DAY_US
from calibration.metrology.pairing import NONE
from calibration.models import ReferenceStandard
from calibration.policies import OWN_WEIGHT_PCT
from fleet.statements import Statement

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_MOST_BEHIND_US, _MOST_AHEAD_US = 12 * 3_600_000_000, 14 * 3_600_000_000  # clocks, of UTC
_NOBODYS = "UTC"
_REFERENCES = Statement(
    lambda mark: (
        ReferenceStandard.objects.filter(columns.among("pk", [mark]))
        .order_by()
        .values_list("pk", "relative_uncertainty_pct", "dealer__timezone", "dealer_id")
    )
)


@dataclass(frozen=True)
class References:
    """What is known of R reference standards.

    Attributes
    ----------
    key : (R,) array
        Ascending; -1 is the own weight of any unit.
    pct : (R,) array [%]
        Relative standard uncertainties.
    zone : tuple of R str
        Time zones of their owners, names of the IANA database.
    owner : mapping
        Who owns each, dealers by the references' keys: of those that were read.
    """

    key: Ints
    pct: Floats
    zone: tuple[str, ...]
    owner: Mapping[int, int] = field(default_factory=dict)

    def pct_of(self, reference: Ints) -> Floats:
        """Return the relative standard uncertainties [%] of references by key."""
        return np.asarray(self.pct[self._place(reference)])

    def days_of(self, reference: Ints, moment: Ints) -> Ints:
        """Return the owners' local days [since 1970] of moments [us since 1970 UTC]."""
        return calendars.local_days(moment, self._place(reference), self.zone)

    def spans_of(self, reference: Ints, day: Ints) -> tuple[Ints, Ints]:
        """Return moments from which, and until which, something may be of a local day.

        All of that day, and some hours more where the clock is changed then.
        """
        place, begin, end = self._place(reference), day * DAY_US, (day + 1) * DAY_US
        one, other = (
            calendars.leads(moment, place, self.zone)
            for moment in (begin - _MOST_AHEAD_US, end + _MOST_BEHIND_US)
        )
        return begin - np.maximum(one, other), end - np.minimum(one, other)

    def _place(self, reference: Ints) -> Ints:
        return np.searchsorted(self.key, reference)


def read_references(reference: Ints, known: References | None = None) -> References:
    """Return what is known of references by key, and of own weights; `known` ones are not read."""
    found: dict[int, tuple[float, str]] = {NONE: (OWN_WEIGHT_PCT, _NOBODYS)}
    owner: dict[int, int] = {}
    if known is not None:
        owner |= known.owner
        there = zip(known.pct.tolist(), known.zone, strict=True)
        found |= dict(zip(known.key.tolist(), there, strict=True))
    keys = np.unique(np.append(reference, NONE))
    asked = [key for key in keys.tolist() if key not in found]
    for key, pct, zone, dealer in _REFERENCES.many(asked):
        found[key], owner[key] = (pct, zone), dealer
    pct, zone = zip(*(found.get(key, found[NONE]) for key in keys.tolist()), strict=True)
    return References(keys, np.array(pct, dtype=np.float64), zone, owner)
