"""The one table from what went wrong to an HTTP status, and the answer that says so (RFC 9457)."""

import logging
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from http import HTTPStatus
from typing import Any

from django.core.exceptions import (
    PermissionDenied,
    RequestDataTooBig,
    SuspiciousOperation,
    ValidationError,
)
from django.db import DatabaseError, InterfaceError, OperationalError
from django.db.models import ProtectedError, RestrictedError
from django.http import Http404, HttpResponse, JsonResponse, UnreadablePostError
from rest_framework import exceptions

from fleet import trace
from fleet.errors import Conflict, DomainError, Forbidden, Invalid, Malformed, NotFound, Problem

logger = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"
NAMESPACE = "urn:spanbook:problem:"
CHALLENGE = "Bearer"


class TooLarge(DomainError):
    """The body is longer than what is read."""

    code = "too_large"
    title = "The request is too large"


class BadQuery(DomainError):
    """A parameter of the address is unknown, or has a value that cannot be."""

    code = "bad_query"
    title = "The address cannot be understood"


class Encoding(DomainError):
    """The body is packed in a way that is not read (RFC 7694)."""

    code = "unsupported_encoding"
    title = "The body's encoding is not read"


class Stale(DomainError):
    """The row is not what its sender has read; `tag` is the entity tag of what is there."""

    code = "stale"
    title = "It has changed meanwhile"

    def __init__(self, *problems: Problem | str, tag: str = "") -> None:
        super().__init__(*problems)
        self.tag = tag


class Unavailable(DomainError):
    """Something that this rests on does not answer now."""

    code = "unavailable"
    title = "Not available now"


class NotSetUp(DomainError):
    """Something that this rests on was not set up here."""

    code = "not_set_up"
    title = "This is not set up here"


class CodeNeeded(exceptions.AuthenticationFailed):
    """The password is right, and the second factor was not given."""

    default_detail = "Give the code of your authenticator, or a recovery code, as otp."


class NoRoom(DomainError):
    """The database has no room for more; nothing of the request is stored."""

    code = "no_room"
    title = "There is no room to store this"


# Every kind of DomainError, and nothing but this table says which status it has.
STATUS: Mapping[type[DomainError], HTTPStatus] = {
    Invalid: HTTPStatus.UNPROCESSABLE_ENTITY,
    Malformed: HTTPStatus.BAD_REQUEST,
    BadQuery: HTTPStatus.BAD_REQUEST,
    NotFound: HTTPStatus.NOT_FOUND,
    Forbidden: HTTPStatus.FORBIDDEN,
    Conflict: HTTPStatus.CONFLICT,
    TooLarge: HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    Stale: HTTPStatus.PRECONDITION_FAILED,
    Encoding: HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
    NotSetUp: HTTPStatus.CONFLICT,
    Unavailable: HTTPStatus.SERVICE_UNAVAILABLE,
    NoRoom: HTTPStatus.INSUFFICIENT_STORAGE,
}
RETRY_AFTER = "5"  # seconds, with every 503

# What the framework raises: code and title; the status is the framework's own.
FRAMEWORK: Mapping[type[exceptions.APIException], tuple[str, str]] = {
    CodeNeeded: ("code_needed", "A code is needed, too"),
    exceptions.ParseError: (Malformed.code, Malformed.title),
    exceptions.NotAuthenticated: ("not_signed_in", "Sign in first"),
    exceptions.AuthenticationFailed: ("not_signed_in", "The credentials are not accepted"),
    exceptions.PermissionDenied: (Forbidden.code, Forbidden.title),
    exceptions.NotFound: (NotFound.code, NotFound.title),
    exceptions.MethodNotAllowed: ("method_not_allowed", "This address does not know the method"),
    exceptions.NotAcceptable: ("not_acceptable", "There is no such format of it"),
    exceptions.UnsupportedMediaType: ("unsupported_media_type", "The body's type is not read"),
    exceptions.Throttled: ("too_many_requests", "Too many requests"),
}


@dataclass(frozen=True)
class Details:
    """One problem document and the headers that go with it."""

    status: int
    code: str
    title: str
    detail: str
    errors: list[dict[str, str]] = field(default_factory=list)
    headers: Mapping[str, str] = field(default_factory=dict)

    def document(self) -> dict[str, Any]:
        """Return the members of the problem document."""
        return {
            "type": f"{NAMESPACE}{self.code}",
            "title": self.title,
            "status": int(self.status),
            "detail": _whole(self.detail),
            "code": self.code,
            "errors": self.errors,
        }

    def response(self) -> HttpResponse:
        """Return the answer: always JSON, whatever format was asked for."""
        return JsonResponse(
            self.document() | {"request_id": trace.current()},
            status=self.status,
            headers=dict(self.headers),
            content_type=MEDIA_TYPE,
        )


def pointer(path: str) -> str:
    """Return a dotted path as a JSON pointer (RFC 6901): ``points.1`` is ``/points/1``."""
    if not path:
        return ""
    parts = (part.replace("~", "~0").replace("/", "~1") for part in path.split("."))
    return "/" + "/".join(parts)


