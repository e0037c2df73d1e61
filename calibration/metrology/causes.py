"""The one table of causes: how often each happens, how large it gets, what would tell it.

Frequencies and sizes are common practice put into numbers by the makers of this program, no
source; they are given for two-point calibrations of strain-gauge cells on seeding machines.
"""

from dataclasses import dataclass
from typing import Literal

Remedy = Literal["repeat", "correct", "cell", "reference"]
Spoils = Literal["line", "zero", "span"]

# Share of calibrations at which nothing at all is wrong.
PRIOR_HEALTHY = 0.9

# Histogram of an effect's size: (from, to, share of the cases), even within a bin.
Sizes = tuple[tuple[float, float, float], ...]

# Distinct load units that get confused, in newtons: N, daN, kN, kgf (kg), lbf (lb); NIST SP 811.
LOAD_FACTORS = (1.0, 10.0, 1000.0, 9.80665, 0.45359237 * 9.80665)

# Beside its main effect, a cell may have moved a little as well: relative slope, share of rated
# load, and how often that is worth thinking of.
ALSO_MOVED = (0.03, 0.01, 0.1)

# Healthy change between calibrations that an expectation may have left out: slope, zero.
FLOOR = (0.003, 0.002)

# What the zero does while the slope ages: (standard deviation in rated loads, share), normal.
AGEING_ZERO = ((0.006, 0.7), (0.02, 0.3))

# A slip of the unit to a load that nobody would set (below or above these parts of the rated
# load) counts less by the last number.
PLAUSIBLE_LOAD = (0.02, 2.0, 0.05)

# A pressure above this [kPa] written beside the calibration counts as residual pressure; how
# often it is written down where it spoiled the numbers, and where it did not.
RESIDUAL_PRESSURE = (50.0, 0.4, 0.03)


@dataclass(frozen=True)
class Cause:
    """One cause.

    Attributes
    ----------
    code : str
        Its name in answers and in the database.
    prior : float
        Its share of the calibrations at which something is wrong [1].
    remedy : str
        "cell": the cell changed. "repeat": measure again, the cell may be sound. "correct": the
        record is wrong, a corrected one supersedes it. "reference": look at the standard.
    spoils : str
        Which points it touches: the whole line, the zero only, the span only.
    sizes : Sizes
        How large: of rated load (zero), of the span's load (span), of the slope (line).
    says, check : str
        Sentences for a technician: what it is, and what would tell it apart.
    """

    code: str
    prior: float
    remedy: Remedy
    spoils: Spoils
    sizes: Sizes
    says: str
    check: str


