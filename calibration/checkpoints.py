"""Signed checkpoints: where a dealer's chains ended at a moment, to be kept elsewhere.

A chain of digests shows that something inside it was altered. It cannot show that somebody who
owns the database altered a record and computed the whole chain anew, cut its end off, or took a
sensor away: a digest that was kept elsewhere can. A checkpoint names every chain of a dealer's
sensors with its length and last digest, and signs the Merkle root over them (RFC 6962).
"""

import base64
import binascii
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, NamedTuple, Self

from django.db.models import OuterRef, Subquery

from calibration import merkle
from calibration.models import Calibration, FunctionalTest
from calibration.signing import PrivateKey, PublicKey
from fleet.errors import Malformed, Problem
from fleet.models import Dealer, Sensor

FORMAT = "spanbook-checkpoint/1"
KINDS: dict[str, type[Calibration | FunctionalTest]] = {
    "calibration": Calibration,
    "functional test": FunctionalTest,
}
_BATCH = 200
_NAMES = {"format", "dealer", "at", "chains", "root", "key", "signature"}


class Chain(NamedTuple):
    """The end of one chain: whose, of which kind, how many records, the last one's digest."""

    serial: str
    kind: str
    records: int
    head: str

    @property
    def leaf(self) -> bytes:
        """What the tree hashes."""
        return json.dumps(self, separators=(",", ":")).encode()


@dataclass(frozen=True)
class Checkpoint:
    """Where a dealer's chains ended, signed."""

    dealer: str
    at: str
    chains: tuple[Chain, ...]
    root: str
    key: str
    signature: str

    def document(self) -> dict[str, Any]:
        """Return what the file holds."""
        return {
            "format": FORMAT,
            "dealer": self.dealer,
            "at": self.at,
            "chains": [list(chain) for chain in self.chains],
            "root": self.root,
            "key": {"id": PublicKey.read(self.key).id, "public": self.key},
            "signature": self.signature,
        }

    @property
    def message(self) -> bytes:
        """What is signed: everything but the chains, which the root stands for."""
        said = [FORMAT, self.dealer, self.at, len(self.chains), self.root, self.key]
        return json.dumps(said, separators=(",", ":")).encode()

    @classmethod
    def read(cls, content: bytes) -> Self:
        """Return the checkpoint in a file.

        Raises
        ------
        Malformed
            If it is none, or its parts do not fit together.
        """
        try:
            said = json.loads(content)
            if set(said) != _NAMES or said["format"] != FORMAT:
                raise _malformed(f"it is not a {FORMAT}")
            chains = tuple(
                Chain(str(serial), str(kind), int(records), str(head))
                for serial, kind, records, head in said["chains"]
            )
            key = said["key"]["public"]
            texts = (said["dealer"], said["at"], said["root"], key, said["signature"])
            dealer, at, root, key, signature = (str(text) for text in texts)
            base64.b64decode(signature, validate=True)
        except (ValueError, TypeError, KeyError, binascii.Error, RecursionError) as wrong:
            raise _malformed("it is damaged, or no checkpoint") from wrong
        if any(chain.kind not in KINDS or chain.records < 1 for chain in chains):
            raise _malformed("it names a chain that cannot be")
        return cls(dealer, at, chains, root, key, signature)

    def faults(self, key: PublicKey) -> list[str]:
        """Return why the owner of this key has not signed exactly this."""
        found = []
        if PublicKey.read(self.key) != key:
            found.append(f"it was signed with key {PublicKey.read(self.key).id}, not {key.id}")
        elif not key.signed(self.message, base64.b64decode(self.signature)):
            found.append("its signature is not that of its content")
        if _root(self.chains) != self.root:
            found.append("its chains were altered: they do not give its root")
        return found


def _malformed(why: str) -> Malformed:
    accepted = "a file that `manage.py checkpoint --dealer CODE FILE` wrote"
    return Malformed(Problem("checkpoint", f"The checkpoint cannot be used: {why}", accepted))


def _root(chains: Sequence[Chain]) -> str:
    return merkle.root([chain.leaf for chain in chains]).hex()


def make(dealer: Dealer, key: PrivateKey, *, now: datetime) -> Checkpoint:
    """Return a signed checkpoint of the chains of the sensors that a dealer looks after now."""
    chains = tuple(sorted(_chains(dealer)))
    at = now.astimezone(UTC).isoformat(timespec="seconds")
    bare = Checkpoint(dealer.code, at, chains, _root(chains), key.public.text, "")
    signature = base64.b64encode(key.sign(bare.message)).decode()
    return Checkpoint(bare.dealer, at, chains, bare.root, bare.key, signature)


def _chains(dealer: Dealer) -> Iterator[Chain]:
    for kind, model in KINDS.items():
        last = model.objects.filter(sensor=OuterRef("pk")).order_by("-chain_number")
        rows = Sensor.objects.filter(dealer=dealer).values_list(
            "serial",
            Subquery(last.values("chain_number")[:1]),
            Subquery(last.values("digest")[:1]),
        )
        for serial, number, head in rows.order_by("pk").iterator():
            if number:
                yield Chain(serial, kind, number, head)


def departures(
    checkpoint: Checkpoint, *, progress: Callable[[int, int], None] | None = None
) -> Iterator[tuple[Chain, str]]:
    """Yield every chain that is not the checkpoint's, or a continuation of it, and why."""
    chains = checkpoint.chains
    for start in range(0, len(chains), _BATCH):
        some = chains[start : start + _BATCH]
        serials = {chain.serial for chain in some}
        there = set(Sensor.objects.filter(serial__in=serials).values_list("serial", flat=True))
        stored = _stored(serials)
        for chain in some:
            wrong = _departure(chain, stored.get((chain.serial, chain.kind), {}))
            if chain.serial not in there:
                wrong = "the sensor is not registered any more"
            if wrong:
                yield chain, wrong
        if progress:
            progress(min(start + _BATCH, len(chains)), len(chains))


def _stored(serials: set[str]) -> dict[tuple[str, str], dict[int, str]]:
    """Return the digests of sensors' records by serial and kind, each by its number."""
    found: dict[tuple[str, str], dict[int, str]] = {}
    for kind, model in KINDS.items():
        rows = model.objects.filter(sensor__serial__in=serials)
        for serial, number, head in rows.values_list("sensor__serial", "chain_number", "digest"):
            found.setdefault((serial, kind), {})[number] = head
    return found


def _departure(chain: Chain, stored: dict[int, str]) -> str:
    head = stored.get(chain.records)
    if head is None:
        longest = max(stored, default=0)
        return f"the chain was cut: {longest} records, the checkpoint has {chain.records}"
    if head != chain.head:
        return f"the chain was rewritten: record {chain.records} has another digest than signed"
    return ""
