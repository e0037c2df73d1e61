"""How a digest reads: subject, text, HTML. Pure; every name is escaped where it stands."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from django.utils.html import format_html, format_html_join

from calibration.models import DueState

_WHY = dict(DueState.Decided.choices)


@dataclass(frozen=True)
class Item:
    """One machine's share of a digest."""

    customer: str
    machine: str
    due_on: date
    why: str
    sensors: int
    visit_on: date | None

    def when(self, day: date) -> str:
        """Return since or until when, and why."""
        when = f"overdue since {self.due_on}" if self.due_on < day else f"due on {self.due_on}"
        return f"{when}: {_WHY.get(self.why, self.why)}"

    @property
    def visit(self) -> str:
        """Return the planned day."""
        return f"visit planned on {self.visit_on}" if self.visit_on else "no visit planned"


def counted(number: int, thing: str) -> str:
    """Return a number with its noun."""
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def one_line(words: str) -> str:
    """Return text that is safe in a header: one line, nothing unprintable."""
    line = " ".join(words.split())
    return "".join(letter for letter in line if letter.isprintable())


def subject(dealer: str, items: Sequence[Item], day: date) -> str:
    """Return the subject line."""
    overdue = sum(item.due_on < day for item in items)
    machines = counted(len(items), "machine")
    return one_line(f"{one_line(dealer)[:100]}: {machines} to calibrate, {overdue} overdue")


def text(dealer: str, items: Sequence[Item], day: date) -> str:
    """Return the plain text."""
    lines = [
        f"{one_line(item.customer)}, machine {one_line(item.machine)}\n"
        f"  {counted(item.sensors, 'sensor')} {item.when(day)}; {item.visit}"
        for item in items
    ]
    return "\n".join([f"{one_line(dealer)}: to be calibrated, as of {day}", "", *lines, ""])


def html(dealer: str, items: Sequence[Item], day: date) -> str:
    """Return the same as a page."""
    rows = format_html_join(
        "\n",
        "<tr><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>",
        (
            (item.customer, item.machine, item.sensors, item.when(day), item.visit)
            for item in items
        ),
    )
    return format_html(
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{}</title></head>'
        "<body><h1>{}: to be calibrated, as of {}</h1>\n<table>\n"
        "<tr><th>Customer</th><th>Machine</th><th>Sensors</th><th>Due</th><th>Visit</th></tr>\n"
        "{}\n</table></body></html>\n",
        subject(dealer, items, day),
        dealer,
        day,
        rows,
    )
