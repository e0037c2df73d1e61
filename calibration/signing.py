"""Ed25519 keys (RFC 8032) for what a dealer keeps elsewhere; the private one is never in a table.

A key is a file: PKCS #8 in PEM, readable by its owner only, named by the setting
CHECKPOINT_KEY_FILE (a mounted secret, where there are such).
"""

import base64
import binascii
import hashlib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from fleet.errors import Invalid, Malformed, Problem

ACCEPTED = "an Ed25519 public key: 32 bytes in base64, or a PEM file of it"


@dataclass(frozen=True)
class PublicKey:
    """A key that checks."""

    raw: bytes

    @classmethod
    def read(cls, text: str) -> Self:
        """Return the key that a text is, or that is in the file of that name.

        Raises
        ------
        Malformed
            If it is neither.
        """
        path = Path(text)
        try:
            if len(text) < 1024 and path.is_file():
                key = serialization.load_pem_public_key(path.read_bytes())
                if isinstance(key, Ed25519PublicKey):
                    return cls(key.public_bytes_raw())
            raw = base64.b64decode(text, validate=True)
        except (ValueError, binascii.Error, OSError) as wrong:
            raise Malformed(
                Problem("public_key", "It cannot be read", ACCEPTED, text[:60])
            ) from wrong
        if len(raw) != 32:
            raise Malformed(Problem("public_key", "It cannot be read", ACCEPTED, text[:60]))
        return cls(raw)

    @property
    def text(self) -> str:
        """The key in base64."""
        return base64.b64encode(self.raw).decode()

    @property
    def id(self) -> str:
        """A short name of the key: the beginning of its SHA-256."""
        return hashlib.sha256(self.raw).hexdigest()[:16]

    def signed(self, message: bytes, signature: bytes) -> bool:
        """Whether the owner of the private key signed the message."""
        try:
            Ed25519PublicKey.from_public_bytes(self.raw).verify(signature, message)
        except InvalidSignature:
            return False
        return True


@dataclass(frozen=True)
class PrivateKey:
    """A key that signs."""

    key: Ed25519PrivateKey

    @classmethod
    def read(cls, path: Path) -> Self:
        """Return the key in a file.

        Raises
        ------
        Invalid
            If there is none, or it is of another kind.
        """
        accepted = "an Ed25519 key in PEM, as `manage.py checkpoint --new-key FILE` makes it"
        try:
            key = serialization.load_pem_private_key(path.read_bytes(), password=None)
        except (OSError, ValueError, TypeError) as wrong:
            # The reason may quote the file: the type of it is enough.
            reason = f"The signing key cannot be read ({type(wrong).__name__})"
            raise Invalid(Problem("key", reason, accepted)) from None
        if not isinstance(key, Ed25519PrivateKey):
            raise Invalid(Problem("key", "The signing key is of another kind", accepted))
        return cls(key)

    @classmethod
    def make(cls, path: Path) -> Self:
        """Make a key and write it to a new file that only its owner reads.

        Raises
        ------
        Invalid
            If the file is there already, or cannot be written.
        """
        made = cls(Ed25519PrivateKey.generate())
        content = made.key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
        try:
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        except OSError as wrong:
            reason = f"The key cannot be written: {wrong.strerror}"
            accepted = "a file that is not there yet, in a folder that may be written"
            raise Invalid(Problem("key", reason, accepted, str(path))) from wrong
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        return made

    @property
    def public(self) -> PublicKey:
        """The key that checks what this one signs."""
        return PublicKey(self.key.public_key().public_bytes_raw())

    def sign(self, message: bytes) -> bytes:
        """Return the signature of a message."""
        return self.key.sign(message)
