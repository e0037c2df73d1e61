"""Who calls: the bearer of an access token."""

from hmac import compare_digest
from typing import Any

from django.utils import timezone
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from knox.auth import TokenAuthentication
from knox.crypto import hash_token
from rest_framework.exceptions import AuthenticationFailed

from fleet.acting import become
from fleet.tokens import tokens_like

REFUSED = "The token is not valid, or no longer."


class Bearer(TokenAuthentication):  # type: ignore[misc] # the library is untyped
    """knox's tokens, in one query, with one answer for everything that is not a valid one."""

    def authenticate_credentials(self, token: bytes) -> Any:
        """Return the person and the token; a header of other bytes is refused, not an error."""
        if not token.isascii() or not token.isalnum():
            raise AuthenticationFailed(REFUSED)
        text = token.decode()
        for found in tokens_like(text):
            valid = found.expiry is None or found.expiry > timezone.now()
            if valid and found.user.is_active and compare_digest(hash_token(text), found.digest):
                become(found.user.pk)
                return found.user, found
        raise AuthenticationFailed(REFUSED)


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