CAUSES: tuple[Cause, ...] = (
    Cause(
        "ageing", 0.19, "cell", "line",
        ((0.005, 0.03, 0.3), (0.03, 0.06, 0.4), (0.06, 0.1, 0.25), (0.1, 0.2, 0.05)),
        "The cell has drifted gradually, as cells do with seasons of use.",
        "Compare with its seasons before: a steady move in one direction is ageing.",
    ),
    Cause(
        "zero_shift", 0.12, "cell", "line",
        ((0.01, 0.03, 0.2), (0.03, 0.1, 0.4), (0.1, 0.3, 0.3), (0.3, 1.0, 0.1)),
        "The zero has moved and the slope has not: an overload or a side load has bent the cell.",
        "Repeat zero and span with the pressure bled off; if the shift stays, look for a bent "
        "pin or beam and for a hard hit.",
    ),
    Cause(
        "sensitivity_loss", 0.08, "cell", "line",
        ((0.04, 0.08, 0.15), (0.08, 0.25, 0.65), (0.25, 0.6, 0.2)),
        "The cell gives less signal for the same load: a gauge or its bond is failing, or water "
        "got in.",
        "Repeat the span on a lower support with another known load; if the slope stays low, "
        "measure the bridge resistance.",
    ),
    Cause(
        "unit_slip", 0.08, "correct", "line", (),
        "The load was probably typed in another unit than the one it was measured in.",
        "Read the unit on the weight or scale, and compare with the unit of the record.",
    ),
    Cause(
        "preloaded_zero", 0.09, "repeat", "zero",
        ((0.01, 0.05, 0.3), (0.05, 0.2, 0.45), (0.2, 0.6, 0.2), (0.6, 1.2, 0.05)),
        "The zero was taken with load on the cell: pressure left in the circuit, or the wheel "
        "touching the ground.",
        "Raise the unit until it hangs free, secure it as the operator's manual says, bleed the "
        "pressure to zero, wait, and take the zero again.",
    ),
    Cause(
        "span_not_carried", 0.09, "repeat", "span",
        ((0.03, 0.1, 0.05), (0.1, 0.25, 0.15), (0.25, 0.97, 0.5), (0.97, 1.03, 0.3)),
        "The wheel did not carry the whole load at the span: the support was too tall and tilted "
        "the unit, or the unit was still hanging.",
        "Lower the unit onto a support that leaves it level, the machine secured, and take the "
        "span again.",
    ),
    Cause(
        "points_swapped", 0.03, "correct", "line", (),
        "The readings of zero and span were probably written in each other's place.",
        "Compare with the notes: the reading at zero matches the expected span and the other "
        "way round.",
    ),
    Cause(
        "digits_transposed", 0.05, "correct", "line", (),
        "Two neighbouring digits of a number were probably typed in each other's place.",
        "Read the number from the notes or the display once more.",
    ),
    Cause(
        "copied_numbers", 0.06, "repeat", "line", (),
        "The readings equal earlier ones to the last digit: they were probably copied, not "
        "measured.",
        "Measure zero and span anew.",
    ),
    Cause(
        "cable_swapped", 0.05, "repeat", "line", (),
        "The numbers are those of a neighbouring cell on this machine: the cables are probably "
        "swapped.",
        "Press on the wheel by hand, pressure off, and see which channel moves.",
    ),
    Cause(
        "wiring_reversed", 0.03, "repeat", "line", (),
        "The reading falls where it should rise: the signal wires are probably reversed.",
        "Compare the wire colours at the plug with a neighbour, correct them, and repeat.",
    ),
    Cause(
        "at_rail", 0.03, "repeat", "line", (),
        "A reading stands at the end of the converter's range: a broken wire, a short, or a cell "
        "beyond its range.",
        "Unplug the cell and plug in a good one: if the reading stays, it is the cable or the "
        "converter.",
    ),
    Cause(
        "common_reference", 0.06, "reference", "line",
        ((0.01, 0.05, 0.6), (0.05, 0.2, 0.35), (0.2, 0.5, 0.05)),
        "The reference or the converter moved, not the cell: what else was calibrated with it "
        "that day would have moved alike.",
        "Check the reference against another one, then repeat one cell.",
    ),
    Cause(
        "extra_load", 0.03, "repeat", "span",
        ((0.02, 0.1, 0.5), (0.1, 0.5, 0.4), (0.5, 1.0, 0.1)),
        "More than the stated load stood on the wheel at the span: residual down pressure, wet "
        "soil or an attachment.",
        "Bleed the pressure to zero, clean the unit, weigh what stands on the wheel, and take "
        "the span again.",
    ),
    Cause(
        "unexplained", 0.01, "repeat", "line", (),
        "None of the known causes explains these numbers.",
        "Repeat the calibration with another reference and another technician.",
    ),
)  # fmt: skip

CODES: tuple[str, ...] = tuple(cause.code for cause in CAUSES)

# Causes that say: these numbers are not the cell's; correct them or take them again.
CERTAIN = 0.9  # probability from which a cause is as good as certain; our choice
TO_REPEAT: frozenset[str] = frozenset(
    cause.code for cause in CAUSES if cause.remedy in {"repeat", "correct"}
)
