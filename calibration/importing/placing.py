"""Where a record's sensor sat on its day: there already, moved there, or not possible.

Pure: looks at installations that were read before, decides, and changes nothing.
"""

from collections.abc import Sequence
from datetime import date
from typing import NamedTuple

from fleet.models import Installation


class Unplaceable(Exception):
    """The sensor cannot have been there on that day."""

    def __init__(self, column: str, reason: str, accepted: str) -> None:
        super().__init__(reason)
        self.column, self.reason, self.accepted = column, reason, accepted


class Claim(NamedTuple):
    """What a record says of its sensor's place.

    Attributes
    ----------
    machine_id
        None for a machine that is not registered yet.
    day
        The record's day in the dealer's zone.
    installed_on, removed_on
        The days that the file gives for the installation, where it gives any.
    replaces
        Whether the record's reason lets it take the place of the sensor that sits there.
    """

    machine_id: int | None
    position: str
    day: date
    installed_on: date | None
    removed_on: date | None
    replaces: bool

    @property
    def start(self) -> date:
        """The day from which the sensor is taken to sit there."""
        return self.installed_on or self.day

    def is_at(self, row: Installation) -> bool:
        """Whether an installation is at the claimed place."""
        return row.machine_id == self.machine_id and row.position == self.position


class Placement(NamedTuple):
    """What has to be done so that the sensor sits where the record says.

    Attributes
    ----------
    here
        The installation that fits as it is.
    start_back
        The installation whose inferred start moves back to the record's day.
    take_off
        Installations that end on the day the new one starts.
    """

    here: Installation | None = None
    start_back: Installation | None = None
    take_off: tuple[Installation, ...] = ()

    @property
    def installs(self) -> bool:
        """Whether a new installation is made."""
        return self.here is None and self.start_back is None


def place(
    claim: Claim, *, own: Sequence[Installation], there: Sequence[Installation]
) -> Placement:
    """Decide where the sensor was.

    Parameters
    ----------
    claim
        What the record says.
    own
        Every installation of the sensor.
    there
        Every installation of other sensors at the claimed place.

    Raises
    ------
    Unplaceable
        If what is registered does not allow it.
    """
    _check_days(claim)
    here = _covering(claim, [row for row in own if claim.is_at(row)])
    if here:
        _check_agrees(claim, here)
        return Placement(here=here)
    if claim.removed_on is None:
        later = [row for row in own if claim.is_at(row) and row.installed_on > claim.day]
        if later:
            return _moved_back(claim, min(later, key=_start), own=own, there=there)
    left = _left_behind(claim, own)
    return Placement(take_off=(*left, *_given_way(claim, there)))


def _start(row: Installation) -> date:
    return row.installed_on


def _until(row: Installation) -> date:
    return row.removed_on or date.max


def _check_days(claim: Claim) -> None:
    if claim.installed_on and claim.installed_on > claim.day:
        raise Unplaceable("installed_on", "It is after the record's day", f"up to {claim.day}")
    if claim.removed_on and claim.removed_on < claim.day:
        raise Unplaceable("removed_on", "It is before the record's day", f"from {claim.day} on")


def _covering(claim: Claim, rows: Sequence[Installation]) -> Installation | None:
    """Return the installation that holds the day; on a day of change the later one."""
    inside = [row for row in rows if row.installed_on <= claim.day <= _until(row)]
    return max(inside, key=lambda row: (_until(row) > claim.day, row.installed_on), default=None)


def _check_agrees(claim: Claim, here: Installation) -> None:
    for column in ("installed_on", "removed_on"):
        given, kept = getattr(claim, column), getattr(here, column)
        if given and given != kept:
            raise Unplaceable(
                column,
                f"The register says {kept or 'that it still sits there'}",
                "the same day, or blank",
            )


def _moved_back(
    claim: Claim,
    later: Installation,
    *,
    own: Sequence[Installation],
    there: Sequence[Installation],
) -> Placement:
    """Move an inferred start back to an older record, if nothing else was there in between."""
    if not later.start_is_inferred:
        raise Unplaceable(
            "performed_at",
            f"The sensor was installed at this position on {later.installed_on}",
            f"a day from {later.installed_on} on",
        )
    between = [
        row
        for row in (*own, *there)
        if row.pk != later.pk and row.installed_on < later.installed_on and _until(row) > claim.day
    ]
    if between:
        raise Unplaceable(
            "performed_at",
            f"Sensor {between[0].sensor.serial} was on machine {between[0].machine.serial} at "
            f"{between[0].position} from {between[0].installed_on} on",
            "the place where the sensor was on that day",
        )
    return Placement(start_back=later)


def _left_behind(claim: Claim, own: Sequence[Installation]) -> list[Installation]:
    """Return where the sensor is taken off; it must sit nowhere else after that."""
    left = []
    for row in own:
        if _until(row) <= claim.start or (
            claim.removed_on and row.installed_on >= claim.removed_on
        ):
            continue
        if row.removed_on is not None or row.installed_on > claim.start:
            until = f" to {row.removed_on}" if row.removed_on else " on"
            raise Unplaceable(
                "position",
                f"The sensor was on machine {row.machine.serial} at {row.position} from "
                f"{row.installed_on}{until}",
                "the place where the sensor was on that day",
            )
        left.append(row)
    return left


def _given_way(claim: Claim, there: Sequence[Installation]) -> list[Installation]:
    """Return which sensors give way at the position; only a replacement lets them."""
    away = []
    for row in there:
        if _until(row) <= claim.start or (
            claim.removed_on and row.installed_on >= claim.removed_on
        ):
            continue
        if row.removed_on is not None or row.installed_on > claim.start or not claim.replaces:
            until = f" to {row.removed_on}" if row.removed_on else " on"
            raise Unplaceable(
                "position",
                f"Sensor {row.sensor.serial} sits there from {row.installed_on}{until}",
                "a free position; or, on a later day, the reason replacement or commissioning, "
                "which takes the other sensor off",
            )
        away.append(row)
    return away
