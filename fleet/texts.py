"""Which characters a text may hold: those that are shown, in one line unless it has several."""

import unicodedata
from collections.abc import Iterable, Iterator

from django.db import models

from fleet.errors import Invalid, Problem

LINE_ENDS = "\t\n\r"
ONE_LINE, LINES = "printable text in one line", "printable text, in several lines if need be"
_UNSEEN = frozenset({"Cc", "Cs", "Cn"})  # controls, half characters, what stands for nothing


def unprintable(text: str, *, lines: bool = False) -> str:
    """Return the first character that is not shown, like U+0007; nothing where there is none.

    Parameters
    ----------
    text
        What was given.
    lines
        Whether it may have line ends and tabs.
    """
    if text.isprintable():
        return ""
    allowed = LINE_ENDS if lines else ""
    for letter in text:
        if unicodedata.category(letter) in _UNSEEN and letter not in allowed:
            return f"U+{ord(letter):04X}"
    return ""


def shown(text: str) -> str:
    """Return the beginning of a text with what is not shown written as a number."""
    return text[:40].encode("ascii", "backslashreplace").decode()


def problem_of(field: str, text: str, *, lines: bool = False) -> Problem | None:
    """Return what is wrong with the characters of a text; None where nothing is."""
    found = unprintable(text, lines=lines)
    if not found:
        return None
    return Problem(
        field, f"Holds the character {found}", LINES if lines else ONE_LINE, shown(text)
    )


def require_one_line(field: str, text: str) -> None:
    """Raise Invalid where a text holds what is not shown in one line."""
    found = problem_of(field, text)
    if found:
        raise Invalid(found)


def require_printable(row: models.Model, only: Iterable[str] | None = None) -> None:
    """Raise Invalid where a row's texts, or those named, hold what is not shown."""
    problems = list(_problems(row, None if only is None else frozenset(only)))
    if problems:
        raise Invalid(*problems)


def _problems(row: models.Model, only: frozenset[str] | None) -> Iterator[Problem]:
    for field in row._meta.concrete_fields:
        typed = isinstance(field, models.CharField | models.TextField) and field.editable
        if not typed or (only is not None and field.name not in only):
            continue
        value = getattr(row, field.attname)
        lines = isinstance(field, models.TextField)
        found = problem_of(field.name, value, lines=lines) if isinstance(value, str) else None
        if found:
            yield found
