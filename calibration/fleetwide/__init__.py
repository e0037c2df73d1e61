"""Questions across the fleet: what a reference touched, how long a model lasts, bad lots."""

from calibration.fleetwide.affected import affected_by
from calibration.fleetwide.intervals import settle_intervals
from calibration.fleetwide.lasting import reliability, reliability_of_all
from calibration.fleetwide.moved import MovedReference, moved_references
from calibration.fleetwide.siblings import lots, settle_lots

__all__ = [
    "MovedReference",
    "affected_by",
    "lots",
    "moved_references",
    "reliability",
    "reliability_of_all",
    "settle_intervals",
    "settle_lots",
]
