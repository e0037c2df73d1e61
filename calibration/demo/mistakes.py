"""What went wrong between the cell and the paper: the stories that only the writing down tells."""

from collections.abc import Callable
from dataclasses import replace

from calibration.demo import layout, simulate
from calibration.demo.simulate import Point, Written
from calibration.demo.stories import STORIES, Plot, Story
from fleet import units

Records = dict[tuple[str, int], Written]
"""Records by serial and visit."""


def written_down(measured: Records) -> Records:
    """Return the records as they were handed in, each story's slip made."""
    records = dict(measured)
    for story in STORIES:
        slip = _SLIPS.get(story.plot)
        if slip:
            records |= slip(records, story)
    return records


def _kilograms_for_pounds(records: Records, story: Story) -> Records:
    """Write loads that were read off in kgf where the form says lbf."""
    key = (story.serials[0], story.visit)
    record = records[key]
    points = tuple(
        (round(load * units.LOAD[record.dealer.load_unit] / units.LOAD["kgf"], 1), reading, way)
        for load, reading, way in record.points
    )
    return {key: replace(record, points=points)}


def _neighbours_exchanged(records: Records, story: Story) -> Records:
    """Exchange the readings of two cells whose cables were plugged in crosswise."""
    one, other = ((serial, story.visit) for serial in story.serials)
    return {
        one: replace(records[one], points=records[other].points),
        other: replace(records[other], points=records[one].points),
    }


def _tag_copied(records: Records, story: Story) -> Records:
    """Write the tag's numbers once more; nobody drove out."""
    key = (story.serials[0], story.visit)
    record = records[key]
    tag = simulate.true_line(layout.cell(record.serial)).tag
    load = tag.span_load * units.LOAD[tag.load_unit] / units.LOAD[record.dealer.load_unit]
    points = ((0.0, tag.zero_reading, "up"), (round(load, 1), tag.span_reading, "up"))
    return {key: replace(record, points=points)}


def _digits_exchanged(records: Records, story: Story) -> Records:
    key = (story.serials[0], story.visit)
    record = records[key]
    return {key: replace(record, points=_transposed(record.points))}


def _typed_wrong_then_corrected(records: Records, story: Story) -> Records:
    key = (story.serials[0], story.visit)
    record = records[key]
    return {key: replace(record, corrected_from=_transposed(record.points))}


def _transposed(points: tuple[Point, ...]) -> tuple[Point, ...]:
    """Exchange two neighbouring digits of the highest reading, where it matters most."""
    number = max(range(len(points)), key=lambda index: abs(points[index][1]))
    load, reading, way = points[number]
    digits = str(int(reading))
    at = next(place for place in range(1, len(digits) - 1) if digits[place] != digits[place + 1])
    slipped = digits[:at] + digits[at + 1] + digits[at] + digits[at + 2 :]
    return (*points[:number], (load, float(slipped), way), *points[number + 1 :])


_SLIPS: dict[Plot, Callable[[Records, Story], Records]] = {
    Plot.UNIT_SLIP: _kilograms_for_pounds,
    Plot.CABLE_SWAPPED: _neighbours_exchanged,
    Plot.COPIED: _tag_copied,
    Plot.DIGITS_TRANSPOSED: _digits_exchanged,
    Plot.CORRECTED: _typed_wrong_then_corrected,
}
