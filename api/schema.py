"""The OpenAPI description: inputs, and every error that an operation may answer."""

from typing import Any

from drf_spectacular.extensions import OpenApiSerializerFieldExtension
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.utils import OpenApiParameter
from rest_framework import serializers

from api.errors import MEDIA_TYPE
from api.fields import Ref
from api.inputs import Input
from api.rendering import EXPORTS, Json
from api.sparse import NAME

SAYS = {
    "400": "The request cannot be read, or a parameter of the address is not known.",
    "401": "Nobody is signed in, or the credentials are not accepted.",
    "403": "The caller may see it and may not do this.",
    "404": "It does not exist, or not for this caller.",
    "405": "This address does not know the method.",
    "406": "There is no such format of it.",
    "409": "It contradicts what is recorded, or what it needs is not set up here.",
    "412": "It has changed since it was read (`If-Match`); ETag names what is there now.",
    "413": "The body is too large.",
    "415": "The body has a type, or an encoding, that is not read.",
    "422": "The input cannot be right; each problem has its place.",
    "429": "Too many requests or attempts; Retry-After says when to go on.",
    "503": "The database, or what the request rests on, does not answer now; try again.",
    "507": "There is no room to store it; nothing is stored.",
}


def _header(name: str, description: str) -> OpenApiParameter:
    return OpenApiParameter(name, str, OpenApiParameter.HEADER, description=description)


class WrongSerializer(serializers.Serializer[Any]):
    """One thing that is wrong."""

    pointer = serializers.CharField(help_text="JSON pointer (RFC 6901) to the bad value.")
    reason = serializers.CharField()
    accepted = serializers.CharField(help_text="What would be accepted.")
    value = serializers.CharField(help_text="What was given, shortened.")


class ProblemSerializer(serializers.Serializer[Any]):
    """A problem document (RFC 9457)."""

    type = serializers.CharField()
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()
    code = serializers.CharField(help_text="Stable; for programs.")
    request_id = serializers.CharField(
        allow_blank=True, help_text="Names this request in the log; as in X-Request-ID."
    )
    errors = WrongSerializer(many=True)  # type: ignore[assignment] # the member's name in the answer


class RefSchema(OpenApiSerializerFieldExtension):  # type: ignore[no-untyped-call] # the library's hook
    """A reference to another row: its id or its readable key."""

    target_class = "api.fields.Ref"

    def map_serializer_field(self, auto_schema: Any, direction: Any) -> dict[str, Any]:
        """Return the field's schema."""
        field: Ref = self.target
        if not field.key:
            return {"type": ["string", "integer"], "description": f"The {field.noun}'s id."}
        said = f"The {field.noun}'s id, or its {field.key} as a string."
        return {"type": ["string", "integer"], "description": said}


class Schema(AutoSchema):
    """Takes a view's `input` for what it reads, and declares problems for every operation."""

    def get_request_serializer(self) -> Any:
        """Return the view's input."""
        given = super().get_request_serializer()
        own = getattr(self.view, "input", None)
        action = getattr(self.view, "action", "")
        usual = own is not None and action in {"create", "update", "partial_update"}
        again = getattr(self.view, "replacing", None) if action == "update" else None
        return again or (own if usual else given)

    def get_description(self) -> str:  # type: ignore[override] # the library's own has no path
        """Return what an operation does; of a replacement, what stays as it is."""
        said = str(super().get_description())
        view: Any = self.view
        staying = view.staying() if getattr(view, "action", "") == "update" else []
        return f"{said} These stay: {', '.join(staying)}." if staying else said

    def _map_basic_serializer(self, serializer: Any, direction: Any) -> dict[str, Any]:
        """Add the readable keys that may be given in place of an id."""
        schema: dict[str, Any] = super()._map_basic_serializer(serializer, direction)  # type: ignore[no-untyped-call] # the library's
        if not isinstance(serializer, Input) or direction != "request":
            return schema
        either = []
        for name, field in serializer.fields.items():
            if isinstance(field, Ref) and field.key:
                beside = f"{name}_{field.key}"
                schema["properties"][beside] = {"type": "string", "description": f"Or: {name}."}
                if name in schema.get("required", ()):
                    schema["required"].remove(name)
                    either.append({"anyOf": [{"required": [name]}, {"required": [beside]}]})
        return schema | ({"allOf": either} if either else {})

    def _get_response_bodies(self, direction: Any = "response") -> dict[str, Any]:
        bodies: dict[str, Any] = super()._get_response_bodies(direction)
        if getattr(self.view, "action", "") == "list":
            table = {"schema": {"type": "string"}}
            bodies["200"]["content"] |= {str(form.media_type): table for form in EXPORTS}
        if getattr(self.view, "action", "") == "retrieve":
            bodies["304"] = {"description": "What the client has (`If-None-Match`) is still so."}
        for status in self._problems():
            body = self._get_response_for_code(  # type: ignore[no-untyped-call] # the library's
                ProblemSerializer, status, [MEDIA_TYPE], direction
            )
            bodies.setdefault(status, body | {"description": SAYS[status]})
        return bodies

    def get_override_parameters(self) -> list[Any]:
        """Add what every resource understands: sparse fields, and conditions."""
        action, given = getattr(self.view, "action", ""), list(super().get_override_parameters())
        if action in {"list", "retrieve"}:
            given.append(OpenApiParameter(NAME, str, description="These, by commas; else all."))
        if action == "retrieve":
            given.append(_header("If-None-Match", "The tag of what the client has."))
        if action in {"retrieve", "update", "partial_update"}:
            given.append(
                OpenApiParameter(
                    "ETag",
                    str,
                    OpenApiParameter.HEADER,
                    response=["200"],
                    description="What this state of the row is called.",
                )
            )
        if self._changes_a_row():
            given.append(_header("If-Match", "The tag of what was read: else nothing is done."))
        return given

    def _changes_a_row(self) -> bool:
        return "{" in self.path and self.method in {"POST", "PUT", "PATCH", "DELETE"}

    def map_renderers(self, attribute: str) -> list[Any]:
        """Return JSON; other forms are declared where they are made."""
        if attribute == "media_type":
            return [Json.media_type]
        formats: list[Any] = super().map_renderers(attribute)
        return formats

    def _problems(self) -> list[str]:
        """Return the statuses of the problems that this operation may answer."""
        statuses = ["400", "401", "403", "404", "405", "406", "429", "503"]
        if self.method in {"POST", "PUT", "PATCH", "DELETE"}:
            statuses += ["409", "507"]
        if self.method in {"POST", "PUT", "PATCH"}:
            statuses += ["413", "415", "422"]
        if self._changes_a_row():
            statuses += ["412"]
        return statuses
