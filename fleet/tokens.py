"""Access tokens: whose a token is, in one query."""

from collections.abc import Iterator
from datetime import datetime

from knox.settings import CONSTANTS

from fleet.models import AccessToken, User
from fleet.statements import Statement

_USER = [field.attname for field in User._meta.concrete_fields]
_TOKEN = [field.attname for field in AccessToken._meta.concrete_fields]
_TOKENS = Statement(
    lambda mark: (
        AccessToken.objects.filter(token_key=str(mark))
        .order_by()
        .values_list(*_TOKEN, *(f"user__{name}" for name in _USER))
    )
)


def tokens_like(token: str) -> Iterator[AccessToken]:
    """Yield the tokens that this text may be, by its beginning, each with its person."""
    for row in _TOKENS.one(token[: CONSTANTS.TOKEN_KEY_LENGTH]):
        found = AccessToken.from_db("default", _TOKEN, row[: len(_TOKEN)])
        found.user = User.from_db("default", _USER, row[len(_TOKEN) :])
        yield found


def forget_expired(user: User, *, now: datetime) -> None:
    """Remove a person's tokens that have expired."""
    user.auth_token_set.filter(expiry__lt=now).delete()
