"""Machines, sensors and where they sit."""

from typing import Any, ClassVar

from django.contrib import admin
from django.db import models
from django.http import HttpRequest

from fleet import registry
from fleet.admin.door import scope_in
from fleet.admin.filters import ScopedRelatedFilter, ValuesFilter
from fleet.admin.scoped import Scoped
from fleet.models import Customer, Installation, Machine, MachineModel, Sensor, SensorModel

TAG_FIELDS = ("tag_zero_reading", "tag_span_reading", "tag_span_load", "tag_load_unit")


def open_installations() -> "models.Prefetch[Any]":
    """Return where sensors sit now, to be read together with a page of sensors."""
    rows = Installation.objects.filter(removed_on__isnull=True).select_related("machine__customer")
    return models.Prefetch("installations", queryset=rows, to_attr="open_installations")


@admin.register(MachineModel)
class MachineModelAdmin(Scoped):
    """Makes and types of machines."""

    resource = "machine-models"
    list_display = ("name", "kind", "rows", "machine_count")
    list_filter = ("kind",)
    search_fields = ("name",)

    def get_queryset(self, request: HttpRequest) -> models.QuerySet[Any]:
        """Return the models, each with the number of machines that the caller sees."""
        seen = Machine.objects.visible_to(scope_in(request)).filter(model=models.OuterRef("pk"))
        total = seen.order_by().values("model").annotate(n=models.Count("pk")).values("n")
        rows = super().get_queryset(request)
        counted: models.QuerySet[Any] = rows.annotate(machine_total=models.Subquery(total))
        return counted

    @admin.display(description="machines", ordering="machine_total")
    def machine_count(self, row: Any) -> int:
        """Return how many machines of the model the caller sees."""
        return int(row.machine_total or 0)


@admin.register(Machine)
class MachineAdmin(Scoped):
    """Machines; a resale takes machine and sensors to the new owner's dealer."""

    resource = "machines"
    list_display: tuple[str, ...] = ("serial", "name", "model", "customer", "dealer")
    list_select_related = ("model", "customer__dealer")
    list_filter = (("customer__dealer", ScopedRelatedFilter), ("model", ScopedRelatedFilter))
    search_fields = ("search", "customer__search")
    autocomplete_fields = ("customer", "model")
    fields = ("customer", "model", "serial", "name")
    linked_by = ("customer", "model")

    @admin.display(description="dealer", ordering="customer__dealer__code")
    def dealer(self, row: Machine) -> str:
        """Return the dealer who looks after it."""
        return row.customer.dealer.code

    def store_new(self, request: HttpRequest, row: Machine) -> Machine:
        """Enter a machine."""
        return registry.register_machine(
            scope=scope_in(request),
            customer=row.customer,
            model=row.model,
            serial=row.serial,
            name=row.name,
        )

    def store_changes(
        self, request: HttpRequest, row: Machine, changes: dict[str, Any]
    ) -> Machine:
        """Store changes; another customer is a resale."""
        customer = changes.pop("customer", None)
        if customer is not None:
            self.resell(request, row, customer)
        return registry.edit(row, scope=scope_in(request), **changes)

    def resell(self, request: HttpRequest, row: Machine, customer: Customer) -> None:
        """Give the machine to its buyer."""
        registry.transfer_machine(scope=scope_in(request), machine=row, customer=customer)


@admin.register(SensorModel)
class SensorModelAdmin(Scoped):
    """Types of load cells with their rated values."""

    resource = "sensor-models"
    labels = {"repeatability_pct": "Repeatability, % of rated load"}
    list_display = (
        "name",
        "rated_load",
        "load_unit",
        "reading_unit",
        "nominal_slope",
        "repeatability_pct",
    )
    list_filter = ("load_unit", "reading_unit")
    search_fields = ("name",)
    fieldsets = (
        (None, {"fields": ("name", ("rated_load", "load_unit"))}),
        ("Readings", {"fields": ("reading_unit", ("reading_min", "reading_max"))}),
        ("A new cell", {"fields": (("nominal_slope", "nominal_offset"), "repeatability_pct")}),
    )


class LotFilter(ValuesFilter):
    """By production batch."""

    title = "lot"
    parameter_name = "lot"
    path = "lot"


