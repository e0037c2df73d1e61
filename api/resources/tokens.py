"""Access tokens: given for a user name and a password, shown once, kept hashed, revocable."""

from typing import Any

from django.contrib.auth import authenticate
from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.authentication import BaseAuthentication
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request
from rest_framework.response import Response

from api.inputs import Input, Text
from api.registers import Resource
from api.throttling import Attempts
from fleet.errors import NotFound
from fleet.models import AccessToken, User
from fleet.scope import Scope
from fleet.tokens import forget_expired

SHOWN = 16  # characters of the digest that name a token; the digest itself opens nothing
WRONG = "User name or password is wrong."


class TokenInput(Input):
    """Who asks, and what the token is for."""

    username = Text(max_length=150, trim_whitespace=False)
    password = Text(max_length=1000, trim_whitespace=False)
    name = Text(required=False, allow_blank=True, max_length=80, help_text="For its owner.")


class NewTokenSerializer(serializers.Serializer[Any]):
    """A token, shown this once."""

    token = serializers.CharField()
    expires = serializers.DateTimeField(allow_null=True)


class TokenSerializer(serializers.ModelSerializer[AccessToken]):
    """A token without its secret."""

    id = serializers.SerializerMethodField()
    expires = serializers.DateTimeField(source="expiry", allow_null=True, read_only=True)

    class Meta:
        model = AccessToken
        fields = ("id", "name", "created", "expires")

    def get_id(self, token: AccessToken) -> str:
        """Return what names it."""
        return str(token.digest)[:SHOWN]


class TokenViews(Resource):
    """The caller's own tokens."""

    resource = "tokens"
    model = AccessToken
    serializer_class = TokenSerializer
    input = TokenInput
    orderings = {"created": "created", "expires": "expiry", "name": "name"}
    order = ("-created",)
    lookup_value_regex = "[0-9a-f]+"

    def visible(self, scope: Scope) -> QuerySet[AccessToken]:
        """Return the caller's own tokens, whatever else the caller may see."""
        tokens: QuerySet[AccessToken] = User(pk=scope.user_id).auth_token_set.all()
        return tokens

    def get_object(self) -> AccessToken:
        """Return the token of the address."""
        name = self.kwargs["pk"]
        token: AccessToken | None = self.get_queryset().filter(digest__startswith=name).first()
        if token is None or len(name) != SHOWN:
            raise NotFound("You have no such token.")
        self.check_object_permissions(self.request, token)
        return token

    def get_authenticators(self) -> list[BaseAuthentication]:
        """Ask nobody who asks for a token to have one."""
        asked: Request | None = self.request
        return [] if asked and asked.method == "POST" else super().get_authenticators()

    def check_permissions(self, request: Request) -> None:
        """Let everybody ask for a token."""
        if self.action != "create":
            super().check_permissions(request)

    @extend_schema(auth=[], responses={201: NewTokenSerializer})
    def create(self, request: Request) -> Response:
        """Give a token for a user name and a password; it is shown this once."""
        values = self.checked(TokenInput)
        attempts = Attempts(request, values["username"])
        attempts.refuse_too_many()
        user = authenticate(request, username=values["username"], password=values["password"])
        if not isinstance(user, User):
            attempts.count()
            raise AuthenticationFailed(WRONG)
        forget_expired(user, now=self.now)
        row, token = user.auth_token_set.create(name=values.get("name", ""))
        return Response({"token": token, "expires": row.expiry}, 201)

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, pk: str) -> Response:
        """Revoke a token."""
        self.get_object().delete()
        return Response(status=204)
