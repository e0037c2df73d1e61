"""Reading what a client sent: objects without unknown names; every problem with its place."""

from collections.abc import Mapping, Sequence
from functools import cached_property
from itertools import chain, islice
from typing import Any, cast
from uuid import UUID

from django.db.models import Model, prefetch_related_objects
from django.http import QueryDict
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail, ValidationError

from api.fields import Ref
from api.parsing import unkeepable
from api.problems import WHOLE, problems_of
from api.scoping import candidates_of_each
from fleet.errors import Invalid
from fleet.scope import Scope

MOST_PROBLEMS = 100


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
        for name, beside, field in self._refs:
            if beside not in given:
                continue
            key = given.pop(beside)
            if name not in given:
                given[name] = key
            elif field.differ(given[name], key):
                message = f"{name} and {beside} name different rows"
                errors[name] = [ErrorDetail(message, code="contradiction")]
        return given, errors

    def _misnamed(self, given: Mapping[str, Any]) -> dict[str, Any]:
        """Return a problem for every name that is unknown, or missing from a part.

        A part is given whole, also where the object around it is edited in part.
        """
        errors: dict[str, Any] = {
            name: [ErrorDetail("Unknown field", code="unknown")]
            for name in given
            if name not in self._known
        }
        for name, said in self._required_of_a_part.items():
            if name not in given:
                errors[name] = [ErrorDetail(said, "required")]
        return errors

    # One reader reads many; these are the same for each.
    @cached_property
    def _refs(self) -> list[tuple[str, str, Ref]]:
        """Other rows: the name, the name with the readable key, the field."""
        refs = [(name, field) for name, field in self.fields.items() if isinstance(field, Ref)]
        return [(name, f"{name}_{field.key}", field) for name, field in refs if field.key]

    @cached_property
    def _known(self) -> frozenset[str]:
        return frozenset((*self.fields, *self.echoed))

    @cached_property
    def _required_of_a_part(self) -> dict[str, str]:
        part: Any = self.parent
        if part is None:
            return {}
        needed = [(name, field) for name, field in self.fields.items() if field.required]
        return {name: str(field.error_messages["required"]) for name, field in needed}


class Reader:
    """Reads inputs of one kind; one reader reads many, and is made once for them."""

    def __init__(self, kind: type[Input], *, scope: Scope, partial: bool = False) -> None:
        self.memo: dict[Any, list[Any]] = {}
        self.expected: dict[tuple[type[Model], UUID], Model] = {}
        context = {"scope": scope, "memo": self.memo, "expected": self.expected}
        self.form = kind(partial=partial, context=context)

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
            problems = problems_of(wrong.detail, self.form, data)
            raise Invalid(*islice(problems, MOST_PROBLEMS)) from None

    def expect(self, row: Model) -> None:
        """Let the inputs after this one name a row that is not stored yet, by its UUID."""
        self.expected[type(row), row.pk] = row

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
