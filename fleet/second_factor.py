"""The second factor: a code of one's authenticator (RFC 6238), or one of the recovery codes.

Who has enrolled is asked for it always; whom the policy obliges (SECOND_FACTOR) can do nothing but
enrol before. Recovery codes are kept as digests and are good for one sign-in each.
"""

import hashlib
import secrets
from base64 import b32encode
from datetime import datetime

import django_otp
from django.conf import settings
from django.contrib.auth.models import AnonymousUser
from django.db import transaction
from django_otp.models import Device
from django_otp.plugins.otp_static.models import StaticDevice
from django_otp.plugins.otp_totp.models import TOTPDevice

from fleet.errors import Conflict, Forbidden, Invalid, Problem
from fleet.models import User
from fleet.scope import Scope

CODES = 10  # recovery codes
_BYTES = 10  # of chance in each: 16 letters and digits


def is_obliged(scope: Scope) -> bool:
    """Whether the policy asks a second factor of somebody who may see this much."""
    policy = settings.SECOND_FACTOR
    return policy == "everybody" or (policy == "cross-dealer" and scope.everywhere)


def is_missing(person: User | AnonymousUser, scope: Scope) -> bool:
    """Whether a session began with a password alone, and must not go on so."""
    verified = getattr(person, "is_verified", None)
    if verified is not None and verified():
        return False
    return getattr(person, "second_factor_since", None) is not None or is_obliged(scope)


def offered(person: User) -> TOTPDevice:
    """Return the authenticator that a person may confirm; made, where there is none yet."""
    device, _ = TOTPDevice.objects.get_or_create(
        user=person, confirmed=False, defaults={"name": "authenticator"}
    )
    return device


@transaction.atomic
def enrol(person: User, code: str, *, now: datetime) -> tuple[Device, list[str]]:
    """Confirm the authenticator with its first code; return it and the recovery codes.

    Tokens that were given for the password alone end.

    Raises
    ------
    Conflict
        If there is one already.
    Invalid
        If the code is not the authenticator's.
    """
    row = User.objects.select_for_update().get(pk=person.pk)
    if row.second_factor_since is not None:
        raise Conflict("There is a second factor already; remove it first.")
    device = offered(person)
    if not device.verify_token(_plain(code)):
        raise Invalid(_wrong())
    device.confirmed = True
    device.save()
    person.second_factor_since = row.second_factor_since = now
    row.save(update_fields=["second_factor_since"])
    person.auth_token_set.all().delete()
    return device, new_recovery_codes(person)


def check(person: User, code: str) -> Device | None:
    """Return the device whose code this is, once: a code is good for one sign-in."""
    plain = _plain(code)
    if plain.isascii() and plain.isdigit():
        devices, said = TOTPDevice.objects.filter(user=person, confirmed=True), plain
    else:
        devices, said = (
            StaticDevice.objects.filter(user=person, confirmed=True),
            _kept(person, plain),
        )
    for device in devices:
        if django_otp.verify_token(person, device.persistent_id, said):
            return device
    return None


@transaction.atomic
def new_recovery_codes(person: User) -> list[str]:
    """Return new recovery codes, shown this once; the old ones end."""
    # The device stays: a session that began with a recovery code rests on it.
    device, _ = StaticDevice.objects.get_or_create(
        user=person, defaults={"name": "recovery codes", "confirmed": True}
    )
    device.token_set.all().delete()
    codes = [b32encode(secrets.token_bytes(_BYTES)).decode().lower() for _ in range(CODES)]
    for code in codes:
        device.token_set.create(token=_kept(person, code))
    return ["-".join(code[at : at + 4] for at in range(0, len(code), 4)) for code in codes]


def left(person: User) -> int:
    """Return how many recovery codes are left."""
    return sum(device.token_set.count() for device in StaticDevice.objects.filter(user=person))


@transaction.atomic
def remove(person: User, *, by: Scope) -> None:
    """Remove a person's second factor, with what it opened.

    Raises
    ------
    Forbidden
        If the caller is neither that person nor an administrator.
    """
    if not by.administers and by.user_id != person.pk:
        raise Forbidden("Only an administrator may remove another's second factor.")
    TOTPDevice.objects.filter(user=person).delete()
    StaticDevice.objects.filter(user=person).delete()
    person.second_factor_since = None
    User.objects.filter(pk=person.pk).update(second_factor_since=None)
    person.auth_token_set.all().delete()


def _wrong() -> Problem:
    return Problem(
        "code", "That is not the code", "the six digits that your authenticator shows now"
    )


def _plain(code: str) -> str:
    return "".join(code.split()).replace("-", "").lower()


def _kept(person: User, code: str) -> str:
    """Return what is kept of a recovery code: 80 bits of a digest of 80 bits of chance."""
    digest = hashlib.sha256(f"{person.pk}:{code}".encode()).digest()[:_BYTES]
    return b32encode(digest).decode().lower()
