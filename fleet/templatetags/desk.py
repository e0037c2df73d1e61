"""What the lists of the desk need beyond Django's: each cell knows what its column is called."""

from collections.abc import Iterable, Mapping
from typing import Any

from django import template
from django.utils.html import format_html, strip_tags
from django.utils.safestring import SafeString, mark_safe
from django.utils.text import capfirst

register = template.Library()


@register.filter
def labelled(row: Iterable[str], headers: Iterable[Mapping[str, Any]]) -> list[SafeString]:
    """Return a row's cells, each with its column's name for where the heads are not beside it.

    On a phone the cells of a row stand below one another, each after its `data-label`.
    """
    cells = []
    for cell, header in zip(row, headers, strict=True):
        name = str(capfirst(strip_tags(str(header["text"])).strip()))
        tag, _, rest = str(cell).partition(">")
        # The cell is Django's own markup; what is added is escaped.
        cells.append(mark_safe(f"{tag}{_label(name)}>{rest}"))  # noqa: S308 # nosec B308 B703
    return cells


def _label(name: str) -> SafeString:
    return format_html(' data-label="{}"', name) if name else SafeString("")
