"""The planted stories: what was done to which serial, and what the scan should find there.

A visit is counted from 1 (the oldest of a customer's five) to 5 (the newest). Amounts in % are of
the slope (ageing, sensitivity loss), of rated load (zero shift, preloaded zero) or of the load
(a reference that is off, a span that is not carried).
"""

from dataclasses import dataclass
from enum import Enum, auto


class Plot(Enum):
    """What happened."""

    AGEING = auto()
    ZERO_SHIFT = auto()
    SENSITIVITY_LOSS = auto()
    UNIT_SLIP = auto()
    CABLE_SWAPPED = auto()
    WIRING_REVERSED = auto()
    PRELOADED_ZERO = auto()
    SPAN_NOT_CARRIED = auto()
    DIGITS_TRANSPOSED = auto()
    COPIED = auto()
    REFERENCE_OFF = auto()
    CORRECTED = auto()
    REPLACED = auto()
    RESOLD = auto()
    FUNCTIONAL = auto()
    OVERDUE = auto()


@dataclass(frozen=True)
class Story:
    """One planted story.

    Attributes
    ----------
    title
        What a person would call it.
    plot
        What happened, from `visit` on or at it.
    serials
        The cells to which it happened; the first is the one to look up.
    amount
        How much, in the unit that the module names.
    finds
        The kinds of flag that must stand open on these cells; none: they must be clean. (A cell
        whose trend was bent by the story may be overdue as well.)
    level
        The level of the worst of them.
    cause
        The code that diagnosis should rank first on the first cell; empty: none is to be named.
    """

    title: str
    plot: Plot
    serials: tuple[str, ...]
    visit: int
    finds: frozenset[str]
    amount: float = 0.0
    level: str = "beyond"
    cause: str = ""


BAD_LOT = "K22-31"
_BAD_LOT_CELLS = (
    "KP25-30631", "KP25-30632", "KP25-30633", "KP25-30634", "KP25-30635",
    "KP25-10631", "KP25-10632", "KP25-10633", "KP25-10634",
    "KP25-40221", "KP25-40222", "KP25-40223", "KP25-40224",
)  # fmt: skip
_SCALE_OFF_CELLS = tuple(
    f"{prefix}-407{machine}{cell}"
    for machine, prefix in ((1, "KP40"), (2, "TB2"), (3, "KP25"), (4, "KP40"))
    for cell in (1, 2, 3, 4)
)

_RESOLD_CELLS = tuple(f"RW3-2071{cell}" for cell in (1, 2, 3, 4, 5))
_OVERDUE_CELLS = tuple(
    f"{prefix}-508{machine}{cell}"
    for machine, prefix, count in ((1, "KP40", 4), (2, "RW3", 5), (3, "KP40", 4))
    for cell in range(1, count + 1)
)

_NONE: frozenset[str] = frozenset()
_SLOPE = frozenset({"slope"})
_OFFSET = frozenset({"offset"})
_BOTH = _SLOPE | _OFFSET

STORIES = (
    Story("slow drifter", Plot.AGEING, ("RW3-20312",),
          visit=1, amount=-1.5, finds=_SLOPE, cause="ageing"),
    Story("overloaded cell", Plot.ZERO_SHIFT, ("KP25-10213",),
          visit=5, amount=6.5, finds=_OFFSET, cause="zero_shift"),
    Story("sensitivity loss", Plot.SENSITIVITY_LOSS, ("KP25-30514",),
          visit=5, amount=-18.0, finds=_SLOPE, cause="sensitivity_loss"),
    Story("bad lot " + BAD_LOT, Plot.AGEING, _BAD_LOT_CELLS,
          visit=3, amount=-3.8, finds=_SLOPE | {"lot"}, cause="ageing"),
    Story("kg typed as lb", Plot.UNIT_SLIP, ("RW3-20423",),
          visit=5, finds=_SLOPE, cause="unit_slip"),
    Story("swapped cables", Plot.CABLE_SWAPPED, ("KP25-10621", "KP25-10622"),
          visit=5, finds=_BOTH, cause="cable_swapped"),
    Story("wiring reversed", Plot.WIRING_REVERSED, ("TB2-20212",),
          visit=5, finds=_BOTH, cause="wiring_reversed"),
    Story("zero under pressure", Plot.PRELOADED_ZERO, ("KP40-10914",),
          visit=5, amount=9.0, finds=_BOTH, cause="preloaded_zero"),
    Story("unit left hanging", Plot.SPAN_NOT_CARRIED, ("KP25-40612",),
          visit=5, amount=-70.0, finds=_SLOPE, cause="span_not_carried"),
    Story("digits transposed", Plot.DIGITS_TRANSPOSED, ("KP25-10533",),
          visit=5, finds=_SLOPE, cause="digits_transposed"),
    Story("tag numbers copied", Plot.COPIED, ("KP25-30935",),
          visit=5, finds=_OFFSET, cause="copied_numbers"),
    Story("scale was off", Plot.REFERENCE_OFF, _SCALE_OFF_CELLS,
          visit=5, amount=6.5, finds=frozenset({"reference"}), cause="common_reference"),
    Story("failed functional test", Plot.FUNCTIONAL, ("KP25-40431",),
          visit=5, amount=30.0, finds=frozenset({"functional"})),
    Story("corrected record", Plot.CORRECTED, ("RW3-50424",),
          visit=5, finds=_NONE),
    Story("replaced cell", Plot.REPLACED, ("RW3-50119", "RW3-50113"),
          visit=3, finds=_NONE),
    Story("resold machine", Plot.RESOLD, _RESOLD_CELLS,
          visit=4, finds=_NONE),
    Story("overdue customer", Plot.OVERDUE, _OVERDUE_CELLS,
          visit=4, finds=frozenset({"overdue"})),
)  # fmt: skip

RESOLD_MACHINE = "OS48-2071"
RESOLD_TO = ("REDWILLOW", 9)
"""The dealer and the number of its customer who bought it before visit 4."""

FAILING_MACHINE = "VG8-4043"


def told_of(plot: Plot) -> tuple[Story, ...]:
    """Return the stories of one plot."""
    return tuple(story for story in STORIES if story.plot is plot)


def stories_of(serial: str) -> tuple[Story, ...]:
    """Return the stories in which a cell plays a part."""
    return tuple(story for story in STORIES if serial in story.serials)
