"""An authenticator as the standard describes it, apart from the library that we use.

RFC 6238 (TOTP) on RFC 4226 (HOTP), with SHA-1, six digits and steps of 30 seconds.
"""

import hashlib
import hmac
import struct
import time


def code(key: bytes, at: float | None = None, *, digits: int = 6) -> str:
    """Return what an authenticator with this key shows at a moment (seconds since 1970)."""
    step = int((time.time() if at is None else at) // 30)
    digest = hmac.new(key, struct.pack(">Q", step), hashlib.sha1).digest()
    offset = digest[-1] & 0x0F
    number = struct.unpack(">I", digest[offset : offset + 4])[0] & 0x7FFFFFFF
    return str(number % 10**digits).zfill(digits)
