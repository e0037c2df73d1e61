"""The register's machine, model and customer pages, with what was measured on them.

The register knows nothing of measurements; so its pages are registered again here, each a
subclass of the register's own.
"""

from typing import Any

from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.db import models
from django.http import HttpRequest, HttpResponse
from django.urls import path, reverse
from django.utils import timezone

from calibration import documents, following, policies
from calibration.admin.customer_page import customer_page, with_worst, worst_of
from calibration.admin.fleet_page import lots_page, model_page
from calibration.admin.sensor_page import machine_page
from calibration.admin.showing import Desk, state
from fleet import access
from fleet.admin.dealers import CustomerAdmin
from fleet.admin.door import scope_in
from fleet.admin.equipment import MachineAdmin, SensorModelAdmin
from fleet.models import Customer, Installation, Machine, SensorModel
from fleet.scope import Scope

MOST_SHEETS = 200

for model in (Machine, SensorModel, Customer):
    admin.site.unregister(model)


@admin.register(Machine)
class MachinePage(Desk, MachineAdmin):
    """Machines; each with its positions and their numbers."""

    change_form_template = "desk/machine.html"
    list_display = ("serial", "name", "model", "customer", "dealer", "sensors_on_it", "worst")

    def get_queryset(self, request: HttpRequest) -> models.QuerySet[Any]:
        """Return the machines, each with how many sensors sit on it and how many are flagged."""
        here = Installation.objects.filter(machine=models.OuterRef("pk"), removed_on__isnull=True)
        rows = super().get_queryset(request).annotate(sensor_total=_count(here, "machine"))
        return with_worst(rows)

    @admin.display(description="sensors", ordering="sensor_total")
    def sensors_on_it(self, row: Any) -> int:
        """Return how many sensors sit on it."""
        return int(row.sensor_total or 0)

    @admin.display(description="worst open flag")
    def worst(self, row: Any) -> str:
        """Return the level of the worst open flag on it."""
        worst = worst_of(row)
        return state(worst, worst) if worst else ""

    def change_view(
        self, request: HttpRequest, object_id: str, form_url: str = "", extra_context: Any = None
    ) -> HttpResponse:
        """Show the machine's positions above what is registered of it."""
        row = self.visible_or_404(request, object_id)
        page = machine_page(row, scope=scope_in(request), now=timezone.now())
        return super().change_view(
            request, object_id, form_url, {"page": page, **(extra_context or {})}
        )

    def get_urls(self) -> list[Any]:
        """Add the card for the cab."""
        door = self.admin_site.admin_view(self.cab_card)
        return [
            path("<path:object_id>/cab-card/", door, name="fleet_machine_cab_card"),
            *super().get_urls(),
        ]

    def cab_card(self, request: HttpRequest, object_id: str) -> HttpResponse:
        """Serve the machine's numbers for the cab."""
        row = self.visible_or_404(request, object_id)
        made = documents.cab_card(
            row,
            scope=scope_in(request),
            now=timezone.now(),
            paper=self.paper(request),
            link=self.link_to(request, "admin:fleet_machine_change", row),
        )
        return self.pdf(made, f"cab-card-{row.pk}")

    def resell(self, request: HttpRequest, row: Machine, customer: Customer) -> None:
        """Give the machine to its buyer; what is measured on it is judged and due anew."""
        following.transfer_machine(
            scope=scope_in(request), machine=row, customer=customer, now=timezone.now()
        )


def _count(rows: models.QuerySet[Any], by: str) -> models.Subquery:
    return models.Subquery(
        rows.order_by().values(by).annotate(total=models.Count("pk")).values("total")
    )


