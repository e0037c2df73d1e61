"""The dozen lines that `demo` prints: what was found where, and how to sign in."""

from collections.abc import Iterator
from dataclasses import dataclass

from calibration.demo.scenario import SIGN_INS
from calibration.demo.stories import STORIES, Story
from calibration.models import Calibration, DriftFlag, FunctionalTest, Judgement, ScanRun, Visit
from fleet.models import Customer, Dealer, Machine, Sensor

BEYOND, WATCH = DriftFlag.Level.BEYOND, DriftFlag.Level.WATCH


@dataclass(frozen=True)
class Finding:
    """What the database says about a story.

    Attributes
    ----------
    level
        Of the worst open flag on the story's cells; empty where there is none.
    kinds
        Of the open flags at that level.
    cells
        How many of the story's cells have one of them.
    cause
        What is thought most likely on the first cell, where something was thought.
    """

    level: str
    kinds: frozenset[str]
    cells: int
    cause: str

    def __str__(self) -> str:
        """Return it as a person reads it."""
        if not self.level:
            return "no flag"
        kinds = "+".join(sorted(self.kinds)) + (" watched" if self.level == WATCH else "")
        count = f" x{self.cells}" if self.cells > 1 else ""
        return f"{kinds}{count}" + (f", {self.cause}" if self.cause else "")


def finding(story: Story) -> Finding:
    """Look a story up."""
    flags = list(
        DriftFlag.objects.filter(sensor__serial__in=story.serials)
        .exclude(status=DriftFlag.Status.CLOSED)
        .values_list("kind", "level", "sensor__serial")
    )
    # A story bends its cell's trend, which may make the cell due at once: that is not the news.
    news = [row for row in flags if row[0] in story.finds] or flags
    level = BEYOND if any(row[1] == BEYOND for row in news) else WATCH if news else ""
    worst = [row for row in news if row[1] == level]
    newest = (
        Judgement.objects.filter(calibration__sensor__serial=story.serials[0])
        .order_by("-calibration__performed_at")
        .first()
    )
    causes = newest.causes if newest else []
    return Finding(
        level=str(level),
        kinds=frozenset(row[0] for row in worst),
        cells=len({row[2] for row in worst}),
        cause=causes[0]["code"] if causes else "",
    )


def lines(*, scan: ScanRun, unplanned: int, address: str) -> Iterator[str]:
    """Yield what there is, what was found, and how to get in."""
    yield _fleet()
    open_flags = DriftFlag.objects.exclude(status=DriftFlag.Status.CLOSED)
    beyond = open_flags.filter(level=BEYOND).values("sensor").distinct().count()
    yield (
        f"Scanned {scan.sensors:,} sensors: {open_flags.count()} flags stand, {beyond} sensors "
        f"beyond; {Visit.objects.count()} visits planned, {unplanned} customers do not fit."
    )
    yield f"Planted and found; look one up at {address}/admin/fleet/sensor/?q=SERIAL"
    found = {story: finding(story) for story in STORIES}
    yield from _two_columns(
        [f"{_name(story)}: {found[story]}" for story in STORIES if found[story].level]
    )
    clean = ", ".join(_name(story) for story in STORIES if not found[story].level)
    if clean:
        yield f"  No flag, as it should be: {clean}"
    people = ", ".join(
        f"{person.role.replace('_', ' ')} {person.username} / {person.password}"
        for person in SIGN_INS
    )
    yield f"Sign in at {address}/admin/: {people}"
    yield "These passwords are public: for this desk only, which is why it listens on 127.0.0.1."


def _fleet() -> str:
    counted = ", ".join(
        f"{model.objects.count():,} {name}"
        for model, name in (
            (Dealer, "dealers"),
            (Customer, "customers"),
            (Machine, "machines"),
            (Sensor, "sensors"),
            (Calibration, "calibrations"),
            (FunctionalTest, "functional tests"),
        )
    )
    return f"An invented fleet: {counted}."


def _name(story: Story) -> str:
    return f"{story.serials[0]} {story.title}"


def _two_columns(texts: list[str]) -> Iterator[str]:
    half = (len(texts) + 1) // 2
    width = max((len(text) for text in texts[:half]), default=0)
    for left, right in zip(texts[:half], [*texts[half:], ""], strict=False):
        yield f"  {left:<{width}}  {right}".rstrip()
