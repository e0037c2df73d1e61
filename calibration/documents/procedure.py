"""What is printed for the person in the yard: the cautions, and the steps in their order.

Common practice of the trade, no source; on every machine the operator's manual goes before it.
"""


def _sentences(text: str) -> tuple[str, ...]:
    """Return the paragraphs of a text, one line each."""
    return tuple(" ".join(paragraph.split()) for paragraph in text.split("\n\n"))


CAUTIONS = _sentences("""
The operator's manual of this machine and the local codes come first; where they differ from this
sheet, they are right. Work on the hydraulics belongs to licensed people.

Park on firm, level ground; brake and chocks set; tractor off and key removed before anyone reaches
under or between.

Raised machine: transport locks and lift supports closed, and seen to be closed, before anyone goes
under. Hydraulics alone never hold a machine up.

Hydraulics hold pressure after the tractor is off. Bleed the downforce circuit to zero and watch
the gauge until it stays there; that takes minutes.

Oil under pressure goes through skin: never feel for a leak by hand; a jet that hit someone is an
emergency even when it does not hurt.

Keep hands and feet out from under a unit that is lowered on a support, and stand clear of its
travel.
""")

STEPS = _sentences("""
Read the open flags. Look the cell, its cable and plug over: nothing bent, rubbed, wet or clamped.

Let machine and electronics come to the temperature of the yard; note it.

Raise the machine, close the locks, hydraulics in neutral, bleed the downforce circuit to zero and
wait until the gauge stays at zero. Note the pressure.

Zero: unit raised and hanging free, wheel touching nothing, hydraulics still at zero. Wait until
the reading stands still; write it down.

Span: lower the unit on a support so that the known load stands on the wheel alone. Not too tall:
the unit must not tilt, and nothing else may carry.

Write down load, unit and reading. Further loads the same way: rising first, then falling.

Raise again; the zero must come back. If it does not, find out why and start again.

Compare with the expected range. Outside it, measure once more before anything is replaced.

Enter the numbers at once; leave the new card in the cab. Then prove it in the field: two or more
setpoints.
""")
