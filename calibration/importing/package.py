"""An XLSX is a ZIP of XML: what is checked before a reader of spreadsheets may see it.

The few parts that are needed are unpacked under limits, looked through for formulas, and put into
a plain package of our own. So a size that lies, a part that comes twice or a bomb meets us and
not the reader, which would hold the whole sheet in memory.
"""

import errno
import io
import re
import struct
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import PurePosixPath
from typing import IO, BinaryIO
from xml.parsers import expat

from calibration.importing.source import ACCEPTED, refuse

MAX_UNPACKED = 768 * 2**20
MAX_RATIO = 200  # a sheet of numbers packs 10 to 40 times; a bomb a thousand times
MAX_PARTS = 2_000
MAX_SMALL_PART = 4 * 2**20
MAX_COLUMNS = 200
MAX_ROWS = 1_048_576
MAX_EMPTY = 2_000_000  # cells of the sheet's rectangle that hold nothing

WORKBOOK = "xl/workbook.xml"
RELATIONS = "xl/_rels/workbook.xml.rels"
_COPIED = ("[Content_Types].xml", "_rels/.rels", WORKBOOK, RELATIONS)
_ALSO = ("xl/styles.xml", "xl/sharedStrings.xml")

_PACKINGS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_CHUNK = 2**20
_OVERLAP = 2**16  # no cell's opening tag is longer than this
_P = rb"<(?:[A-Za-z_][\w.-]*:)?"  # any name space prefix
_CELL = re.compile(_P + rb"c(?=[\s>/])")
_ADDRESS = re.compile(_P + rb"""c\s(?:[^<>]*?\s)?r\s*=\s*["']([A-Za-z]{1,4})([0-9]{1,8})["']""")
_ODD = re.compile(_P + rb"""(?:(f)[\s>/]|c\s(?:[^<>]*?\s)?t\s*=\s*["'](e)["'])""")
# What is quickly found out before the exact patterns above are asked.
_PLAIN = re.compile(rb'<c r="([A-Z]{1,3})([0-9]{1,7})"')
_MAYBE_ERROR = re.compile(rb"""t\s*=\s*["']e["']""")
_NOT_UTF8 = re.compile(rb"""^<\?xml[^>]*encoding\s*=\s*["'](?!utf-8["'])""", re.IGNORECASE)
_BROKEN = (
    zipfile.BadZipFile, zlib.error, struct.error, EOFError, NotImplementedError, RuntimeError,
    ValueError, IndexError,
)  # fmt: skip
FORMULA = "values only: copy the sheet and paste it as values"


def plain_package(stream: BinaryIO) -> IO[bytes]:
    """Return a small ZIP with the first sheet and what it needs, every part of it checked.

    Raises
    ------
    Malformed
        If it is no workbook, too large, packed too tightly, or holds a formula or an error.
    """
    try:
        with zipfile.ZipFile(stream) as archive:
            parts = _checked_parts(archive)
            sheet = _first_sheet(archive, parts)
            return _copied(archive, parts, sheet)
    except (*_BROKEN, OSError) as wrong:
        if isinstance(wrong, OSError) and wrong.errno != errno.EINVAL:
            raise  # a full disk is not the file's fault; a seek to nowhere is
        raise refuse("", f"The workbook cannot be unpacked: {wrong}", ACCEPTED) from wrong


def _checked_parts(archive: zipfile.ZipFile) -> dict[str, zipfile.ZipInfo]:
    infos = archive.infolist()
    parts = {info.filename: info for info in infos}
    if len(parts) != len(infos) or len(infos) > MAX_PARTS:
        raise refuse("", "The workbook's parts are too many, or named twice", ACCEPTED)
    if any(info.compress_type not in _PACKINGS for info in infos):
        raise refuse("", "The workbook is packed in a way that XLSX does not use", ACCEPTED)
    if any(info.flag_bits & 0x1 for info in infos):
        raise refuse("", "The workbook is locked with a password", ACCEPTED)
    unpacked = sum(info.file_size for info in infos)
    if unpacked > MAX_UNPACKED:
        raise refuse(
            "", f"The workbook unpacks to {unpacked:,} bytes", f"at most {MAX_UNPACKED:,} bytes"
        )
    for info in infos:
        if info.file_size > MAX_RATIO * max(info.compress_size, 1) + 2**16:
            raise refuse(
                f"part {info.filename[:80]}",
                f"It unpacks to more than {MAX_RATIO} times its size, like a zip bomb",
                ACCEPTED,
            )
    if WORKBOOK not in parts or RELATIONS not in parts:
        raise refuse("", "This is a ZIP archive and not an XLSX workbook", ACCEPTED)
    return parts


