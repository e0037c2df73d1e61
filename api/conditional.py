"""Conditional requests (RFC 9110, section 13): a change rests on what its sender has read.

Reading one row, or editing it, is answered with an `ETag`. A client that sends it back in
`If-Match` changes the row only if it is still what was read; otherwise nothing is changed, and the
answer is 412 with the tag of what is there now. `If-None-Match` on reading gives 304 where nothing
is new. Nobody has to send either.
"""

import base64
import hashlib
from collections.abc import Callable
from typing import Any

from django.db import transaction
from django.http.response import HttpResponseBase
from rest_framework.request import Request
from rest_framework.response import Response

from api.errors import Stale
from api.rendering import Json
from fleet.errors import Problem

_CHANGING = {"POST", "PUT", "PATCH", "DELETE"}
_ANY = "*"


def tag_of(state: Any) -> str:
    """Return the entity tag of what an answer shows of a row."""
    content = Json().render(state)
    digest = hashlib.blake2b(content, digest_size=15).digest()
    return f'"{base64.urlsafe_b64encode(digest).decode()}"'


def is_conditional(request: Request | Any) -> bool:
    """Whether a request is to change a row only if it is still what was read."""
    return request.method in _CHANGING and "If-Match" in request.headers


def answered(request: Request, state: Any, shown: Any) -> Response:
    """Return an answer that shows a row, with its tag; 304 where the client has it already."""
    tag = tag_of(state)
    asked = request.headers.get("If-None-Match", "")
    if asked and (asked.strip() == _ANY or tag in _tags(asked)):
        return Response(status=304, headers={"ETag": tag})
    return Response(shown, headers={"ETag": tag})


def alone(request: Any, answer: Callable[[], HttpResponseBase]) -> HttpResponseBase:
    """Answer in one transaction, which a refusal undoes: comparing and changing are one."""
    with transaction.atomic():
        response = answer()
        if response.status_code >= 400:
            transaction.set_rollback(True)
    return response


def unchanged(request: Request, state: Any) -> None:
    """Raise `Stale` where a row that is held is not what the client has read."""
    asked, tag = request.headers["If-Match"], tag_of(state)
    if asked.strip() == _ANY or tag in _tags(asked):
        return
    raise Stale(
        Problem(
            "If-Match",
            "It has changed since it was read; nothing was done",
            f"{tag}, the tag of what is there now: read it, and decide again",
            asked[:80],
        ),
        tag=tag,
    )


def _tags(header: str) -> list[str]:
    """The tags of a header; a weak one is meant as the strong one that compression weakened."""
    return [tag.strip().removeprefix("W/") for tag in header.split(",")]
