"""One table from what went wrong to a status, and one form of saying it (RFC 9457)."""

import json
from collections.abc import Iterator

import pytest
from django.core.exceptions import (
    PermissionDenied,
    RequestDataTooBig,
    SuspiciousOperation,
    TooManyFieldsSent,
    ValidationError,
)
from django.db.models import ProtectedError, RestrictedError
from django.http import Http404, UnreadablePostError
from rest_framework import exceptions

from api.errors import FRAMEWORK, STATUS, describe, pointer, status_of
from fleet import errors as fleet_errors
from fleet.errors import Conflict, DomainError, Forbidden, Invalid, Malformed, NotFound, Problem


def kinds(of: type) -> Iterator[type]:
    for kind in of.__subclasses__():
        yield kind
        yield from kinds(kind)


def test_every_kind_of_domain_error_has_a_status_and_a_code_of_its_own():
    found = list(kinds(DomainError))
    assert {Invalid, Malformed, NotFound, Forbidden, Conflict} <= set(found)
    for kind in found:
        assert 400 <= status_of(kind) < 600
    ours = [kind for kind in found if kind.__module__ in {fleet_errors.__name__, "api.errors"}]
    assert len({kind.code for kind in ours}) == len(ours)
    assert set(STATUS) == set(ours)


def test_an_error_without_a_row_is_found_out():
    with pytest.raises(LookupError):
        status_of(DomainError)


@pytest.mark.parametrize(
    ("error", "status", "code"),
    [
        (Invalid("x"), 422, "invalid"),
        (Malformed("x"), 400, "malformed"),
        (NotFound("x"), 404, "not_found"),
        (Forbidden("x"), 403, "forbidden"),
        (Conflict("x"), 409, "conflict"),
        (Http404(), 404, "not_found"),
        (PermissionDenied(), 403, "forbidden"),
        (ProtectedError("x", set()), 409, "conflict"),
        (RestrictedError("x", set()), 409, "conflict"),
        (ValidationError("x"), 422, "invalid"),
        (ValidationError({"name": ["x"]}), 422, "invalid"),
        (RequestDataTooBig(), 413, "too_large"),
        (TooManyFieldsSent("x"), 400, "malformed"),
        (SuspiciousOperation("x"), 400, "malformed"),
        (UnreadablePostError("x"), 400, "malformed"),
        (exceptions.ParseError(), 400, "malformed"),
        (exceptions.NotAuthenticated(), 401, "not_signed_in"),
        (exceptions.AuthenticationFailed(), 401, "not_signed_in"),
        (exceptions.PermissionDenied(), 403, "forbidden"),
        (exceptions.NotFound(), 404, "not_found"),
        (exceptions.MethodNotAllowed("GET"), 405, "method_not_allowed"),
        (exceptions.NotAcceptable(), 406, "not_acceptable"),
        (exceptions.UnsupportedMediaType("a/b"), 415, "unsupported_media_type"),
        (exceptions.Throttled(5), 429, "too_many_requests"),
        (exceptions.ValidationError({"a": ["b"]}), 422, "invalid"),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, Exception) else None,
)
def test_what_each_error_becomes(error, status, code):
    details = describe(error)
    assert details is not None
    assert (details.status, details.code) == (status, code)
    answer = details.response()
    assert answer["Content-Type"] == "application/problem+json"
    document = json.loads(answer.content)
    assert document["status"] == answer.status_code == status
    assert document["type"].endswith(f":{code}")
    assert document["title"]
    assert document["detail"]


def test_every_error_of_the_framework_has_words():
    api = {
        kind for kind in kinds(exceptions.APIException) if kind.__module__ == exceptions.__name__
    }
    ours = {kind for kind in FRAMEWORK if kind.__module__ != exceptions.__name__}
    assert api - {exceptions.ValidationError} == set(FRAMEWORK) - ours


def test_our_own_mistakes_are_not_covered_up():
    assert describe(KeyError("x")) is None


def test_headers_that_go_with_it():
    assert describe(exceptions.Throttled(4.2)).headers == {"Retry-After": "5"}
    assert describe(exceptions.NotAuthenticated()).headers == {"WWW-Authenticate": "Bearer"}


@pytest.mark.parametrize(
    ("path", "expected"),
    [("", ""), ("points.1.load", "/points/1/load"), ("a/b", "/a~1b"), ("a~b", "/a~0b")],
)  # examples of RFC 6901, section 5, from memory
def test_pointers(path, expected):
    assert pointer(path) == expected


def test_a_problem_says_what_and_what_would_be_accepted():
    document = describe(Invalid(Problem("load_unit", "Not a unit", "daN, N", "stone"))).document()
    assert document["errors"] == [
        {"pointer": "/load_unit", "reason": "Not a unit", "accepted": "daN, N", "value": "stone"}
    ]
    assert "daN, N" in document["detail"]


def test_half_characters_can_be_answered():
    document = describe(Invalid(Problem("\ud800", "x\udfff", "", "\ud800"))).response().content
    json.dumps(json.loads(document)).encode()
    document.decode()
