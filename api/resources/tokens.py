"""Access tokens: given for a user name and a password, shown once, kept hashed, revocable."""

from datetime import timedelta
from typing import Any

from django.contrib.auth import authenticate
from django.contrib.auth.signals import user_logged_in, user_login_failed
from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.authentication import BaseAuthentication
from rest_framework.exceptions import AuthenticationFailed, Throttled
from rest_framework.request import Request
from rest_framework.response import Response

from api.errors import CodeNeeded
from api.fields import Secret, Text
from api.inputs import Input
from api.refs import beside
from api.registers import Resource
from api.scoping import candidates
from fleet import guessing, second_factor
from fleet.access import scope_of
from fleet.errors import Forbidden, Invalid, NotFound, Problem
from fleet.models import AccessToken, Dealer, User
from fleet.scope import Scope
from fleet.tokens import forget_expired

SHOWN = 16  # characters of the digest that name a token; the digest itself opens nothing
WRONG = "User name or password is wrong."
WRONG_CODE = "That is not the code, or it was used already."
LONGEST = 30  # days


class TokenInput(Input):
    """Who asks, and what the token is for."""

    username = Text(max_length=150, trim_whitespace=False)
    password = Secret(max_length=1000, trim_whitespace=False)
    name = Text(required=False, allow_blank=True, max_length=80, help_text="For its owner.")
    otp = Text(
        required=False,
        allow_blank=True,
        max_length=24,
        help_text="The code of your authenticator, or a recovery code, if you have them.",
    )
    scope = serializers.ChoiceField(
        choices=AccessToken.Scope.choices,
        required=False,
        help_text="Give `read` for a token that changes nothing.",
    )
    dealer = Text(
        required=False,
        max_length=32,
        help_text="Code of the one dealer for whom the token is good; else all of yours.",
    )
    valid_days = serializers.IntegerField(required=False, min_value=1, max_value=LONGEST)


class NewTokenSerializer(serializers.Serializer[Any]):
    """A token, shown this once."""

    token = serializers.CharField()
    expires = serializers.DateTimeField(allow_null=True)


class TokenSerializer(serializers.ModelSerializer[AccessToken]):
    """A token without its secret."""

    id = serializers.SerializerMethodField()
    expires = serializers.DateTimeField(source="expiry", allow_null=True, read_only=True)

    dealer_code = beside("dealer.code", nullable=True)

    class Meta:
        model = AccessToken
        fields = ("id", "name", "scope", "dealer", "dealer_code", "created", "expires")

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

    def _found(self) -> AccessToken:
        name = self.kwargs["pk"]
        token: AccessToken | None = self.get_queryset().filter(digest__startswith=name).first()
        if token is None or len(name) != SHOWN:
            raise NotFound("You have no such token.")
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
        wait = guessing.wait(request, values["username"], now=self.now)
        if wait > 0:
            raise Throttled(wait=wait)
        user = authenticate(request, username=values["username"], password=values["password"])
        if not isinstance(user, User):
            raise AuthenticationFailed(WRONG)
        forget_expired(user, now=self.now)
        scope = scope_of(user)
        _ask_for_code(request, user, scope, values.get("otp", ""))
        dealer = _dealer(values["dealer"], scope) if "dealer" in values else None
        # The library takes a span here, and stores the moment.
        lasting: Any = timedelta(days=values.get("valid_days", LONGEST))
        row, token = user.auth_token_set.create(
            name=values.get("name", ""),
            scope=values.get("scope", AccessToken.Scope.ALL),
            dealer=dealer,
            expiry=lasting,
        )
        user_logged_in.send(sender=User, request=request, user=user)
        return Response({"token": token, "expires": row.expiry}, 201)

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, pk: str) -> Response:
        """Revoke a token."""
        self.get_object().delete()
        return Response(status=204)


def _ask_for_code(request: Request, user: User, scope: Scope, code: str) -> None:
    """Raise where a second factor is needed and not given."""
    if user.second_factor_since is None:
        if second_factor.is_obliged(scope):
            raise Forbidden("Your role needs a second factor: set it up at the desk first.")
        return
    if not code:
        raise CodeNeeded
    if second_factor.check(user, code) is None:
        username = user.get_username()
        user_login_failed.send(
            sender=__name__, credentials={"username": username}, request=request
        )
        raise AuthenticationFailed(WRONG_CODE)


def _dealer(code: str, scope: Scope) -> Dealer:
    """Return the dealer to whom a token is limited: one where its owner works."""
    rows = Dealer.objects.visible_to(scope)
    rows = rows if scope.administers else rows.filter(pk__in=scope.dealers)
    found: list[Dealer] = candidates(rows, "code", code)
    if len(found) != 1:
        accepted = "the code of a dealer where you are technician or service manager"
        raise Invalid(Problem("dealer", "You do not work at such a dealer", accepted, code))
    return found[0]
