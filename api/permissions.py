"""What a role may do, looked up in `fleet.access.RIGHTS` for every request and every row."""

from typing import TYPE_CHECKING, Any

from django.db.models import Model
from rest_framework.exceptions import NotAuthenticated
from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from api.scoping import has_owner, owner_of, scope_for
from fleet import second_factor
from fleet.access import may
from fleet.errors import Forbidden, NotFound
from fleet.scope import Scope

if TYPE_CHECKING:  # the framework's views import us
    from rest_framework.views import APIView

VERBS = {
    "list": "read",
    "retrieve": "read",
    "create": "create",
    "update": "edit",
    "partial_update": "edit",
    "destroy": "remove",
}


class RoleMay(BasePermission):
    """Lets a request through where the caller's role has the verb on the resource.

    A request for one row is decided when the row is known: an invisible row is absent (404), a
    visible one that may not be touched is forbidden (403).
    """

    def has_permission(self, request: Request, view: "APIView") -> bool:
        """Whether the caller may do this to any row at all."""
        if not request.user.is_authenticated:
            return False
        scope = scope_for(request)
        if request.auth is None and second_factor.is_missing(request.user, scope):
            raise NotAuthenticated("Your account needs a second factor: sign in with the code.")
        asked = right_of(view)
        if asked is not None and scope.reads_only and asked[1] != "read":
            raise Forbidden("This token may only read.")
        if asked is None or getattr(view, "detail", False):
            return True
        resource, verb = asked
        if not may(scope, verb, resource):
            raise Forbidden(_refusal(verb, resource))
        return True

    def has_object_permission(self, request: Request, view: "APIView", obj: Any) -> bool:
        """Whether the caller may do this to this row, which is visible to the caller."""
        asked = right_of(view)
        if asked is None:
            raise NotFound("There is nothing at this address, or not for you.")
        resource, verb = asked
        require(scope_for(request), verb, resource, type(obj), owner_of(obj))
        return True


def right_of(view: "APIView") -> tuple[str, str] | None:
    """Return the resource and the verb that the view's action needs; None for no known action."""
    action = getattr(view, "action", None)
    if action in {None, "metadata"}:  # a method that the view does not know, OPTIONS among them
        return None
    resource = view.resource  # type: ignore[attr-defined] # a view without one is our mistake
    extra = getattr(view, "verbs", {})
    needed = extra[action] if action in extra else VERBS[action]
    return needed if isinstance(needed, tuple) else (resource, needed)


def require(scope: Scope, verb: str, resource: str, model: type[Model], owner: int | None) -> None:
    """Raise Forbidden where the caller may not do this to rows of this dealer.

    A row of a dealer's table that belongs to no dealer is the whole site's: administrators only.
    """
    if owner is None and has_owner(model) and verb != "read" and not scope.administers:
        raise Forbidden(f"Only an administrator may {verb} {_spoken(resource)} of the whole site.")
    if not may(scope, verb, resource, owner):
        raise Forbidden(_refusal(verb, resource))


def _spoken(resource: str) -> str:
    return resource.replace("-", " ")


def _refusal(verb: str, resource: str) -> str:
    return f"Your role does not allow to {verb} {_spoken(resource)} here."
