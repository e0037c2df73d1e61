"""What resources share: scoped rows, rights, input, output; one method each to bend."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from functools import partial as call
from itertools import islice
from typing import Any, ClassVar, cast

from django.db import transaction
from django.db.models import Model, QuerySet
from django.http.response import HttpResponseBase
from django.utils import timezone
from rest_framework import viewsets
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import Serializer

from api.conditional import alone, answered, is_conditional, tag_of, unchanged
from api.conditions import Filter
from api.downloads import export
from api.inputs import Input, checked
from api.permissions import require
from api.rendering import EXPORTS, Json, Ready
from api.scoping import candidates, owner_of, reading, scope_for
from api.sparse import fields_of, sparse
from fleet import registry
from fleet.access import may
from fleet.errors import DomainError, Invalid, NotFound, Problem
from fleet.models import Dealer
from fleet.scope import Scope
from fleet.updating import hold

CHUNK = 250  # rows of an export that are in memory at once


class Resource(viewsets.GenericViewSet[Any]):
    """A list of rows that the caller may see, and each of them.

    `verbs` gives further actions their verb, or their (resource, verb); `formats` the forms that
    an action can be had in beside JSON, `bare` the actions that cannot be had as JSON; `columns`
    what an export holds (all fields of the serializer, where it is not given); `unlisted` what
    one row by itself is told with, and a list is not.
    """

    resource: ClassVar[str]
    model: ClassVar[type[Model]]
    related: ClassVar[tuple[str, ...]] = ()
    filters: ClassVar[Mapping[str, Filter]] = {}
    orderings: ClassVar[Mapping[str, str]] = {}
    order: ClassVar[tuple[str, ...]] = ()
    verbs: ClassVar[Mapping[str, str | tuple[str, str]]] = {}
    formats: ClassVar[Mapping[str, Sequence[type[Ready]]]] = {}
    bare: ClassVar[tuple[str, ...]] = ()
    columns: ClassVar[tuple[str, ...]] = ()
    unlisted: ClassVar[frozenset[str]] = frozenset()

    @property
    def scope(self) -> Scope:
        """The caller's scope; nobody's while the OpenAPI description is made."""
        if getattr(self, "swagger_fake_view", False):
            return Scope()
        return scope_for(self.request)

    @property
    def now(self) -> datetime:
        """The moment of this request."""
        return timezone.now()

    # ── Rows ──────────────────────────────────────────────────────────────────
    def get_queryset(self) -> QuerySet[Any]:
        """Return the rows that the caller may see and read."""
        rows = self.visible(reading(self.scope, self.resource))
        return rows.select_related(*self.related) if self.related else rows

    def visible(self, scope: Scope) -> QuerySet[Any]:
        """Return the rows within a scope."""
        rows: QuerySet[Any] = self.model.objects.visible_to(scope)  # type: ignore[attr-defined] # a ScopedModel
        return rows

    def get_object(self) -> Any:
        """Return the row of the address; absent and invisible are the same 404."""
        row = self._found()
        self.check_object_permissions(self.request, row)
        if is_conditional(self.request):
            hold(row)
            row = self._found()
            unchanged(self.request, self.state(row))
        return row

    def _found(self) -> Any:
        rows = candidates(self.get_queryset(), "", self.kwargs["pk"])
        if not rows:
            raise NotFound("There is nothing at this address, or not for you.")
        return rows[0]

    def dispatch(self, request: Any, *args: Any, **kwargs: Any) -> HttpResponseBase:
        """Answer; what rests on what was read is compared and changed in one transaction.

        Where there is no row to compare, nothing is undone: a wrong password is counted.
        """
        answer = call(super().dispatch, request, *args, **kwargs)
        return alone(request, answer) if kwargs and is_conditional(request) else answer()

    # ── Answers ───────────────────────────────────────────────────────────────
    def list(self, request: Request) -> HttpResponseBase:
        """Show the rows that the caller may see, a page at a time; or export them all."""
        rows = self.filter_queryset(self.get_queryset())
        form = str(request.accepted_renderer.format)
        if form != "json":
            columns = fields_of(request, self._columns) or self._columns()
            return export(self.everything(rows), columns, form, self.resource)
        fields = fields_of(request, self._fields)
        page = self.paginate_queryset(rows)
        assert page is not None
        return self.get_paginated_response(sparse(self.answers(page), fields))

    def retrieve(self, request: Request, pk: str) -> Response:
        """Show one row."""
        fields = fields_of(request, self._fields)
        state = self.shown(self.get_object())
        return answered(request, state, sparse([state], fields)[0])

    def _fields(self) -> tuple[str, ...]:
        fields: Mapping[str, Any] = cast(Serializer[Any], self.get_serializer()).fields
        left_out = self.unlisted if self.action == "list" else frozenset()
        return tuple(name for name in fields if name not in left_out)

    def _columns(self) -> tuple[str, ...]:
        return self.columns or self._fields()

    def everything(self, rows: QuerySet[Any]) -> Iterator[Mapping[str, Any]]:
        """Yield the answer of every row, reading some at a time."""
        keys = rows.values_list("pk", flat=True).iterator(chunk_size=2000)
        while some := tuple(islice(keys, CHUNK)):
            found = {row.pk: row for row in self.get_queryset().filter(pk__in=some)}
            yield from self.answers([found[key] for key in some if key in found])

    def answers(self, rows: Sequence[Any]) -> Sequence[Any]:
        """Return rows as the answer shows them, with a fixed number of queries."""
        shown: Sequence[Any] = self.get_serializer(rows, many=True).data
        return shown

    def shown(self, row: Any) -> Any:
        """Return a row as the answer shows it."""
        return self.answers([row])[0]

    def state(self, row: Any) -> Any:
        """Return a row as reading it shows it, whatever is being done to it."""
        action, self.action = self.action, "retrieve"
        try:
            return self.shown(row)
        finally:
            self.action = action

    def created(self, row: Model) -> Response:
        """Answer a new row with its address."""
        return self.placed(row.pk, self.shown(row))

    def placed(self, key: Any, answer: Any) -> Response:
        """Answer what was stored under a key, with its address."""
        here = self.request.build_absolute_uri(self.request.path)
        return Response(answer, 201, headers={"Location": f"{here}{key}/"})

    def get_renderers(self) -> Sequence[BaseRenderer]:  # type: ignore[override] # a list is one
        """Return JSON, and the forms of this action."""
        action = self.action or ""
        more = EXPORTS if action == "list" else self.formats.get(action, ())
        return [*([] if action in self.bare else [Json()]), *(form() for form in more)]

    # ── Input ─────────────────────────────────────────────────────────────────
    def get_serializer_context(self) -> dict[str, Any]:
        """Return what serializers may ask for."""
        return {**super().get_serializer_context(), "scope": self.scope}

    def checked(self, kind: type[Input], *, partial: bool = False) -> dict[str, Any]:
        """Return the values that were sent; raise every problem with them."""
        return checked(kind, self.request.data, scope=self.scope, partial=partial)


class Creating(Resource):
    """Rows that may be entered."""

    input: ClassVar[type[Input]]

    def create(self, request: Request) -> Response:
        """Enter a row."""
        values = self.checked(self.input)
        with transaction.atomic():
            row = self.enter(values)
        return self.created(row)

    def enter(self, values: dict[str, Any]) -> Any:
        """Store a new row (a service of the register, where there is one)."""
        row = self.model(**values)
        require(self.scope, "create", self.resource, self.model, owner_of(row))
        return registry.clean_and_save(row)


class Editing(Resource):
    """Rows that may be changed.

    `fixed` names what stays as it was entered, and what to do instead; `kept` what a row that is
    replaced keeps where nothing is said of it; `blank` what stands for nothing where the table
    has no such column. `replacing` is the input of a replacement, where it is another one.
    """

    input: ClassVar[type[Input]]
    replacing: ClassVar[type[Input] | None] = None
    fixed: ClassVar[Mapping[str, str]] = {}
    kept: ClassVar[frozenset[str]] = frozenset()
    blank: ClassVar[Mapping[str, Any]] = {}

    def update(self, request: Request, pk: str) -> Response:
        """Replace a row: what may be left out, and is, goes back to its default."""
        row, kind = self.get_object(), self.replacing or self.input
        return self._edited(row, self._defaults(kind) | self.checked(kind))

    def partial_update(self, request: Request, pk: str) -> Response:
        """Change some values of a row; the others stay."""
        row = self.get_object()
        return self._edited(row, self.checked(self.input, partial=True))

    @classmethod
    def staying(cls) -> list[str]:
        """Return what a row that is replaced keeps where nothing is said of it."""
        fields = (cls.replacing or cls.input)().fields
        return [name for name, field in fields.items()
                if not field.required and name in {*cls.fixed, *cls.kept}]  # fmt: skip

    def _defaults(self, kind: type[Input]) -> dict[str, Any]:
        """Return what a row holds of which nothing else is said, as when it is entered."""
        columns = {column.name: column for column in self.model._meta.concrete_fields}
        optional = {name for name, field in kind().fields.items() if not field.required}
        reset = optional & columns.keys() - {*self.fixed, *self.kept}
        return {**self.blank, **{name: columns[name].get_default() for name in reset}}

    def _edited(self, row: Any, values: dict[str, Any]) -> Response:
        _stay(row, values, self.fixed)
        with transaction.atomic():
            changed = self.change(row, values)
        return Response(self.shown(changed), headers={"ETag": tag_of(self.state(changed))})

    def change(self, row: Any, values: dict[str, Any]) -> Any:
        """Store the changed row."""
        return registry.edit(row, scope=self.scope, **values)


class Register(Creating, Editing):
    """Rows that may be entered and changed."""


def _stay(row: Model, values: Mapping[str, Any], fixed: Mapping[str, str]) -> None:
    """Refuse to change what stays as it was entered, and say what to do instead."""
    problems = [
        Problem(name, "This stays as it was entered", instead, str(values[name])[:80])
        for name, instead in fixed.items()
        if name in values and values[name] != getattr(row, name)
    ]
    if problems:
        raise Invalid(*problems)


def dealer_or_own(values: dict[str, Any], scope: Scope, resource: str) -> dict[str, Any]:
    """Return the values with a dealer: the caller's own, where none was named and there is one."""
    if "dealer" in values:
        return values
    own = [pk for pk in scope.dealers if may(scope, "create", resource, pk)]
    if scope.administers or len(own) != 1:
        raise Invalid(Problem("dealer", "Say for which dealer", "the id or code of a dealer"))
    return values | {"dealer": Dealer.objects.visible_to(scope).get(pk=own[0])}


@contextmanager
def placed(places: Mapping[str, str]) -> Iterator[None]:
    """Give the problems of a service the places that the client knows."""
    try:
        yield
    except DomainError as wrong:
        problems = [replace(p, field=places.get(p.field, p.field)) for p in wrong.problems]
        raise type(wrong)(*problems) from wrong
