"""People: who signs in. A service manager enters and sees those of their own dealers."""

from typing import Any

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db.models import Q, QuerySet
from rest_framework import serializers

from api.conditions import Filter, Whether
from api.conditions import Ref as RefFilter
from api.fields import Secret, Text
from api.inputs import Input
from api.permissions import require
from api.refs import ref, rows_of
from api.registers import Register, dealer_or_own
from fleet import registry
from fleet.access import may, users_visible_to
from fleet.errors import Forbidden, Invalid, Problem
from fleet.models import DEALER_ROLES, Dealer, Membership, Role, User
from fleet.scope import Scope


class UserInput(Input):
    """What is said of a person; at a dealer, the first membership along with it."""

    echoed = ("id", "date_joined")

    username = Text(max_length=150)
    password = Secret(max_length=1000, trim_whitespace=False, write_only=True)
    email = serializers.EmailField(required=False, allow_blank=True, max_length=254)
    first_name = Text(required=False, allow_blank=True, max_length=150)
    last_name = Text(required=False, allow_blank=True, max_length=150)
    is_active = serializers.BooleanField(required=False)
    dealer = ref(Dealer, required=False)
    role = serializers.ChoiceField(choices=DEALER_ROLES, required=False)


class UserAgain(UserInput):
    """The same of a person who is entered already; the password stays where none is given."""

    password = Secret(max_length=1000, trim_whitespace=False, write_only=True, required=False)


class UserSerializer(serializers.ModelSerializer[User]):
    """A person as the answer shows them."""

    username = serializers.CharField(read_only=True)  # of letters, which a pattern takes for ASCII

    class Meta:
        model = User
        fields = (
            "id", "username", "email", "first_name", "last_name", "is_active", "date_joined",
        )  # fmt: skip


class Works(RefFilter):
    """A dealer where the person works; a person with two roles there is one person."""

    def condition(self, text: str, scope: Scope) -> Q:
        """Return the condition for one value."""
        members = Membership.objects.visible_to(scope).filter(super().condition(text, scope))
        return Q(pk__in=members.values("user"))


class UserViews(Register):
    """People of the caller's dealers; for administrators, everybody."""

    resource = "users"
    model = User
    input = UserInput
    replacing = UserAgain
    kept = frozenset({"password"})
    serializer_class = UserSerializer
    filters = {
        "username": Filter("username"),
        "active": Whether("is_active"),
        "dealer": Works("dealer", rows_of(Dealer), "code"),
    }
    search_fields = ("username", "first_name", "last_name", "email")
    orderings = {"username": "username", "date_joined": "date_joined", "id": "pk"}
    order = ("username",)

    def visible(self, scope: Scope) -> QuerySet[User]:
        """Return the people whom the caller may see; nobody, for those who only see themselves."""
        people = users_visible_to(scope)
        return people if may(scope, "read", self.resource) else people.none()

    def enter(self, values: dict[str, Any]) -> User:
        """Enter a person, with a membership where a dealer is named or the caller has one."""
        role = values.pop("role", Role.TECHNICIAN)
        if not self.scope.administers:
            values = dealer_or_own(values, self.scope, "memberships")
        dealer = values.pop("dealer", None)
        if dealer is not None:
            require(self.scope, "create", "memberships", Membership, dealer.pk)
        user = User(is_staff=True)
        registry.clean_and_save(_with(user, values))
        if dealer is not None:
            registry.clean_and_save(Membership(user=user, dealer=dealer, role=role))
        return user

    def change(self, row: User, values: dict[str, Any]) -> User:
        """Change a person; a manager, only one who is nobody elsewhere."""
        for name in ("dealer", "role"):
            if name in values:
                raise Invalid(Problem(name, "Not part of a person", "a POST to memberships/"))
        if not _is_ours(row, self.scope):
            raise Forbidden("This person works elsewhere too; an administrator may do this.")
        registry.clean_and_save(_with(row, values), only=values)
        if "password" in values or not row.is_active:
            row.auth_token_set.all().delete()
        return row


def _with(user: User, values: dict[str, Any]) -> User:
    """Give a person these values, the password as its hash."""
    for name in set(values) - {"password"}:
        setattr(user, name, values[name])
    if "password" in values:
        try:
            validate_password(values["password"], user)
        except ValidationError as weak:
            raise Invalid(*(Problem("password", text) for text in weak.messages)) from weak
        user.set_password(values["password"])
    return user


def _is_ours(user: User, scope: Scope) -> bool:
    """Whether all that a person is lies within what the caller manages."""
    dealers = set(user.memberships.values_list("dealer", flat=True))
    return scope.administers or (
        not user.is_superuser and bool(dealers) and dealers <= scope.manages
    )
