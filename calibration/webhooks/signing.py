"""Signing what is sent, by the open specification Standard Webhooks; secrets sealed at rest.

References
----------
Standard Webhooks, specification 1.0: headers ``webhook-id``, ``webhook-timestamp`` and
``webhook-signature``, which is ``v1,`` and the base64 of HMAC-SHA256 over
``{id}.{timestamp}.{body}``; secrets are ``whsec_`` and base64, 24 to 64 bytes; several signatures
are separated by spaces.
"""

import base64
import hashlib
import hmac
import secrets
from collections.abc import Sequence

from cryptography.fernet import Fernet, InvalidToken, MultiFernet
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from django.conf import settings

PREFIX = "whsec_"
_BYTES = 32
_PURPOSE = b"spanbook webhook secrets 1"


class Unsealable(Exception):
    """The secret was sealed with a key of the site that is gone: make a new one."""


def new_secret() -> str:
    """Return a secret as its receiver keeps it."""
    return PREFIX + base64.b64encode(secrets.token_bytes(_BYTES)).decode()


def seal(secret: str) -> bytes:
    """Return a secret as a row keeps it."""
    return _box().encrypt(secret.encode())


def unseal(sealed: bytes) -> str:
    """Return a secret from its row; raises `Unsealable`."""
    try:
        return _box().decrypt(sealed).decode()
    except InvalidToken as wrong:
        raise Unsealable(
            "Its secret was sealed with another SECRET_KEY; rotate the secret."
        ) from wrong


def headers(secret: Sequence[str], *, key: str, timestamp: int, body: bytes) -> dict[str, str]:
    """Return the headers that prove who sent a body, and when.

    Parameters
    ----------
    secret
        Every secret that its receiver may still know, the newest first.
    key
        The same for every attempt at one message.
    timestamp
        Seconds since 1970.
    """
    signed = f"{key}.{timestamp}.".encode() + body
    return {
        "webhook-id": key,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": " ".join(f"v1,{_signature(each, signed)}" for each in secret),
    }


def _signature(secret: str, signed: bytes) -> str:
    key = base64.b64decode(secret.removeprefix(PREFIX))
    return base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()


def _box() -> MultiFernet:
    keys = [settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS]
    return MultiFernet([Fernet(_derived(str(key))) for key in keys])


def _derived(key: str) -> bytes:
    derived = HKDF(algorithm=SHA256(), length=32, salt=None, info=_PURPOSE).derive(key.encode())
    return base64.urlsafe_b64encode(derived)
