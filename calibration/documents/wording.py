"""How numbers and days are written on paper."""

import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from calibration.readout.phrases import minute
from calibration.rounding import rounded
from fleet.models import Dealer

DUE_BECAUSE: Mapping[str, str] = {
    "never_calibrated": "never calibrated here",
    "interval": "its interval ends",
    "crossing": "expected to leave its tolerance",
    "season": "the season starts",
}


def quantity(value: float | None, u: float | None, unit: str) -> dict[str, Any] | None:
    """Return a value, its standard uncertainty and both as text, rounded (GUM 7.2.6)."""
    if value is None:
        return None
    return {
        "value": value,
        "u": u,
        "unit": unit,
        "text": rounded(value, u),
    }


def change(value: float | None, u: float | None, unit: str) -> dict[str, Any] | None:
    """Return the same of a change: with its sign, as the desk has it."""
    found = quantity(value, u, unit)
    if found and value is not None and value > 0:
        found["text"] = f"+{found['text']}"
    return found


def natural(text: str) -> list[tuple[int, str]]:
    """Return a key that sorts `row 2` before `row 10`."""
    return [
        (int(part), "") if part.isdecimal() and part.isascii() else (-1, part.casefold())
        for part in re.split(r"([0-9]+)", text)
        if part
    ]


def local_day(moment: datetime, dealer: Dealer) -> str:
    """Return the day at the dealer, ISO 8601."""
    return moment.astimezone(dealer.zone).date().isoformat()


def local_minute(moment: datetime | str, dealer: Dealer) -> str:
    """Return day, hour and minute at the dealer, with the offset from UTC."""
    at = datetime.fromisoformat(moment) if isinstance(moment, str) else moment
    return minute(at, dealer.zone)


def dealer_facts(dealer: Dealer) -> dict[str, Any]:
    """Return what a sheet says about the dealer."""
    return {
        "id": dealer.pk,
        "code": dealer.code,
        "name": dealer.name,
        "timezone": dealer.timezone,
        "load_unit": dealer.load_unit,
        "pressure_unit": dealer.pressure_unit,
    }
