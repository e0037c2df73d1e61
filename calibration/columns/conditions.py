"""Conditions on very many keys."""

from collections.abc import Iterable

import numpy as np
from django.db.models import Q
from numpy.typing import NDArray

from fleet.among import Keys

_CLOSE = 2  # so many keys of others are read with each at most


def among(name: str, keys: Iterable[int] | NDArray[np.int64]) -> Q:
    """Return the condition that a key is one of these: one parameter, however many there are."""
    listed = keys.tolist() if isinstance(keys, np.ndarray) else keys
    return Q(**{f"{name}__among": Keys(",".join(map(str, listed)))})


def around(name: str, keys: NDArray[np.int64]) -> Q:
    """Return the same condition or, where the keys lie close together, their range.

    Then others may be among what is found.
    """
    if not lie_close(keys):
        return among(name, keys)
    return Q(**{f"{name}__gte": int(keys.min()), f"{name}__lte": int(keys.max())})


def lie_close(keys: NDArray[np.int64]) -> bool:
    """Whether the range of some keys holds few others."""
    return bool(len(keys) and keys.max() - keys.min() <= _CLOSE * len(keys))
