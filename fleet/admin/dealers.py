"""Dealers, with their calendars, and their customers."""

from typing import Any

from django.contrib import admin
from django.db import models
from django.http import HttpRequest

from fleet import registry
from fleet.admin.door import scope_in
from fleet.admin.filters import ScopedRelatedFilter
from fleet.admin.scoped import Scoped
from fleet.models import Customer, Dealer


@admin.register(Dealer)
class DealerAdmin(Scoped):
    """Dealers, with their calendar and their units."""

    resource = "dealers"
    list_display = ("code", "name", "season_start", "timezone", "load_unit", "pressure_unit")
    search_fields = ("code", "name")
    list_filter = ("load_unit",)
    fieldsets = (
        (None, {"fields": ("code", "name", "email", "language", "tells_customers")}),
        (
            "Calendar",
            {
                "fields": (
                    "timezone",
                    "season_start",
                    "reminder_lead_days",
                    "country",
                    "subdivision",
                )
            },
        ),
        (
            "Drives and work, for the plan",
            {
                "fields": (
                    "latitude",
                    "longitude",
                    "travel_speed_kmh",
                    "minutes_per_machine",
                    "minutes_per_sensor",
                )
            },
        ),
        ("Units on screens and sheets", {"fields": ("load_unit", "pressure_unit")}),
    )


@admin.register(Customer)
class CustomerAdmin(Scoped):
    """Customers; their contact data only for their own dealer."""

    resource = "customers"
    list_display = ("name", "dealer", "machine_count")
    list_select_related = ("dealer",)
    list_filter = (("dealer", ScopedRelatedFilter),)
    search_fields = ("search",)
    fields = ("dealer", "name", "email", "phone", "latitude", "longitude")

    def get_queryset(self, request: HttpRequest) -> models.QuerySet[Any]:
        """Return the customers, each with the number of its machines."""
        rows = super().get_queryset(request)
        counted: models.QuerySet[Any] = rows.annotate(machine_total=models.Count("machines"))
        return counted

    @admin.display(description="machines", ordering="machine_total")
    def machine_count(self, row: Any) -> int:
        """Return how many machines the customer has."""
        return int(row.machine_total)

    def get_fields(self, request: HttpRequest, obj: Any = None) -> Any:
        """Leave contact data out where the caller is not of the customer's dealer."""
        scope = scope_in(request)
        shown = obj is None or scope.sees_contacts_of(obj.dealer_id)
        return list(self.fields) if shown else ["dealer", "name"]

    def store_new(self, request: HttpRequest, row: Customer) -> Customer:
        """Enter a customer."""
        return registry.register_customer(
            scope=scope_in(request),
            dealer=row.dealer,
            name=row.name,
            email=row.email,
            phone=row.phone,
            latitude=row.latitude,
            longitude=row.longitude,
        )
