"""Who may do what: the one place that decides.

`scope_of` says whose rows a person sees; `RIGHTS` says which verbs each role has on each resource.
Everything that a route, an admin page or a document offers is looked up here.
"""

from collections.abc import Mapping
from dataclasses import replace

from django.contrib.auth.base_user import AbstractBaseUser
from django.contrib.auth.models import AnonymousUser
from django.db.models import Q, QuerySet

from fleet.models import DEALER_ROLES, AccessToken, Membership, Role, User
from fleet.scope import Scope
from fleet.statements import Statement

T, M, W, A = Role.TECHNICIAN, Role.SERVICE_MANAGER, Role.WARRANTY_REVIEWER, Role.ADMINISTRATOR
_ALL = frozenset({T, M, W, A})
_DEALER = frozenset({T, M, A})
_MANAGERS = frozenset({M, A})
_ADMINISTRATORS = frozenset({A})

# resource -> verb -> roles. Verbs: read, create, edit, remove, decide (acknowledge, close,
# commit an import).
RIGHTS: Mapping[str, Mapping[str, frozenset[Role]]] = {
    "dealers": {"read": _ALL, "create": _ADMINISTRATORS, "edit": _ADMINISTRATORS},
    "users": {"read": _MANAGERS, "create": _MANAGERS, "edit": _MANAGERS},
    "memberships": {
        "read": _MANAGERS,
        "create": _MANAGERS,
        "edit": _MANAGERS,
        "remove": _MANAGERS,
    },
    "customers": {"read": _ALL, "create": _MANAGERS, "edit": _MANAGERS},
    "machine-models": {"read": _ALL, "create": _ADMINISTRATORS, "edit": _ADMINISTRATORS},
    "machines": {"read": _ALL, "create": _DEALER, "edit": _MANAGERS},
    "sensor-models": {"read": _ALL, "create": _ADMINISTRATORS, "edit": _ADMINISTRATORS},
    "sensors": {"read": _ALL, "create": _DEALER, "edit": _DEALER},
    "installations": {"read": _ALL, "create": _DEALER, "edit": _DEALER},
    "references": {"read": _ALL, "create": _MANAGERS, "edit": _MANAGERS},
    "policies": {"read": _ALL, "create": _MANAGERS, "edit": _MANAGERS},
    "calibrations": {"read": _ALL, "create": _DEALER},
    "functional-tests": {"read": _ALL, "create": _DEALER},
    "flags": {"read": _ALL, "decide": _DEALER, "assign": _MANAGERS},
    "reminders": {"read": _DEALER},
    "visits": {"read": _DEALER, "create": _MANAGERS, "edit": _MANAGERS},
    "scans": {"read": _ALL, "create": _ADMINISTRATORS},
    "imports": {"read": _MANAGERS, "create": _MANAGERS, "decide": _MANAGERS},
    "events": {"read": _ALL},
    "webhooks": {
        "read": _MANAGERS,
        "create": _MANAGERS,
        "edit": _MANAGERS,
        "remove": _MANAGERS,
    },
    "days-off": {
        "read": _DEALER,
        "create": _MANAGERS,
        "edit": _MANAGERS,
        "remove": _MANAGERS,
    },
    "audit": {"read": _MANAGERS},
    "blackouts": {
        "read": _DEALER,
        "create": _MANAGERS,
        "edit": _MANAGERS,
        "remove": _MANAGERS,
    },
    "calendar-feeds": {"read": _DEALER, "create": _DEALER, "edit": _DEALER, "remove": _DEALER},
    "digests": {"read": _MANAGERS},
    "customer-notes": {"read": _MANAGERS},
    "tokens": {"read": _ALL, "create": _ALL, "remove": _ALL},
}

Person = AbstractBaseUser | AnonymousUser
_MEMBERSHIPS = Statement(
    lambda mark: (
        Membership.objects.filter(user=mark)
        .order_by()
        .values_list("role", "dealer_id", "dealer__timezone")
    )
)


def scope_of(person: Person, token: AccessToken | None = None) -> Scope:
    """Return whose rows a person may see, with this token; nobody's, where nobody is signed in."""
    scope = _whole_scope_of(person)
    return scope if token is None else limited(scope, token)


def limited(scope: Scope, token: AccessToken) -> Scope:
    """Return the part of a person's scope that a token lets through.

    Limited to a dealer, an administrator is that dealer's manager, a warranty reviewer nobody.
    """
    here = token.dealer_id
    if here is not None:
        scope = replace(
            scope,
            serves=scope.serves & {here},
            manages=(scope.manages | {here} if scope.administers else scope.manages) & {here},
            reviews=False,
            administers=False,
        )
    return replace(scope, reads_only=token.scope != AccessToken.Scope.ALL)


def _whole_scope_of(person: Person) -> Scope:
    if not isinstance(person, User) or not person.is_active:
        return Scope()
    rows = _MEMBERSHIPS.one(person.pk)
    return Scope(
        user_id=person.pk,
        serves=frozenset(dealer for role, dealer, _ in rows if role == T),
        manages=frozenset(dealer for role, dealer, _ in rows if role == M),
        reviews=any(role == W for role, *_ in rows),
        administers=person.is_superuser or any(role == A for role, *_ in rows),
        zones=frozenset(zone for role, _, zone in rows if role in DEALER_ROLES),
    )


def roles_in(scope: Scope, dealer_id: int | None = None) -> frozenset[Role]:
    """Return the roles that a caller has at a dealer, or anywhere where none is named."""
    held = {
        A: scope.administers,
        W: scope.reviews,
        M: bool(scope.manages) if dealer_id is None else dealer_id in scope.manages,
        T: bool(scope.serves) if dealer_id is None else dealer_id in scope.serves,
    }
    return frozenset(role for role, has in held.items() if has)


def may(scope: Scope, verb: str, resource: str, dealer_id: int | None = None) -> bool:
    """Whether the caller may do this to a row of this dealer (or to any row at all)."""
    if scope.reads_only and verb != "read":
        return False
    return bool(RIGHTS[resource].get(verb, frozenset()) & roles_in(scope, dealer_id))


def users_visible_to(scope: Scope) -> QuerySet[User]:
    """Return the people a caller may see: an administrator all, others those of their dealers."""
    if scope.administers:
        return User.objects.all()
    managed = Membership.objects.filter(dealer__in=scope.manages).values("user")
    return User.objects.filter(Q(pk__in=managed) | Q(pk=scope.user_id))
