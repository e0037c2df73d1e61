"""Whose rows a caller may see: a frozen value, made by `fleet.access` and handed down."""

from dataclasses import dataclass, field
from typing import Self


@dataclass(frozen=True)
class Scope:
    """What one caller may see.

    Attributes
    ----------
    user_id
        The caller; None for the system itself (worker, commands).
    serves, manages
        Primary keys of the dealers where the caller is technician, or service manager.
    reviews
        A warranty reviewer: technical history everywhere, no customer's contact data.
    administers
        An administrator, a superuser or the system: everything.
    reads_only
        Came in with a token that may only read.
    zones
        The time zones of the caller's dealers, by their names; they decide nothing.
    """

    user_id: int | None = None
    serves: frozenset[int] = frozenset()
    manages: frozenset[int] = frozenset()
    reviews: bool = False
    administers: bool = False
    reads_only: bool = False
    zones: frozenset[str] = field(default=frozenset(), compare=False)

    @classmethod
    def system(cls) -> Self:
        """Return the scope of the worker and of the command line."""
        return cls(administers=True)

    @property
    def everywhere(self) -> bool:
        """Whether technical rows of every dealer are visible."""
        return self.administers or self.reviews

    @property
    def dealers(self) -> frozenset[int]:
        """The dealers to which the caller belongs."""
        return self.serves | self.manages

    @property
    def at_one_dealer(self) -> bool:
        """Whether all that is visible is one dealer's: to name it would say nothing."""
        return not self.everywhere and len(self.dealers) == 1

    def sees_contacts_of(self, dealer_id: int) -> bool:
        """Whether the contact data of this dealer's customers may be shown."""
        return self.administers or dealer_id in self.dealers

    def sees_remarks_of(self, dealer_id: int) -> bool:
        """Whether free text written by this dealer (it may name a former owner) may be shown."""
        return self.administers or dealer_id in self.dealers

    def sees_reference(self, *, owner_id: int | None, recorded_for: int) -> bool:
        """Whether the reference of a record may be named, which belongs to a dealer or to none.

        After a resale a correction keeps the reference, which stays the former dealer's.
        """
        own = self.sees_remarks_of(recorded_for)
        return self.everywhere or (own and owner_id in {None, *self.dealers})
