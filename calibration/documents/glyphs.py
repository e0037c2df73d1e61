"""Which characters the vendored fonts can draw, and text made safe for them.

A PDF/A file must not hold a character without a glyph: a name in a script that the fonts do not
have would stop the whole document. Such a character is drawn as an empty square instead.
"""

import functools
import struct
import unicodedata
from collections.abc import Iterator
from pathlib import Path
from typing import Any

FONTS = Path(__file__).parent / "fonts"
STAND_IN = "\N{WHITE SQUARE}"
_DRAWS_NOTHING = frozenset(("Cf", "Cs", "Co", "Cn"))
_VARIATION_SELECTORS = range(0xFE00, 0xFE10)


def _table(font: bytes, tag: bytes) -> bytes:
    """Return one table of an OpenType font (ISO/IEC 14496-22, 4.3: the table directory)."""
    (count,) = struct.unpack_from(">H", font, 4)
    for number in range(count):
        name, _, offset, length = struct.unpack_from(">4sIII", font, 12 + 16 * number)
        if name == tag:
            return font[offset : offset + length]
    raise ValueError(f"the font has no {tag.decode()} table")


def _groups(table: bytes) -> Iterator[tuple[int, int]]:
    """Yield first and last code point of each run (ISO/IEC 14496-22, 5.2.1: cmap, format 12)."""
    (count,) = struct.unpack_from(">H", table, 2)
    for number in range(count):
        _, _, start = struct.unpack_from(">HHI", table, 4 + 8 * number)
        (layout,) = struct.unpack_from(">H", table, start)
        if layout == 12:
            (runs,) = struct.unpack_from(">I", table, start + 12)
            for run in range(runs):
                yield struct.unpack_from(">II", table, start + 16 + 12 * run)
            return
    raise ValueError("the font has no character map of format 12")


@functools.cache
def covered() -> frozenset[int]:
    """Return the code points that every vendored face can draw."""
    faces = [
        frozenset(
            point
            for first, last in _groups(_table(path.read_bytes(), b"cmap"))
            for point in range(first, last + 1)
        )
        for path in sorted(FONTS.glob("*.otf"))
    ]
    return frozenset.intersection(*faces)


def printable(text: str) -> str:
    """Return a text that can be drawn: composed, without control characters, strays boxed."""
    if text.isascii() and text.isprintable():
        return text
    drawn = []
    for character in unicodedata.normalize("NFC", text):
        point, kind = ord(character), unicodedata.category(character)
        if character == "\n" or point in covered():
            drawn.append(character)
        elif kind == "Cc":
            drawn.append(" ")
        elif kind not in _DRAWS_NOTHING and point not in _VARIATION_SELECTORS:
            drawn.append(STAND_IN)
    return "".join(drawn)


def all_printable(value: Any) -> Any:
    """Return a JSON value with every text in it made safe to draw."""
    if isinstance(value, str):
        return printable(value)
    if isinstance(value, dict):
        return {key: all_printable(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [all_printable(item) for item in value]
    return value
