"""What a client may send in a field: strict values, and other rows by id or readable key."""

from collections.abc import Sequence
from datetime import date
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from rest_framework import serializers

from api.naming import named
from api.scoping import Rows, candidates, is_uuid
from fleet.scope import Scope
from fleet.texts import unprintable

FIRST_DAY, LAST_DAY = date(1900, 1, 1), date(2200, 12, 31)


class Ref(serializers.Field[Any, Any, Any, Any]):
    """Another row that the caller can see, by its id or its readable key."""

    default_error_messages = {
        "absent": "No such {noun}",
        "several": "Several {noun}s have this name; give the id",
    }

    def __init__(
        self, rows: Rows, key: str, noun: str, *, beside: Sequence[str] = (), **options: Any
    ) -> None:
        self.visible, self.key, self.noun, self.beside = rows, key, noun, beside
        super().__init__(**options)

    def rows(self, scope: Scope) -> QuerySet[Any]:
        """Return what a caller may name, each with the rows beside it."""
        rows = self.visible(scope)
        return rows.select_related(*self.beside) if self.beside else rows

    def to_internal_value(self, data: Any) -> Any:
        """Return the row; one of another dealer is refused exactly like an absent one."""
        found = self._found(data)
        if not found:
            self.fail("absent", noun=self.noun)
        if len(found) > 1:
            self.fail("several", noun=self.noun)
        return found[0]

    def _found(self, data: Any) -> list[Any]:
        """Return the rows that are meant; a reader asks once for each (its memo)."""
        scope, memo = self.context["scope"], self.context["memo"]
        if not isinstance(data, str | int):
            return candidates(self.rows(scope), self.key, data)
        asked = (self.noun, type(data), data)
        if asked not in memo:
            memo[asked] = named(self.visible, self.key, self.beside, scope, data)
        found: list[Any] = memo[asked]
        return found or self._expected(data)

    def _expected(self, data: str | int) -> list[Any]:
        """Return the row that an input before this one will become (`Reader.expect`)."""
        expected = self.context["expected"]
        if not expected or not is_uuid(data):
            return []
        row = expected.get((self.visible(self.context["scope"]).model, UUID(str(data))))
        return [] if row is None else [row]

    def differ(self, one: Any, other: Any) -> bool:
        """Whether two values name different rows."""
        return self._found(one) != self._found(other)


class Number(serializers.FloatField):
    """A JSON number; not a text that looks like one, and not true."""

    def to_internal_value(self, data: Any) -> float:
        """Return the number."""
        if isinstance(data, bool) or not isinstance(data, int | float):
            self.fail("invalid")
        return super().to_internal_value(data)


class Whole(serializers.IntegerField):
    """A JSON number without a fraction."""

    def to_internal_value(self, data: Any) -> int:
        """Return the number."""
        if isinstance(data, bool) or not isinstance(data, int):
            self.fail("invalid")
        return super().to_internal_value(data)


class Day(serializers.DateField):
    """A day of an age that the calendar of a dealer can reckon with."""

    default_error_messages = {"age": "Too far from today"}

    def to_internal_value(self, value: Any) -> date:
        """Return the day."""
        day = super().to_internal_value(value)
        if not FIRST_DAY <= day <= LAST_DAY:
            self.fail("age")
        return day


class Uuid(serializers.UUIDField):
    """A UUID in its usual form."""

    def to_internal_value(self, data: Any) -> UUID:
        """Return the UUID."""
        if not isinstance(data, str):
            self.fail("invalid", value=data)
        return super().to_internal_value(data)


class Text(serializers.CharField):
    """A JSON string of characters that are shown, in one line unless it may have several."""

    default_error_messages = {"unprintable": "Holds the character {found}"}

    def __init__(self, *, lines: bool = False, **options: Any) -> None:
        self.lines = lines
        super().__init__(**options)

    def to_internal_value(self, data: Any) -> str:
        """Return the text."""
        if not isinstance(data, str):
            self.fail("invalid")
        text = super().to_internal_value(data)
        found = self.unprintable(text)
        if found:
            self.fail("unprintable", found=found)
        return text

    def unprintable(self, text: str) -> str:
        """Return the first character that is not taken; nothing where there is none."""
        return unprintable(text, lines=self.lines)


class Secret(Text):
    """A password: any characters, for a person may have one of them already."""

    def unprintable(self, text: str) -> str:
        """Return nothing: all characters are taken."""
        return ""
