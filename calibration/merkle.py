"""The hash of a list: a Merkle tree as RFC 6962, section 2.1, builds it (RFC 9162 keeps it).

A leaf is hashed as SHA-256(0x00 || leaf), a node as SHA-256(0x01 || left || right): the two first
bytes keep a node from being passed off as a leaf. The tree of n leaves splits at the greatest
power of two below n. The empty list hashes to the SHA-256 of nothing.
"""

import hashlib
from collections.abc import Sequence

LEAF, NODE = b"\x00", b"\x01"


def root(leaves: Sequence[bytes]) -> bytes:
    """Return the tree's hash over these leaves, in this order."""
    if not leaves:
        return hashlib.sha256(b"").digest()
    level = [hashlib.sha256(LEAF + leaf).digest() for leaf in leaves]
    while len(level) > 1:
        pairs = zip(level[::2], level[1::2], strict=False)
        above = [hashlib.sha256(NODE + left + right).digest() for left, right in pairs]
        # The last one of an odd number goes up as it is: the same tree as RFC 6962's recursion.
        level = above + level[len(above) * 2 :]
    return level[0]
