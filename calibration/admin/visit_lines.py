"""A visit as a line of a list: when it is, seen from the dealer's day, and whether it is late."""

from datetime import date
from typing import Any

from django.urls import reverse

from calibration.admin import wording
from calibration.models import Visit


def visit_line(row: Visit, today: date) -> dict[str, Any]:
    """Return what a list shows of a visit; `today` is the dealer's."""
    return {
        "row": row,
        "url": reverse("admin:calibration_visit_change", args=[row.pk]),
        "away": wording.days_until(row.planned_on, today),
        "late": row.status in Visit.TO_BE_MADE and row.planned_on < today,
    }
