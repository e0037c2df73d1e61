"""Whether a calibration's numbers are to be believed, as its judgement stored it, and why not."""

from collections.abc import Mapping, Sequence
from typing import Any

from calibration.metrology.causes import TO_REPEAT
from calibration.readout import deciding
from calibration.suspecting import COMMON_CAUSE

Causes = Sequence[Mapping[str, Any]]


def doubt_of(
    *, trusted: bool | None, causes: Causes | None, moved: float | None = None
) -> dict[str, Any] | None:
    """Return the most probable cause that says "measure again"; None where it is believed.

    A reference that `moved`, with that chance, is one too. What has not been judged is believed
    as it stands.
    """
    if trusted is not False:
        return None if moved is None else COMMON_CAUSE | {"probability": moved}
    return next((dict(cause) for cause in causes or () if cause["code"] in TO_REPEAT), None)


def doubt_in(answer: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return the same of a calibration's answer."""
    trusted = answer["against_expected"].get("learnt_from")
    moved = deciding.reference_moved(answer)
    return doubt_of(trusted=trusted, causes=answer["causes"], moved=moved)


def chance_wrong(causes: Causes | None) -> float:
    """Return how probable it is that the numbers are to be corrected or taken again [1]."""
    return float(sum(each["probability"] for each in causes or () if each["code"] in TO_REPEAT))
