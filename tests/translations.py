"""Compile the catalogues: `python -m tests.translations` writes each django.mo beside its .po.

A development tool: at run time and in tests the committed .mo is used as it is.
"""

from pathlib import Path

import polib

LOCALE = Path(__file__).parent.parent / "calibration" / "locale"


def catalogues() -> list[Path]:
    """Return every .po file."""
    return sorted(LOCALE.glob("*/LC_MESSAGES/django.po"))


def compiled(path: Path) -> bytes:
    """Return a catalogue as gettext reads it."""
    return bytes(polib.pofile(str(path)).to_binary())


if __name__ == "__main__":
    for each in catalogues():
        each.with_suffix(".mo").write_bytes(compiled(each))
        print(each.with_suffix(".mo").relative_to(LOCALE))
