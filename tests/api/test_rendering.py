"""Answers are written by orjson and say what Django REST framework's own writer says."""

import json
from datetime import UTC, date, datetime, time, timedelta, timezone
from decimal import Decimal
from uuid import UUID

import numpy as np
import pytest
from django.utils.safestring import mark_safe
from django.utils.translation import gettext_lazy
from rest_framework.renderers import JSONRenderer

from api.rendering import Json
from calibration.models import Verdict

SAID = [
    {"a": [1, -0.0, 1e-7, 1e300, 0.1 + 0.2, 2**53 + 1], "ł": None, "wahr": True},
    [datetime(2026, 3, 10, 9, 0, 0, 123456, tzinfo=UTC), date(2026, 3, 10), time(9, 0)],
    [datetime(2026, 3, 10, 9, tzinfo=timezone(timedelta(hours=-3))), timedelta(seconds=90)],
    {"uuid": UUID(int=7), "verdict": Verdict.BEYOND, "decimal": Decimal("1.50")},
    [gettext_lazy("Yes"), mark_safe("<b>"), (1, 2), np.float64(1.5), np.int64(3)],
    {"a number beyond 64 bits": 2**70},
    {2026: "a key that is no text"},
    "",
    [],
]


@pytest.mark.parametrize("said", SAID)
def test_it_says_what_the_framework_says(said):
    ours, theirs = (kind().render(said, "application/json", {}) for kind in (Json, JSONRenderer))
    assert json.loads(ours) == json.loads(theirs)


def test_it_says_nothing_where_there_is_nothing():
    assert Json().render(None) == b""


def test_lines_are_broken_for_who_asks():
    said = Json().render({"a": 1}, "application/json; indent=2", {})
    assert said == b'{\n  "a": 1\n}'


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_what_is_no_number_is_null(value):
    """None of ours leaves the core; JSON (RFC 8259) has no way to write one."""
    assert Json().render([value]) == b"[null]"
