"""What can go wrong, said in data: a code, a sentence, the field and what would be accepted.

Errors here know no HTTP and no command line; `api/errors.py` and the commands translate them.
"""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong with one field of the input.

    Attributes
    ----------
    field
        Path to the field as the caller wrote it: ``points.1.load``; empty for the whole input.
    reason
        What is wrong, in one sentence.
    accepted
        What would be accepted instead, where that can be said.
    value
        The value as it was given.
    """

    field: str
    reason: str
    accepted: str = ""
    value: str = ""

    def __str__(self) -> str:
        """Return the sentence that a person reads."""
        where = f"{self.field}: " if self.field else ""
        shown = f" (got {self.value!r})" if self.value else ""
        accepted = f" Accepted: {self.accepted}." if self.accepted else ""
        return f"{where}{self.reason}{shown}.{accepted}"


class DomainError(Exception):
    """A rule of the trade was broken; carries every problem that was found."""

    code = "error"
    title = "This cannot be done"

    def __init__(self, *problems: Problem | str) -> None:
        self.problems: Sequence[Problem] = [
            Problem("", problem) if isinstance(problem, str) else problem for problem in problems
        ]
        super().__init__(" ".join(str(problem) for problem in self.problems))


class Invalid(DomainError):
    """The input can be read, and cannot be right."""

    code = "invalid"
    title = "The input cannot be accepted"


class Malformed(DomainError):
    """The input cannot be read at all: a broken header, an unknown encoding."""

    code = "malformed"
    title = "The input cannot be read"


class NotFound(DomainError):
    """It does not exist, or not for this caller: both look alike."""

    code = "not_found"
    title = "Not found"


class Forbidden(DomainError):
    """The caller may see it and may not do this to it."""

    code = "forbidden"
    title = "Not allowed"


class Conflict(DomainError):
    """It contradicts what is already recorded."""

    code = "conflict"
    title = "This contradicts what is recorded"