@admin.register(Sensor)
class SensorAdmin(Scoped):
    """Sensors, each with the numbers on its tag."""

    resource = "sensors"
    labels = {
        "tag_zero_reading": "Zero reading",
        "tag_span_reading": "Span reading",
        "tag_span_load": "Span load",
        "tag_load_unit": "Unit of the span load",
    }
    list_display: tuple[str, ...] = ("serial", "model", "lot", "dealer_code", "where")
    list_select_related: ClassVar[tuple[str, ...]] = ("model", "dealer")
    list_filter: ClassVar[tuple[Any, ...]] = (
        ("dealer", ScopedRelatedFilter),
        ("model", ScopedRelatedFilter),
        LotFilter,
    )
    search_fields = ("serial", "lot")
    autocomplete_fields = ("model",)
    linked_by = ("lot",)
    fieldsets = (
        (None, {"fields": ("dealer", "serial", "model", "lot")}),
        (
            "Numbers on its tag",
            {
                "fields": (
                    ("tag_zero_reading", "tag_span_reading"),
                    ("tag_span_load", "tag_load_unit"),
                ),
                "description": "All four, or none. Good enough to start from, no more.",
            },
        ),
    )

    def get_queryset(self, request: HttpRequest) -> models.QuerySet[Any]:
        """Return the sensors, each with where it sits."""
        return super().get_queryset(request).prefetch_related(open_installations())

    def get_readonly_fields(self, request: HttpRequest, obj: Any = None) -> tuple[str, ...]:
        """Keep whose it is: installing the sensor, or reselling its machine, moves it."""
        return ("dealer",) if obj else ()

    @admin.display(description="dealer", ordering="dealer__code")
    def dealer_code(self, row: Sensor) -> str:
        """Return who looks after it."""
        return row.dealer.code

    @admin.display(description="where")
    def where(self, row: Any) -> str:
        """Return machine and position, where it is installed."""
        here = next(iter(row.open_installations), None)
        return f"{here.machine.serial}, {here.position}" if here else ""

    def store_new(self, request: HttpRequest, row: Sensor) -> Sensor:
        """Enter a sensor."""
        tag = {name.removeprefix("tag_"): getattr(row, name) for name in TAG_FIELDS}
        return registry.register_sensor(
            scope=scope_in(request),
            dealer=row.dealer,
            serial=row.serial,
            model=row.model,
            lot=row.lot,
            tag=None if set(tag.values()) <= {None, ""} else tag,
        )


@admin.register(Installation)
class InstallationAdmin(Scoped):
    """Which sensor sat where, from a day to a day."""

    resource = "installations"
    list_display = ("sensor", "machine", "position", "installed_on", "removed_on")
    list_select_related = ("sensor", "machine")
    list_filter = (
        ("sensor__dealer", ScopedRelatedFilter),
        ("removed_on", admin.EmptyFieldListFilter),
    )
    search_fields = ("sensor__serial", "machine__serial", "position")
    autocomplete_fields = ("sensor", "machine")
    date_hierarchy = "installed_on"
    linked_by = ("sensor", "machine")
    fields = ("sensor", "machine", "position", "installed_on", "removed_on")

    def get_readonly_fields(self, request: HttpRequest, obj: Any = None) -> tuple[str, ...]:
        """Keep what an installation is: another sensor or machine is another installation."""
        return ("sensor", "machine") if obj else ("removed_on",)

    def store_new(self, request: HttpRequest, row: Installation) -> Installation:
        """Install a sensor."""
        return registry.install_sensor(
            scope=scope_in(request),
            sensor=row.sensor,
            machine=row.machine,
            position=row.position,
            installed_on=row.installed_on,
        )

    def store_changes(
        self, request: HttpRequest, row: Installation, changes: dict[str, Any]
    ) -> Installation:
        """Store changes; a day of removal takes the sensor off, clearing it puts it back."""
        removed_on = changes.get("removed_on")
        if removed_on is not None:
            del changes["removed_on"]
        row = registry.edit(row, scope=scope_in(request), **changes)
        if removed_on is not None:
            row = registry.remove_sensor(
                scope=scope_in(request), installation=row, removed_on=removed_on
            )
        return row