def members(problems: Iterable[Problem]) -> list[dict[str, str]]:
    """Return problems as the `errors` of a problem document."""
    return [
        {
            "pointer": _whole(pointer(problem.field)),
            "reason": problem.reason,
            "accepted": problem.accepted,
            "value": _whole(problem.value),
        }
        for problem in problems
    ]


def _whole(text: str) -> str:
    """Return a text with half characters spelled out, so that it can be sent."""
    return text.encode("utf-8", "backslashreplace").decode()


def status_of(kind: type[DomainError]) -> HTTPStatus:
    """Return the status of a kind of error, or of the nearest kind above it."""
    for above in kind.__mro__:
        if above in STATUS:
            return STATUS[above]
    raise LookupError(f"{kind.__name__} has no row in api.errors.STATUS")


def describe(error: Exception) -> Details | None:
    """Return what to answer to an error; None for one that is our own mistake."""
    error = _in_our_words(error)
    if isinstance(error, DomainError):
        problems = [replace(each, reason=each.reason.rstrip(".")) for each in error.problems]
        detail = " ".join(str(each) for each in problems)
        status, errors = status_of(type(error)), members(problems)
        return Details(status, error.code, error.title, detail, errors, _headers(error))
    if isinstance(error, exceptions.APIException):
        return _from_framework(error)
    return None


def problem(error: Exception, _context: Mapping[str, Any]) -> HttpResponse | None:
    """Answer an error (the framework's EXCEPTION_HANDLER)."""
    details = describe(error)
    return None if details is None else details.response()


def failed() -> Details:
    """Return the answer to a request in which something of ours went wrong."""
    detail = (
        "Something failed here; it is not what was sent. Whether it was stored is not sure: send "
        "it again with the same id. The log has what happened under this request_id."
    )
    return Details(500, "failed", "Something failed here", detail)


def _in_our_words(error: Exception) -> Exception:
    """Return Django's errors as ours, everything else as it is."""
    for kind, ours in _DJANGO.items():
        if isinstance(error, kind):
            return ours(error)
    return _of_database(error) if isinstance(error, DatabaseError | InterfaceError) else error


def _of_database(error: DatabaseError | InterfaceError) -> Exception:
    """Return what a database says that is away or full as ours; our own mistakes as they are."""
    cause, text = error.__cause__, str(error)
    state = getattr(cause, "sqlstate", None) or ""
    if state == "53100" or "disk is full" in text:
        logger.error("the database has no room", exc_info=error)
        return NoRoom("The database has no room; nothing was stored. Tell who runs it.")
    lost = not state and type(cause).__module__.partition(".")[0] == "psycopg"
    away = state[:2] in _AWAY or state in _BUSY or any(sign in text for sign in _SIGNS)
    if away or (lost and isinstance(error, OperationalError | InterfaceError)):
        logger.error("the database does not answer", exc_info=error)
        return Unavailable("The database does not answer now. Send it again with the same id.")
    return error


# SQLSTATE classes (PostgreSQL manual, appendix A): connection, resources, operator intervention.
_AWAY = {"08", "53", "57"}
_BUSY = {"55P03", "40P01"}  # a lock was not to be had, a deadlock
_SIGNS = ("database is locked", "unable to open database file", "disk I/O error")


# In this order: the first kind that an error is of has the word.
_DJANGO: Mapping[type[Exception], Callable[[Any], DomainError]] = {
    Http404: lambda _: NotFound("There is nothing at this address, or not for you."),
    PermissionDenied: lambda error: Forbidden(str(error) or "Your role does not allow this."),
    ProtectedError: lambda _: Conflict("Other rows rest on this one; it cannot be removed."),
    RestrictedError: lambda _: Conflict("Other rows rest on this one; it cannot be removed."),
    ValidationError: lambda error: Invalid(*error.messages),
    RequestDataTooBig: lambda _: TooLarge("The body is longer than what is read at once."),
    SuspiciousOperation: lambda error: Malformed(f"The request cannot be read: {error}"),
    UnreadablePostError: lambda error: Malformed(f"The request cannot be read: {error}"),
}


def _headers(error: DomainError) -> Mapping[str, str]:
    if isinstance(error, Stale):
        return {"ETag": error.tag}
    if status_of(type(error)) == HTTPStatus.SERVICE_UNAVAILABLE:
        return {"Retry-After": RETRY_AFTER}
    return {"Accept-Encoding": "gzip"} if isinstance(error, Encoding) else {}


def _from_framework(error: exceptions.APIException) -> Details:
    if isinstance(error, exceptions.ValidationError):
        return Details(422, Invalid.code, Invalid.title, str(error.detail))
    code, title = FRAMEWORK.get(type(error), ("error", "This cannot be done"))
    status, headers = error.status_code, {}
    if isinstance(error, exceptions.NotAuthenticated | exceptions.AuthenticationFailed):
        # The framework turns 401 into 403 where no authenticator ran (the token endpoint).
        status, headers = 401, {"WWW-Authenticate": CHALLENGE}
    wait = getattr(error, "wait", None)  # of Throttled
    if wait is not None:
        headers = {"Retry-After": str(max(1, round(wait)))}
    return Details(status, code, title, str(error.detail), headers=headers)
