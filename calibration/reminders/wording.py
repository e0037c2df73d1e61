"""How e-mails read: subject, text, HTML, in the language that is active. Every name is escaped.

Sentences are whole in each message, so that a translation may order its words as it likes; days
are written as ISO 8601 in every language.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString
from django.utils.translation import get_language, gettext, gettext_lazy, ngettext

WHY = {
    "never_calibrated": gettext_lazy("never calibrated here"),
    "interval": gettext_lazy("its interval ends"),
    "reliability": gettext_lazy("sensors of its model stay in tolerance no longer"),
    "crossing": gettext_lazy("it is expected to leave its tolerance"),
    "season": gettext_lazy("the season starts"),
}


@dataclass(frozen=True)
class Item:
    """One machine's share of a letter."""

    customer: str
    machine: str
    due_on: date
    why: str
    sensors: int
    visit_on: date | None

    def when(self, day: date) -> str:
        """Return since or until when, and why."""
        said = {"day": self.due_on, "why": WHY.get(self.why, self.why)}
        if self.due_on < day:
            return gettext("overdue since %(day)s: %(why)s") % said
        return gettext("due on %(day)s: %(why)s") % said

    @property
    def visit(self) -> str:
        """Return the planned day."""
        if self.visit_on:
            return gettext("visit planned on %(day)s") % {"day": self.visit_on}
        return gettext("no visit planned")


def sensors(number: int) -> str:
    """Return how many sensors."""
    return ngettext("%(number)d sensor", "%(number)d sensors", number) % {"number": number}


def one_line(words: str) -> str:
    """Return text that is safe in a header: one line, nothing unprintable."""
    line = " ".join(words.split())
    return "".join(letter for letter in line if letter.isprintable())


# ── To the dealer ─────────────────────────────────────────────────────────────
def subject(dealer: str, items: Sequence[Item], day: date) -> str:
    """Return the subject line."""
    said = ngettext(
        "%(dealer)s: %(number)d machine to calibrate, %(overdue)d overdue",
        "%(dealer)s: %(number)d machines to calibrate, %(overdue)d overdue",
        len(items),
    ) % {
        "dealer": one_line(dealer)[:100],
        "number": len(items),
        "overdue": sum(item.due_on < day for item in items),
    }
    return one_line(said)


def text(dealer: str, items: Sequence[Item], day: date) -> str:
    """Return the plain text."""
    lines = [
        gettext("%(customer)s, machine %(machine)s")
        % {"customer": one_line(item.customer), "machine": one_line(item.machine)}
        + f"\n  {sensors(item.sensors)} {item.when(day)}; {item.visit}"
        for item in items
    ]
    return "\n".join([_title(one_line(dealer), day), "", *lines, ""])


def html(dealer: str, items: Sequence[Item], day: date) -> str:
    """Return the same as a page."""
    rows = (
        (item.customer, item.machine, item.sensors, item.when(day), item.visit) for item in items
    )
    return _page(subject(dealer, items, day), _title(dealer, day), _heads(), rows, "")


def _title(dealer: str, day: date) -> str:
    return gettext("%(dealer)s: to be calibrated, as of %(day)s") % {"dealer": dealer, "day": day}


def _heads() -> tuple[str, ...]:
    return (
        gettext("Customer"), gettext("Machine"), gettext("Sensors"), gettext("Due"),
        gettext("Visit"),
    )  # fmt: skip


# ── To a customer ─────────────────────────────────────────────────────────────
@dataclass(frozen=True)
class Note:
    """A note about one visit: on which day, to which machines; or that it will not take place."""

    dealer: str
    planned_on: date
    items: Sequence[Item]
    cancels: bool = False

    @property
    def subject(self) -> str:
        """Return the subject line."""
        words = (
            gettext("%(dealer)s: no calibration of your machines on %(day)s")
            if self.cancels
            else gettext("%(dealer)s: calibration of your machines on %(day)s")
        )
        return one_line(words % {"dealer": one_line(self.dealer)[:100], "day": self.planned_on})

    def text(self, day: date) -> str:
        """Return the plain text."""
        lines = [
            f"- {one_line(item.machine)}: {sensors(item.sensors)} {item.when(day)}"
            for item in self.items
        ]
        listed = [*lines, ""] if lines else []
        return "\n".join([one_line(self._says()), "", *listed, self._asks(), ""])

    def html(self, day: date) -> str:
        """Return the same as a page."""
        rows = [(item.machine, item.sensors, item.when(day)) for item in self.items]
        heads = _heads()[1:4] if rows else ()
        return _page(self.subject, self._says(), heads, rows, self._asks())

    def _says(self) -> str:
        words = (
            gettext("%(dealer)s does not come on %(day)s: that visit is called off.")
            if self.cancels
            else gettext(
                "%(dealer)s would like to calibrate the load sensors of your machines on %(day)s."
            )
        )
        return words % {"dealer": self.dealer, "day": self.planned_on}

    def _asks(self) -> str:
        if self.cancels:
            return gettext("You need not prepare anything. If it should take place, tell us.")
        return gettext(
            "Please have the machines accessible, on level and firm ground. If the day does not "
            "suit you, tell us another one."
        )


# ── A page ────────────────────────────────────────────────────────────────────
def _page(
    title: str,
    heading: str,
    heads: Sequence[str],
    rows: Iterable[tuple[object, ...]],
    closing: str,
) -> SafeString:
    return format_html(
        '<!doctype html>\n<html lang="{}"><head><meta charset="utf-8"><title>{}</title></head>'
        "<body><h1>{}</h1>\n{}{}</body></html>\n",
        get_language() or "en",
        title,
        heading,
        _table(heads, rows) if heads else "",
        format_html("<p>{}</p>", closing) if closing else "",
    )


def _table(heads: Sequence[str], rows: Iterable[tuple[object, ...]]) -> SafeString:
    return format_html(
        "<table>\n<tr>{}</tr>\n{}\n</table>",
        format_html_join("", "<th>{}</th>", ((head,) for head in heads)),
        format_html_join(
            "\n",
            "<tr>{}</tr>",
            ((format_html_join("", "<td>{}</td>", ((cell,) for cell in row)),) for row in rows),
        ),
    )
