"""The words that name a person, to be looked for and replaced."""

import re
from collections.abc import Iterable
from typing import Any

ERASED = "[erased]"


class Words:
    """The words that name a person, found whole and in any case."""

    def __init__(self, words: Iterable[str]) -> None:
        self.all = sorted({word.strip() for word in words if word.strip()}, key=len, reverse=True)
        parts = "|".join(re.escape(word) for word in self.all) or r"(?!)"
        self._pattern = re.compile(rf"(?<!\w)(?:{parts})(?!\w)", re.IGNORECASE)

    def found(self, value: Any) -> bool:
        """Whether one of them stands in a text, or anywhere in JSON values."""
        return bool(self.without(value) != value)

    def without(self, value: Any) -> Any:
        """Return a text or JSON values with each of them replaced."""
        if isinstance(value, str):
            return self._pattern.sub(ERASED, value)
        if isinstance(value, list):
            return [self.without(each) for each in value]
        if isinstance(value, dict):
            return {str(self.without(key)): self.without(each) for key, each in value.items()}
        return value
