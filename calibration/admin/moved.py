"""A flag of a reference on the desk: which reference, which day, which other cells."""

from collections.abc import Iterable
from typing import Any

from django.contrib.admin.views.main import ChangeList
from django.http import HttpRequest
from django.urls import reverse

from calibration import fleetwide
from calibration.fleetwide import MovedReference
from calibration.models import DriftFlag
from fleet.admin.door import scope_in
from fleet.scope import Scope


def note_references(rows: Iterable[Any], scope: Scope) -> None:
    """Give each flag `moved_reference`: which one on which day; empty for other kinds."""
    flags = list(rows)
    moved = fleetwide.moved_references(flags, scope=scope, with_others=False)
    for row in flags:
        row.moved_reference = in_words(moved[row.pk]) if row.pk in moved else ""


def in_words(moved: MovedReference) -> str:
    """Return which reference on which day, in a few words."""
    return f"{moved.reference.name if moved.reference else 'reference'}, {moved.day}"


def moved_panel(row: DriftFlag, scope: Scope) -> dict[str, Any] | None:
    """Return what the page of a flag of a reference says of it; None for other kinds."""
    moved = fleetwide.moved_references([row], scope=scope).get(row.pk)
    if moved is None:
        return None
    used = moved.reference
    return {
        "name": used.name if used else "",
        "url": reverse("admin:calibration_referencestandard_change", args=[used.pk])
        if used
        else "",
        "day": moved.day,
        "others": [
            {
                "serial": each.sensor_serial,
                "where": f"{each.machine_serial}, {each.position}" if each.machine_serial else "",
                "url": reverse("admin:calibration_calibration_change", args=[each.pk]),
            }
            for each in moved.others
        ],
    }


class FlagList(ChangeList):
    """A page of the list of flags."""

    def get_results(self, request: HttpRequest) -> None:
        """Read the page, and for flags of a reference which one it is."""
        super().get_results(request)
        self.result_list = list(self.result_list)
        note_references(self.result_list, scope_in(request))
