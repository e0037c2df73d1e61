"""Reading what a client sent: strict fields, references by id or key, problems with places."""

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from itertools import chain, islice
from typing import Any, cast
from uuid import UUID

from django.db.models import QuerySet, prefetch_related_objects
from django.http import QueryDict
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail, ValidationError
from rest_framework.settings import api_settings

from api.parsing import unkeepable
from api.scoping import Rows, candidates, candidates_of_each
from fleet.errors import Invalid, Problem
from fleet.scope import Scope

MOST_PROBLEMS = 100
WHOLE = str(api_settings.NON_FIELD_ERRORS_KEY)
FIRST_DAY, LAST_DAY = date(1900, 1, 1), date(2200, 12, 31)


class Input(serializers.Serializer[Any]):
    """An object that a client sends: a name that it does not know is refused, not ignored.

    `echoed` names what the answer shows and nobody can set: a client may send it back.
    """

    echoed: tuple[str, ...] = ()

    def to_internal_value(self, data: Any) -> Any:
        """Return the values; raise every problem at once."""
        if not isinstance(data, Mapping):
            raise ValidationError({WHOLE: ["Not an object"]}, code="object")
        given, errors = self._folded(data)
        errors |= self._misnamed(given)
        try:
            values = super().to_internal_value(given)
        except ValidationError as wrong:
            raise ValidationError(cast(dict[str, Any], wrong.detail) | errors) from None
        if errors:
            raise ValidationError(errors)
        return values

    def _folded(self, data: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
        """Return the data with readable keys under the plain names, and contradictions in it."""
        given, errors = dict(data), {}
        for name, field in self.fields.items():
            beside = f"{name}_{field.key}" if isinstance(field, Ref) else ""
            if not beside or beside not in given:  # a name may be empty
                continue
            key = given.pop(beside)
            if name not in given:
                given[name] = key
            elif cast(Ref, field).differ(given[name], key):
                message = f"{name} and {beside} name different rows"
                errors[name] = [ErrorDetail(message, code="contradiction")]
        return given, errors

    def _misnamed(self, given: Mapping[str, Any]) -> dict[str, Any]:
        """Return a problem for every name that is unknown, or missing from a part.

        A part is given whole, also where the object around it is edited in part.
        """
        known = {*self.fields, *self.echoed}
        errors: dict[str, Any] = {
            name: [ErrorDetail("Unknown field", code="unknown")]
            for name in given
            if name not in known
        }
        part: Any = self.parent
        for name, field in self.fields.items():
            if part is not None and field.required and name not in given:
                errors[name] = [ErrorDetail(str(field.error_messages["required"]), "required")]
        return errors


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
            memo[asked] = candidates(self.rows(scope), self.key, data)
        found: list[Any] = memo[asked]
        return found

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
    """A JSON string."""

    def to_internal_value(self, data: Any) -> str:
        """Return the text."""
        if not isinstance(data, str):
            self.fail("invalid")
        return super().to_internal_value(data)


class Reader:
    """Reads inputs of one kind; one reader reads many, and is made once for them."""

    def __init__(self, kind: type[Input], *, scope: Scope, partial: bool = False) -> None:
        self.memo: dict[Any, list[Any]] = {}
        self.form = kind(partial=partial, context={"scope": scope, "memo": self.memo})

    def checked(self, data: Any) -> dict[str, Any]:
        """Return the values of an input.

        Raises
        ------
        Invalid
            With every problem: its place, its reason, what would be accepted and what was given.
        """
        if isinstance(data, QueryDict):  # a form: each name once, the last one counts
            data = data.dict()
        broken = list(islice(unkeepable(data), MOST_PROBLEMS))
        if broken:
            raise Invalid(*broken)
        try:
            return dict(self.form.run_validation(data))
        except ValidationError as wrong:
            problems = _problems(wrong.detail, self.form, data, ())
            raise Invalid(*islice(problems, MOST_PROBLEMS)) from None

    def look_up(self, inputs: Sequence[Any]) -> None:
        """Find the rows that inputs refer to together, so that each need not be asked for."""
        for name, field in self.form.fields.items():
            if isinstance(field, Ref):
                places = (name, f"{name}_{field.key}")
                given = [
                    item[place]
                    for item in inputs if isinstance(item, Mapping)
                    for place in places if isinstance(item.get(place), str | int)
                ]  # fmt: skip
                rows = field.visible(self.form.context["scope"])
                found = {
                    (field.noun, type(value), value): meant
                    for value, meant in candidates_of_each(rows, field.key, given)
                }
                # One row beside all of them that share it.
                prefetch_related_objects(list(chain(*found.values())), *field.beside)
                self.memo |= found


def checked(
    kind: type[Input], data: Any, *, scope: Scope, partial: bool = False
) -> dict[str, Any]:
    """Return the values of an input; see `Reader.checked`."""
    return Reader(kind, scope=scope, partial=partial).checked(data)


def _problems(errors: Any, field: Any, data: Any, path: tuple[str, ...]) -> Iterator[Problem]:
    """Yield the problems of a field and of what is inside it."""
    if isinstance(errors, Mapping):
        for name, inner in errors.items():
            if name == WHOLE:
                yield from _problems(inner, field, data, path)
            else:
                child, value = _inside(field, name), _item(data, name, child_of=field)
                yield from _problems(inner, child, value, (*path, str(name)))
        return
    for error in errors:
        accepted = _accepted(field, error)
        yield Problem(".".join(path), str(error).rstrip("."), accepted, _shown(data))


def _inside(field: Any, name: Any) -> Any:
    if isinstance(field, serializers.ListSerializer | serializers.ListField):
        return field.child
    return field.fields.get(name) if isinstance(field, serializers.Serializer) else None


def _item(data: Any, name: Any, *, child_of: Any) -> Any:
    if isinstance(data, list):
        return data[int(name)]
    if not isinstance(data, Mapping):
        return None
    inside = _inside(child_of, name)
    beside = f"{name}_{inside.key}" if isinstance(inside, Ref) else name
    return data.get(name, data.get(beside))


def _shown(value: Any) -> str:
    if value is None or value == "":
        return ""
    return (value if isinstance(value, str) else json.dumps(value, default=str))[:80]


def _accepted(field: Any, error: Any) -> str:
    """Return what a field would accept, in words."""
    if getattr(error, "code", "") == "unknown" or field is None:
        return "a field of the description at /api/schema/"
    if isinstance(field, Ref):
        return f"the id{' or ' + field.key if field.key else ''} of a {field.noun} you may see"
    for kind, said in _SAID.items():
        if isinstance(field, kind):
            return said(field)
    return ""


def _bounded(said: str, field: Any) -> str:
    low, high = _limit(field, "min_value"), _limit(field, "max_value")
    if low is None and high is None:
        return said
    if high is None:
        return f"{said} of at least {low:g}"
    return f"{said} of at most {high:g}" if low is None else f"{said} from {low:g} to {high:g}"


def _limit(field: Any, name: str) -> float | None:
    """Return a bound from the field itself or from its validators."""
    own = getattr(field, name, None)
    limits = [own] if own is not None else []
    limits += [v.limit_value for v in field.validators if v.code == name]
    limits = [limit() if callable(limit) else limit for limit in limits]
    if not limits:
        return None
    return float(max(limits) if name == "min_value" else min(limits))


def _length(field: Any) -> str:
    longest = f" of at most {field.max_length} characters" if field.max_length else ""
    return f"text{longest}"


# In this order: the first kind that a field is of has the word.
_SAID: Mapping[type[Any], Callable[[Any], str]] = {
    serializers.ChoiceField: lambda field: "one of " + ", ".join(str(c) for c in field.choices),
    serializers.BooleanField: lambda _: "true or false",
    serializers.IntegerField: lambda field: _bounded("a whole number", field),
    serializers.FloatField: lambda field: _bounded("a number", field),
    serializers.DateField: lambda _: "a day from 1900 to 2200: YYYY-MM-DD",
    serializers.UUIDField: lambda _: "a UUID",
    serializers.EmailField: lambda _: "an e-mail address",
    serializers.CharField: _length,
    serializers.ListSerializer: lambda _: "a list of objects",
    serializers.ListField: lambda _: "a list",
    serializers.Serializer: lambda _: "an object",
}
