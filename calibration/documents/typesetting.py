"""From a template and its data to a PDF: archival (PDF/A-2a) and accessible (PDF/UA-1).

What a person typed goes in as JSON and is never read as markup. The same data and the same `now`
give the same bytes.
"""

import functools
import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibration.documents.glyphs import FONTS, all_printable
from fleet.errors import Invalid, Problem

if TYPE_CHECKING:
    import typst

TEMPLATES = Path(__file__).parent / "templates"
PAPERS: Mapping[str, str] = {"a4": "a4", "letter": "us-letter"}


@functools.cache
def _fonts() -> "typst.Fonts":
    """Return the vendored fonts and no others, read once and shared by all threads."""
    import typst

    return typst.Fonts(
        include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(FONTS)]
    )


def paper_size(paper: str) -> str:
    """Return the typesetter's name of a paper size; refuse one that there is no sheet for."""
    if paper not in PAPERS:
        raise Invalid(Problem("paper", "There is no sheet of this size", "a4 or letter", paper))
    return PAPERS[paper]


def typeset(template: str, data: Mapping[str, Any], *, now: datetime, paper: str) -> bytes:
    """Return the PDF of a template filled with data.

    The template reads `data` as JSON and the paper from its inputs; it can read nothing outside
    the folder of templates.
    """
    import typst

    inputs = {"paper": paper_size(paper), "data": json.dumps(all_printable(data))}
    return typst.compile(
        str(TEMPLATES / f"{template}.typ"),
        root=str(TEMPLATES),
        font_paths=_fonts(),
        sys_inputs=inputs,
        pdf_standards=["a-2a", "ua-1"],
        timestamp=int(now.timestamp()),
    )


def qr_svg(link: str) -> str:
    """Return a QR code (ISO/IEC 18004) that leads to a link, as SVG."""
    import segno

    return str(segno.make(link, error="m", micro=False).svg_inline(border=0, omitsize=True))
