"""Who calls: the bearer of an access token."""

from typing import Any

from drf_spectacular.extensions import OpenApiAuthenticationExtension
from knox.auth import TokenAuthentication
from rest_framework.exceptions import AuthenticationFailed

from fleet.acting import become

REFUSED = "The token is not valid, or no longer."


class Bearer(TokenAuthentication):  # type: ignore[misc] # the library is untyped
    """knox's tokens, with one answer for everything that is not a valid one."""

    def authenticate_credentials(self, token: bytes) -> Any:
        """Return the person and the token; a header of other bytes is refused, not an error."""
        if not token.isascii() or not token.isalnum():
            raise AuthenticationFailed(REFUSED)
        found = super().authenticate_credentials(token)
        become(found[0].pk)
        return found


class BearerScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call] # the library's hook
    """What the OpenAPI description says about it."""

    target_class = "api.authentication.Bearer"
    name = "token"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        """Return the security scheme."""
        return {
            "type": "http",
            "scheme": "bearer",
            "description": "A token from POST /api/v1/tokens/.",
        }
