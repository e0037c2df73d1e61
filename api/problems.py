"""Problems of inputs in words: the place, the reason, what would be accepted, what was given."""

import json
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from rest_framework import serializers
from rest_framework.settings import api_settings

from api.fields import Ref, Text
from fleet import texts
from fleet.errors import Problem

WHOLE = str(api_settings.NON_FIELD_ERRORS_KEY)


def problems_of(
    errors: Any, field: Any, data: Any, path: tuple[str, ...] = ()
) -> Iterator[Problem]:
    """Yield the problems of a field and of what is inside it, from what DRF says of them.

    Parameters
    ----------
    errors
        The detail of a ValidationError.
    field
        The serializer or field that refused; None for what no field stands for.
    data
        What was given.
    path
        Where it stands.
    """
    if isinstance(errors, Mapping):
        for name, inner in errors.items():
            if name == WHOLE:
                yield from problems_of(inner, field, data, path)
            else:
                child, value = _inside(field, name), _item(data, name, child_of=field)
                yield from problems_of(inner, child, value, (*path, str(name)))
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
    if isinstance(field, Text) and getattr(error, "code", "") == "unprintable":
        return texts.LINES if field.lines else texts.ONE_LINE
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
