"""Visits: the plan of drives to customers, and as a calendar."""

from collections.abc import Iterator
from typing import Any

from django.db.models import QuerySet
from django.http import HttpResponse
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.calendars import calendar_of
from api.conditions import Day, Filter, OneOf, Whole
from api.downloads import download
from api.fields import Day as DayInput
from api.fields import Text
from api.fields import Whole as WholeInput
from api.inputs import Input
from api.permissions import require
from api.refs import beside, ref, ref_filter
from api.registers import Register
from api.rendering import Calendar
from api.scoping import owner_of
from calibration.models import Visit, VisitLine
from calibration.planning import appointments, plan_visits
from fleet.models import Customer, Dealer, User


class VisitInput(Input):
    """A visit: to whom, when, by whom."""

    echoed = (
        "id", "dealer", "dealer_code", "updated_at", "lines", "minutes", "sequence", "done_at",
    )  # fmt: skip

    customer = ref(Customer, "dealer")
    planned_on = DayInput()
    season = WholeInput(required=False, min_value=1900, max_value=2200)
    due_on = DayInput(required=False)
    technician = ref(User, required=False, allow_null=True)
    status = serializers.ChoiceField(choices=Visit.Status.values, required=False)
    note = Text(required=False, allow_blank=True, max_length=200)
    cancel_reason = Text(
        required=False,
        allow_blank=True,
        max_length=200,
        help_text="Of a cancelled visit: why, 3 to 200 characters.",
    )
    although_closed = serializers.BooleanField(
        required=False,
        help_text="Whether somebody goes there on a day on which the dealer or the customer is "
        "closed, which is taken for granted; false: such a day is refused.",
    )
    part = WholeInput(
        required=False, min_value=1, max_value=99, help_text="Where one visit is not enough."
    )


class PlanInput(Input):
    """Whose visits are planned."""

    dealer = ref(Dealer)
    anew = serializers.BooleanField(
        required=False, help_text="Move what nobody has confirmed as if it had no day yet."
    )


class LineSerializer(serializers.ModelSerializer[VisitLine]):
    """One machine of a visit."""

    machine_serial = beside("machine.serial")

    class Meta:
        model = VisitLine
        fields = ("machine", "machine_serial", "due_on", "sensors", "done", "done_at")


class VisitSerializer(serializers.ModelSerializer[Visit]):
    """A visit as the answer shows it."""

    customer_name = beside("customer.name")
    dealer = serializers.IntegerField(source="customer.dealer_id", read_only=True)
    dealer_code = beside("customer.dealer.code")
    technician_username = beside("technician.username", nullable=True)
    lines = LineSerializer(many=True)

    class Meta:
        model = Visit
        fields = (
            "id", "customer", "customer_name", "dealer", "dealer_code", "season", "planned_on",
            "due_on", "technician", "technician_username", "status", "note", "cancel_reason",
            "part", "minutes", "sequence", "done_at", "updated_at", "lines",
        )  # fmt: skip


class VisitViews(Register):
    """Visits of the caller's dealers."""

    resource = "visits"
    model = Visit
    related = ("customer__dealer", "technician")
    input = VisitInput
    serializer_class = VisitSerializer
    filters = {
        "customer": ref_filter("customer", Customer),
        "customer_name": Filter("customer__name"),
        "dealer": ref_filter("customer__dealer", Dealer),
        "technician": ref_filter("technician", User),
        "status": OneOf("status", tuple(Visit.Status.values)),
        "season": Whole("season"),
        "planned_after": Day("planned_on__gte"),
        "planned_before": Day("planned_on__lt"),
    }
    search_fields = ("customer__search", "note")
    orderings = {
        "planned_on": "planned_on", "due_on": "due_on", "customer_name": "customer__name",
        "id": "pk",
    }  # fmt: skip
    order = ("planned_on",)
    fixed = {"customer": "the customer as it is; make another visit"}
    # Where it stands, and for when it is due: that goes its own way, and has no default to go to.
    kept = frozenset({"season", "due_on", "status", "cancel_reason", "part"})
    verbs = {"calendar": "read", "plan": "create"}
    formats = {"calendar": (Calendar,)}
    bare = ("calendar",)

    def get_queryset(self) -> QuerySet[Visit]:
        """Return the visits with their machines."""
        return super().get_queryset().prefetch_related("lines__machine")

    def enter(self, values: dict[str, Any]) -> Visit:
        """Plan a visit by hand; its machines are those that are due and in no open visit."""
        asked = {name: values.pop(name, None) for name in ("season", "due_on", "part")}
        closed = values.pop("although_closed", True)
        visit = Visit(**values)
        require(self.scope, "create", self.resource, Visit, owner_of(visit))
        return appointments.make(
            visit, now=self.now, although_closed=closed, unexplained=True, **asked
        )

    def change(self, row: Visit, values: dict[str, Any]) -> Visit:
        """Store the changed visit."""
        asked = {"although_closed": True} | values
        return appointments.edit(row, now=self.now, unexplained=True, **asked)

    @extend_schema(request=PlanInput, responses=dict)
    @action(detail=False, methods=["post"])
    def plan(self, request: Request) -> Response:
        """Plan a dealer's visits now; what does not fit is listed with the reason."""
        values = self.checked(PlanInput)
        dealer = values["dealer"]
        require(self.scope, "create", self.resource, Visit, dealer.pk)
        found = plan_visits(now=self.now, dealer=dealer, anew=values.get("anew", False))
        plan = found.plans[0]
        return Response(
            {
                "planned": found.planned,
                "moved": found.moved,
                "cancelled": found.cancelled,
                "unplanned": [
                    {"customer": customer.pk, "customer_name": customer.name, "reason": reason}
                    for customer, reason in found.unplanned
                ],
                "made_by": plan.made_by,
                "says": plan.says,
                "cost": plan.cost,
                "greedy_cost": plan.greedy_cost,
            }
        )

    @extend_schema(responses={(200, "text/calendar"): bytes})
    def calendar(self, request: Request) -> HttpResponse:
        """Return the open visits as a calendar to subscribe to."""
        return download(calendar_of(self._open()), Calendar, "visits")

    def _open(self) -> Iterator[Visit]:
        rows = self.get_queryset().filter(status__in=Visit.TO_BE_MADE).order_by("planned_on", "pk")
        yield from rows.iterator(chunk_size=500)
