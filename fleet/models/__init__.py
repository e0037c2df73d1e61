"""The register: who and what."""

from fleet import among  # noqa: F401 - the lookup `__among` is known from here on
from fleet.models.audit import Acting, Change, Erasure
from fleet.models.away import Blackout, DayOff
from fleet.models.equipment import (
    ChangedSeat,
    Installation,
    Machine,
    MachineModel,
    Sensor,
    SensorModel,
)
from fleet.models.people import (
    DEALER_ROLES,
    LANGUAGES,
    AccessToken,
    Customer,
    Dealer,
    Membership,
    Role,
    User,
)
from fleet.models.scoped import ScopedModel, ScopedQuerySet

__all__ = [
    "DEALER_ROLES",
    "LANGUAGES",
    "AccessToken",
    "Acting",
    "Blackout",
    "Change",
    "ChangedSeat",
    "Customer",
    "DayOff",
    "Dealer",
    "Erasure",
    "Installation",
    "Machine",
    "MachineModel",
    "Membership",
    "Role",
    "ScopedModel",
    "ScopedQuerySet",
    "Sensor",
    "SensorModel",
    "User",
]
