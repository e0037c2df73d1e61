"""A long sheet cut into pieces between its rows, each a small sheet of its own.

The reader of spreadsheets is fast because it holds a whole sheet; of a piece it holds little.
"""

import re
from collections.abc import Iterator

PIECE = 12 * 2**20  # bytes of XML: some ten thousand rows of a record file
_HEAD = 2**20  # what stands before a sheet's rows is shorter
_DATA = re.compile(rb"<((?:[A-Za-z_][\w.-]*:)?)sheetData\s*>")

_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006/relationships"


def in_pieces(chunks: Iterator[bytes]) -> Iterator[bytes]:
    """Yield a sheet's XML (ECMA-376 part 1, 18.3) as sheets of about `PIECE` bytes.

    Cut is behind the last row that is whole. What cannot be cut, because it is written in some
    other way, is one piece.
    """
    head, tail, rows_end, held = b"", b"", b"", b""
    for chunk in chunks:
        held += chunk
        if not rows_end:
            data = _DATA.search(held, 0, _HEAD)
            if data is None:
                continue
            prefix = data[1]
            head, rows_end = held[: data.end()], b"</" + prefix + b"row>"
            tail = b"</" + prefix + b"sheetData></" + prefix + b"worksheet>"
        if len(held) < PIECE:
            continue
        cut = held.rfind(rows_end)
        if cut < 0:
            continue
        cut += len(rows_end)
        yield held[:cut] + tail
        held = head + held[cut:]
    yield held


def index_of_pieces(pieces: int, first: str, *, from_1904: bool) -> dict[str, str]:
    """Return the parts that name the pieces of a sheet as the sheets of a workbook."""
    names = [f"/{first}", *(f"worksheets/piece{number}.xml" for number in range(1, pieces))]
    sheets = "".join(
        f'<sheet name="{number}" sheetId="{number + 1}" r:id="p{number}"/>'
        for number in range(pieces)
    )
    links = [(f"p{number}", "worksheet", name) for number, name in enumerate(names)]
    links += [("s", "styles", "styles.xml"), ("t", "sharedStrings", "sharedStrings.xml")]
    relations = "".join(
        f'<Relationship Id="{key}" Type="{_OFFICE}/{kind}" Target="{target}"/>'
        for key, kind, target in links
    )
    return {
        "xl/workbook.xml": (
            f'<workbook xmlns="{_MAIN}" xmlns:r="{_OFFICE}">'
            f'<workbookPr date1904="{int(from_1904)}"/><sheets>{sheets}</sheets></workbook>'
        ),
        "xl/_rels/workbook.xml.rels": (
            f'<Relationships xmlns="{_PACKAGE}">{relations}</Relationships>'
        ),
    }