def _small_part(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> bytes:
    if info.file_size > MAX_SMALL_PART:
        raise refuse(f"part {info.filename}", "This part is too large", ACCEPTED)
    return archive.read(info)


def _elements(xml: bytes, where: str) -> list[tuple[str, dict[str, str]]]:
    """Return every element's local name and attributes; definitions of entities are refused."""
    found: list[tuple[str, dict[str, str]]] = []

    def begin(name: str, attributes: dict[str, str]) -> None:
        local = {key.rpartition(":")[2]: value for key, value in attributes.items()}
        found.append((name.rpartition(":")[2], local))

    def doctype(*_: object) -> None:
        raise refuse(f"part {where}", "It defines entities of its own", ACCEPTED)

    parser = expat.ParserCreate()
    parser.StartElementHandler = begin
    parser.StartDoctypeDeclHandler = doctype
    try:
        parser.ParseFile(io.BytesIO(xml))
    except expat.ExpatError as wrong:
        raise refuse(f"part {where}", f"It is not well-formed: {wrong}", ACCEPTED) from wrong
    return found


def _first_sheet(archive: zipfile.ZipFile, parts: dict[str, zipfile.ZipInfo]) -> str:
    """Return the path of the first sheet's part."""
    sheets = [
        attributes
        for name, attributes in _elements(_small_part(archive, parts[WORKBOOK]), WORKBOOK)
        if name == "sheet"
    ]
    if not sheets:
        raise refuse("", "The workbook has no sheet", "one sheet with a header and rows")
    wanted = sheets[0].get("id", "")
    for name, attributes in _elements(_small_part(archive, parts[RELATIONS]), RELATIONS):
        if name == "Relationship" and attributes.get("Id") == wanted:
            target = attributes.get("Target", "")
            path = target.removeprefix("/") if target.startswith("/") else f"xl/{target}"
            if path in parts and PurePosixPath(path).parent.name == "worksheets":
                return path
    raise refuse(
        f"sheet {sheets[0].get('name', '')[:40]}", "The first sheet is no table of cells", ACCEPTED
    )


def _copied(archive: zipfile.ZipFile, parts: dict[str, zipfile.ZipInfo], sheet: str) -> IO[bytes]:
    wanted = [name for name in (*_COPIED, *_ALSO) if name in parts]
    with ExitStack() as undo:
        target = undo.enter_context(tempfile.TemporaryFile())
        left = MAX_UNPACKED
        with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED, allowZip64=True) as plain:
            for name in (*wanted, sheet):
                chunks = _unpacked(archive, parts[name], left)
                with plain.open(name, "w", force_zip64=True) as part:
                    for chunk in _looked_through(chunks) if name == sheet else chunks:
                        left -= len(chunk)
                        part.write(chunk)
        target.seek(0)
        undo.pop_all()  # all is well: it is handed on open, and closed by whoever reads it
        return target


def _unpacked(archive: zipfile.ZipFile, info: zipfile.ZipInfo, limit: int) -> Iterator[bytes]:
    """Yield a part's bytes; the check sum is compared at its end."""
    with archive.open(info) as part:
        first = True
        while chunk := part.read(_CHUNK):
            if first and (chunk.startswith((b"\xff\xfe", b"\xfe\xff")) or _NOT_UTF8.match(chunk)):
                raise refuse(f"part {info.filename}", "It is not written in UTF-8", ACCEPTED)
            if b"<!DOCTYPE" in chunk:
                raise refuse(f"part {info.filename}", "It defines entities of its own", ACCEPTED)
            limit -= len(chunk)
            if limit < 0:
                raise refuse("", "The workbook unpacks to too many bytes", f"{MAX_UNPACKED:,}")
            first = False
            yield chunk


def _looked_through(chunks: Iterator[bytes]) -> Iterator[bytes]:
    """Hand on a sheet's bytes; refuse a formula, an error, or a rectangle that is mostly empty."""
    tail, cells, widest, lowest = b"", 0, 0, 0
    for chunk in chunks:
        yield chunk
        text = tail + chunk
        # Up to the last tag that is whole; the rest waits for the next chunk.
        end = text.rfind(b">") + 1
        text, tail = text[:end], text[end:]
        if len(tail) > _OVERLAP:
            raise refuse("", "A cell of the workbook has no end", ACCEPTED)
        _refuse_odd(text)
        addresses = _addresses(text)
        cells += len(addresses)
        widest = max([widest, *(_column(name) for name in {name for name, _ in addresses})])
        lowest = max([lowest, *(int(row) for row in {row for _, row in addresses})])
        _refuse_empty(cells, widest, lowest)


def _addresses(text: bytes) -> list[tuple[bytes, bytes]]:
    """Return column and row of every cell; the way most programs write them is read fast."""
    plain: list[tuple[bytes, bytes]] = _PLAIN.findall(text)
    if len(plain) == text.count(b"<c") and b":c" not in text:
        return plain
    addresses: list[tuple[bytes, bytes]] = _ADDRESS.findall(text)
    if len(addresses) != len(_CELL.findall(text)):
        raise refuse(
            "",
            "Cells of the sheet carry no address, or one that cannot be read",
            "the sheet saved again by a spreadsheet program, or as CSV",
        )
    return addresses


def _refuse_odd(text: bytes) -> None:
    if b"<f" not in text and b":f" not in text and not _MAYBE_ERROR.search(text):
        return
    odd = _ODD.search(text)
    if odd is None:
        return
    before = _ADDRESS.findall(text, 0, odd.end())
    where = b"".join(before[-1]).decode() if before else "?"
    what = "a formula" if odd[1] else "an error value"
    raise refuse(f"cell {where}", f"The cell holds {what}", FORMULA)


def _refuse_empty(cells: int, widest: int, lowest: int) -> None:
    if widest > MAX_COLUMNS or lowest > MAX_ROWS:
        raise refuse(
            "",
            f"The sheet goes to column {widest}, row {lowest}",
            f"at most {MAX_COLUMNS} columns and {MAX_ROWS:,} rows",
        )
    if widest * lowest > 4 * cells + MAX_EMPTY:
        raise refuse(
            "",
            f"The sheet is nearly empty: {cells:,} cells on {widest * lowest:,} places",
            "one table, beginning at the top",
        )


def _column(letters: bytes) -> int:
    """Return the number of a column from its letters: A is 1, AA is 27."""
    number = 0
    for letter in letters.upper():
        number = number * 26 + letter - 64
    return number