@admin.register(SensorModel)
class SensorModelPage(Desk, SensorModelAdmin):
    """Sensor models: how long their sensors last; an edit has them judged again."""

    change_form_template = "desk/sensor_model.html"

    def get_urls(self) -> list[Any]:
        """Add the lots."""
        door = self.admin_site.admin_view(self.lots)
        return [path("lots/", door, name="fleet_sensormodel_lots"), *super().get_urls()]

    def lots(self, request: HttpRequest) -> HttpResponse:
        """Show lots and models with their shares out of tolerance and intervals."""
        if not self.has_module_permission(request):
            raise PermissionDenied
        return self.page(request, "desk/lots.html", lots_page(request))

    def change_view(
        self, request: HttpRequest, object_id: str, form_url: str = "", extra_context: Any = None
    ) -> HttpResponse:
        """Show how long the model's sensors last above what is registered of it."""
        row = self.visible_or_404(request, object_id)
        context = {"page": model_page(row, request), **(extra_context or {})}
        return super().change_view(request, object_id, form_url, context)

    def after_save(self, request: HttpRequest, row: Any, changed: Any) -> None:
        """Have the sensors of an edited model judged again."""
        if changed:
            policies.mark_rule_changed(row, now=timezone.now())


def _require_sheets(scope: Scope, dealer_id: int) -> None:
    """Refuse a visit sheet to who may not see visits: it names who must be visited."""
    if not access.may(scope, "read", "visits", dealer_id):
        raise PermissionDenied


@admin.register(Customer)
class CustomerPage(Desk, CustomerAdmin):
    """Customers; each with the sheet for the next visit."""

    change_form_template = "desk/customer.html"
    actions = ("sheets_chosen",)

    def has_sheets_permission(self, request: HttpRequest) -> bool:
        """Whether the caller has visit sheets somewhere."""
        return access.may(scope_in(request), "read", "visits")

    @admin.action(description="Visit sheets as one ZIP", permissions=["sheets"])
    def sheets_chosen(
        self, request: HttpRequest, queryset: models.QuerySet[Any]
    ) -> HttpResponse | None:
        """Make the sheets of the chosen customers; nothing is changed by it."""
        keys = list(queryset.order_by("pk").values_list("pk", flat=True)[: MOST_SHEETS + 1])
        if len(keys) > MOST_SHEETS:
            said = f"Choose at most {MOST_SHEETS} customers at once."
            self.message_user(request, said, messages.ERROR)
            return None
        scope = scope_in(request)
        for dealer in set(queryset.order_by().values_list("dealer", flat=True)):
            _require_sheets(scope, dealer)
        page = "admin:fleet_customer_change"
        made = documents.visit_sheets(
            {pk: request.build_absolute_uri(reverse(page, args=[pk])) for pk in keys},
            scope=scope,
            now=timezone.now(),
            paper=self.paper(request),
        )
        answer = HttpResponse(made, content_type="application/zip")
        answer.headers["Content-Disposition"] = 'attachment; filename="visit-sheets.zip"'
        return answer

    def change_view(
        self, request: HttpRequest, object_id: str, form_url: str = "", extra_context: Any = None
    ) -> HttpResponse:
        """Show the customer's machines, visits and flags above what is registered of them."""
        row = self.visible_or_404(request, object_id)
        page = customer_page(row, scope=scope_in(request), now=timezone.now())
        return super().change_view(
            request, object_id, form_url, {"page": page, **(extra_context or {})}
        )

    def get_urls(self) -> list[Any]:
        """Add the visit sheet."""
        door = self.admin_site.admin_view(self.visit_sheet)
        return [
            path("<path:object_id>/visit-sheet/", door, name="fleet_customer_visit_sheet"),
            *super().get_urls(),
        ]

    def visit_sheet(self, request: HttpRequest, object_id: str) -> HttpResponse:
        """Serve the sheet for a visit to this customer."""
        row = self.visible_or_404(request, object_id)
        _require_sheets(scope_in(request), row.dealer_id)
        made = documents.visit_sheet(
            row,
            scope=scope_in(request),
            now=timezone.now(),
            paper=self.paper(request),
            link=self.link_to(request, "admin:fleet_customer_change", row),
        )
        return self.pdf(made, f"visit-sheet-{row.pk}")
