"""Reading a request's body: bounded, strict, and with the place of what cannot be kept."""

import json
import math
from collections.abc import Iterator, Mapping
from typing import IO, Any

from django.conf import settings
from rest_framework.parsers import BaseParser

from api.errors import TooLarge
from api.scoping import LARGEST
from fleet.errors import Malformed, Problem

DEPTH = 16
TEXT = "text without null characters and lone surrogates"
_HOLDERS = (dict, list)


class Json(BaseParser):
    """JSON (RFC 8259) in UTF-8, of bounded size and depth."""

    media_type = "application/json"

    def parse(
        self,
        stream: IO[bytes],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        """Return the value; raise Malformed or TooLarge."""
        limit = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
        body = stream.read(limit + 1)
        if len(body) > limit:
            raise TooLarge(Problem("", "The body is too long", f"at most {limit} bytes"))
        return decoded(body)


def decoded(body: bytes) -> Any:
    """Return what a JSON text says; numbers beyond a float become infinite and are found later."""
    try:
        return json.loads(body.decode("utf-8-sig"), object_pairs_hook=_once_each)
    except UnicodeDecodeError as wrong:
        raise Malformed(
            Problem("", f"Byte {wrong.start} is not UTF-8", "JSON in UTF-8")
        ) from wrong
    except json.JSONDecodeError as wrong:
        where = f"line {wrong.lineno}, column {wrong.colno}"
        raise Malformed(Problem("", f"Not JSON at {where}: {wrong.msg}", "JSON")) from wrong
    except RecursionError as wrong:
        raise Malformed(Problem("", "Nested too deeply", f"{DEPTH} levels at most")) from wrong
    except ValueError as wrong:  # a whole number of more digits than Python reads
        raise Malformed(Problem("", f"Not a number: {wrong}", "JSON")) from wrong


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Return an object; one that says the same name twice contradicts itself."""
    value = dict(pairs)
    if len(value) != len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise Malformed(Problem("", f"{twice[:80]!r} is given twice", "each name once"))
    return value


def unkeepable(value: Any) -> Iterator[Problem]:
    """Yield what no field can keep, with its place: NaN, infinity, huge numbers, broken text."""
    if not isinstance(value, _HOLDERS):
        yield from _wrong((), value)
        return
    waiting: list[tuple[tuple[str, ...], Any]] = [((), value)]
    while waiting:
        path, holder = waiting.pop()
        if len(path) >= DEPTH:
            raise Malformed(Problem("", "Nested too deeply", f"{DEPTH} levels at most"))
        if isinstance(holder, dict):
            yield from _broken_names(path, holder)
        for name, item in holder.items() if isinstance(holder, dict) else enumerate(holder):
            if isinstance(item, _HOLDERS):
                waiting.append(((*path, str(name)), item))
            elif not _is_kept(item):
                yield from _wrong((*path, str(name)), item)


def _broken_names(path: tuple[str, ...], item: Mapping[str, Any]) -> Iterator[Problem]:
    for name in item:
        if _is_broken(name):
            yield Problem(".".join(path), "A name holds broken text", TEXT, name[:40])


def _is_kept(item: Any) -> bool:
    if isinstance(item, str):
        return not _is_broken(item)
    if isinstance(item, float):
        return math.isfinite(item)
    return not isinstance(item, int) or abs(item) <= LARGEST


def _wrong(path: tuple[str, ...], item: Any) -> Iterator[Problem]:
    if _is_kept(item):
        return
    if isinstance(item, str):
        reason, accepted = "The text holds a null character or half a character", TEXT
    elif isinstance(item, float):
        reason, accepted = "Not a finite number", "a finite number"
    else:
        reason, accepted = "Too large a number", f"whole numbers of at most {LARGEST}"
    yield Problem(".".join(path), reason, accepted, str(item)[:40])


def _is_broken(text: str) -> bool:
    if "\x00" in text:
        return True
    return not text.isascii() and any("\ud800" <= character <= "\udfff" for character in text)
