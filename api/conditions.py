"""Conditions that a list can be filtered by; each kind says what it accepts."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Any, ClassVar
from uuid import UUID

from django.db.models import Q
from django.utils.dateparse import parse_date, parse_datetime

from api.scoping import Rows, candidates, same_text
from fleet.scope import Scope

YEARS = (1900, 2200)
DAY = "a day: YYYY-MM-DD"
IN_UTC = (
    "Without an offset it is read in UTC, and a day is its first moment in UTC. Ask for a day of "
    "another clock by its first moment there, with the offset: 2026-03-28T00:00:00+02:00 (in an "
    "address the + is written %2B)."
)
MOMENT = "a day or an ISO 8601 moment: 2026-03-28 or 2026-03-28T09:10:00+02:00"


@dataclass(frozen=True)
class Filter:
    """One parameter of a list: text that is equal, in capitals or not."""

    path: str

    ACCEPTED: ClassVar[str] = "text"
    KIND: ClassVar[Mapping[str, Any]] = {"type": "string"}

    @property
    def accepted(self) -> str:
        """What would be accepted."""
        return self.ACCEPTED

    @property
    def says(self) -> str:
        """The parameter's description."""
        return self.accepted

    @property
    def kind(self) -> Mapping[str, Any]:
        """The parameter's schema."""
        return self.KIND

    def condition(self, text: str, scope: Scope) -> Q:
        """Return the condition for one value.

        Raises
        ------
        ValueError
            If the value cannot be one of those that are `accepted`.
        """
        return same_text(self.path, text)


@dataclass(frozen=True)
class Contains(Filter):
    """Text that occurs in a column."""

    def condition(self, text: str, scope: Scope) -> Q:
        """Return the condition for one value."""
        return Q(**{f"{self.path}__icontains": text})


@dataclass(frozen=True)
class OneOf(Filter):
    """One of a few words."""

    words: tuple[str, ...]

    @property
    def accepted(self) -> str:
        """What would be accepted."""
        return "one of " + ", ".join(self.words)

    @property
    def kind(self) -> Mapping[str, Any]:
        """The parameter's schema."""
        return {"type": "string", "enum": list(self.words)}

    def condition(self, text: str, scope: Scope) -> Q:
        """Return the condition for one value."""
        if text not in self.words:
            raise ValueError
        return Q(**{self.path: text})


@dataclass(frozen=True)
class Whether(Filter):
    """Yes or no; `path` may end in a lookup such as `__isnull`, `inverted` turns it round."""

    inverted: bool = False
    ACCEPTED: ClassVar[str] = "true or false"
    KIND: ClassVar[Mapping[str, Any]] = {"type": "boolean"}

    def condition(self, text: str, scope: Scope) -> Q:
        """Return the condition for one value."""
        return Q(**{self.path: {"true": True, "false": False}[text] is not self.inverted})


@dataclass(frozen=True)
class Whole(Filter):
    """A whole number."""

    ACCEPTED: ClassVar[str] = "a whole number"
    KIND: ClassVar[Mapping[str, Any]] = {"type": "integer"}

    def condition(self, text: str, scope: Scope) -> Q:
        """Return the condition for one value."""
        if not re.fullmatch(r"-?[0-9]{1,18}", text):
            raise ValueError
        return Q(**{self.path: int(text)})


@dataclass(frozen=True)
class Number(Filter):
    """A number; `path` ends in a lookup such as `__gte`."""

    ACCEPTED: ClassVar[str] = "a number"
    KIND: ClassVar[Mapping[str, Any]] = {"type": "number"}

    def condition(self, text: str, scope: Scope) -> Q:
        """Return the condition for one value."""
        if not re.fullmatch(r"[-+0-9.eE]{1,40}", text) or not math.isfinite(float(text)):
            raise ValueError
        return Q(**{self.path: float(text)})


@dataclass(frozen=True)
class Day(Filter):
    """A day; `path` ends in a lookup such as `__gte`."""

    ACCEPTED: ClassVar[str] = DAY
    KIND: ClassVar[Mapping[str, Any]] = {"type": "string", "format": "date"}

    def condition(self, text: str, scope: Scope) -> Q:
        """Return the condition for one value."""
        return Q(**{self.path: _day(text)})


@dataclass(frozen=True)
class Moment(Filter):
    """A moment, or the start (UTC) of a day; `path` ends in a lookup such as `__gte`."""

    ACCEPTED: ClassVar[str] = MOMENT
    KIND: ClassVar[Mapping[str, Any]] = {"type": "string"}

    @property
    def says(self) -> str:
        """The parameter's description."""
        return f"{self.accepted}. {IN_UTC}"

    def condition(self, text: str, scope: Scope) -> Q:
        """Return the condition for one value."""
        # A plus sign that was not escaped arrives as a space.
        moment = parse_datetime(re.sub(r" (\d\d:?\d\d)$", r"+\1", text))
        if moment is None or len(text) <= len("2026-03-28"):
            moment = datetime.combine(_day(text), time(), UTC)
        if not YEARS[0] <= moment.year <= YEARS[1]:
            raise ValueError
        return Q(**{self.path: moment if moment.tzinfo else moment.replace(tzinfo=UTC)})


@dataclass(frozen=True)
class Uuid(Filter):
    """The id of a record."""

    ACCEPTED: ClassVar[str] = "a UUID"
    KIND: ClassVar[Mapping[str, Any]] = {"type": "string", "format": "uuid"}

    def condition(self, text: str, scope: Scope) -> Q:
        """Return the condition for one value."""
        return Q(**{self.path: UUID(text)})


@dataclass(frozen=True)
class Ref(Filter):
    """Another object, by its readable key or its id; one that is not visible matches nothing."""

    rows: Rows
    key: str

    ACCEPTED: ClassVar[str] = "an id or the readable key"

    def condition(self, text: str, scope: Scope) -> Q:
        """Return the condition for one value."""
        found = candidates(self.rows(scope), self.key, text)
        return Q(**{f"{self.path}__in": [row.pk for row in found]})


@dataclass(frozen=True)
class Seated(Ref):
    """A machine, or what it leads to, on which the sensor sits now.

    `path` goes through a sensor's installations; a sensor has one open installation at most.
    """

    def condition(self, text: str, scope: Scope) -> Q:
        """Return the condition for one value."""
        sensor = self.path.partition("installations")[0]
        here = Q(**{f"{sensor}installations__removed_on__isnull": True})
        return here & super().condition(text, scope)


def _day(text: str) -> date:
    day = parse_date(text)
    if day is None or not YEARS[0] <= day.year <= YEARS[1]:
        raise ValueError
    return day
