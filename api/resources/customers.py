"""Customers, their contact data for those who may see it, and their visit sheet."""

from dataclasses import dataclass
from typing import Any

from django.db.models import Q
from django.http import HttpResponse
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conditions import Contains, Filter
from api.downloads import download
from api.fields import Number, Text
from api.inputs import Input
from api.refs import beside, ref, ref_filter
from api.registers import Register, dealer_or_own
from api.rendering import Pdf
from api.sheets import PAPER, page_link, paper_in
from api.visit_sheet import VisitSheetAnswer
from calibration import personal
from calibration.models import Visit
from fleet import registry
from fleet.models import Customer, Dealer
from fleet.scope import Scope

CONTACTS = ("email", "phone", "latitude", "longitude")


class CustomerInput(Input):
    """What is said of a customer."""

    echoed = ("id",)

    dealer = ref(Dealer, required=False)
    name = Text(max_length=120)
    email = serializers.EmailField(required=False, allow_blank=True, max_length=254)
    phone = Text(required=False, allow_blank=True, max_length=40)
    latitude = Number(required=False, allow_null=True, min_value=-90, max_value=90)
    longitude = Number(required=False, allow_null=True, min_value=-180, max_value=180)


class CustomerSerializer(serializers.ModelSerializer[Customer]):
    """A customer; contact data only for those who may see it."""

    dealer_code = beside("dealer.code")
    email = serializers.CharField(required=False, help_text="Absent where it may not be seen.")
    phone = serializers.CharField(required=False, help_text="Absent where it may not be seen.")

    class Meta:
        model = Customer
        fields = ("id", "dealer", "dealer_code", "name", *CONTACTS)

    def to_representation(self, instance: Customer) -> dict[str, Any]:
        """Return the customer as this caller may see it."""
        shown = super().to_representation(instance)
        if not self.context["scope"].sees_contacts_of(instance.dealer_id):
            for name in CONTACTS:
                del shown[name]
        return shown


@dataclass(frozen=True)
class Contact(Contains):
    """Contact data that holds a text, among the customers whose contact data may be seen."""

    def condition(self, text: str, scope: Scope) -> Q:
        """Return the condition for one value."""
        theirs = Q() if scope.administers else Q(dealer__in=scope.dealers)
        return theirs & super().condition(text, scope)


class EraseInput(Input):
    """Whom to erase, said again, and by which further words the person is named."""

    confirm = Text(max_length=120, help_text="The customer's name as it is.")
    also = serializers.ListField(
        child=Text(max_length=120), required=False, max_length=20,
        help_text="Further words that name the person: a nickname, a misspelling.",
    )  # fmt: skip


class ErasedSerializer(serializers.Serializer[Any]):
    """What an erasure did."""

    counts = serializers.DictField(
        child=serializers.IntegerField(), help_text="Rows changed, by kind."
    )
    kept = serializers.ListField(
        child=serializers.UUIDField(),
        help_text="Records sealed in an older form: their words stay, or they would not verify.",
    )


class PersonAnswer(serializers.Serializer[Any]):
    """The customer as a person."""

    id = serializers.IntegerField()
    dealer = serializers.CharField()
    name = serializers.CharField()
    email = serializers.CharField(allow_blank=True)
    phone = serializers.CharField(allow_blank=True)
    latitude = serializers.FloatField(allow_null=True)
    longitude = serializers.FloatField(allow_null=True)


class PersonMachineAnswer(serializers.Serializer[Any]):
    """A machine of the person's."""

    serial = serializers.CharField()
    name = serializers.CharField(allow_blank=True)


class PersonVisitAnswer(serializers.Serializer[Any]):
    """A visit to the person."""

    planned_on = serializers.DateField()
    status = serializers.ChoiceField(choices=Visit.Status.values)
    note = serializers.CharField(allow_blank=True)


class PersonBlackoutAnswer(serializers.Serializer[Any]):
    """Days on which the person cannot be visited."""

    first_day = serializers.DateField()
    last_day = serializers.DateField()
    reason = serializers.CharField(allow_blank=True)


class PersonMailAnswer(serializers.Serializer[Any]):
    """A message in which the person is named."""

    day = serializers.DateField()
    subject = serializers.CharField()
    lines = serializers.ListField(child=serializers.CharField())


class PersonRecordAnswer(serializers.Serializer[Any]):
    """A sealed record whose words name the person."""

    id = serializers.UUIDField()
    performed_at = serializers.DateTimeField()
    technician = serializers.CharField(allow_blank=True)
    note = serializers.CharField(allow_blank=True)
    supersede_reason = serializers.CharField(allow_blank=True)


class PersonChangeAnswer(serializers.Serializer[Any]):
    """A change in the trail that names the person."""

    at = serializers.DateTimeField()
    what = serializers.CharField()
    before = serializers.DictField(allow_null=True)
    after = serializers.DictField(allow_null=True)


class PersonalDataAnswer(serializers.Serializer[Any]):
    """Everything that is kept about a customer as a person."""

    customer = PersonAnswer()
    machines = PersonMachineAnswer(many=True)
    visits = PersonVisitAnswer(many=True)
    blackouts = PersonBlackoutAnswer(many=True)
    e_mails = PersonMailAnswer(many=True)
    records = PersonRecordAnswer(many=True)
    changes = PersonChangeAnswer(many=True)


class CustomerViews(Register):
    """Customers of the caller's dealers."""

    resource = "customers"
    model = Customer
    related = ("dealer",)
    input = CustomerInput
    serializer_class = CustomerSerializer
    filters = {
        "dealer": ref_filter("dealer", Dealer),
        "dealer_code": Filter("dealer__code"),
        "name": Filter("name"),
        "email": Contact("email"),
        "phone": Contact("phone"),
    }
    search_fields = ("search",)
    orderings = {"name": "name", "id": "pk"}
    order = ("name",)
    fixed = {"dealer": "the dealer as it is; enter the customer anew at the other dealer"}
    # The sheet names who must be visited: those who may see visits may see it.
    verbs = {
        "visit_sheet": ("visits", "read"), "personal_data": "edit", "erase": "edit",
    }  # fmt: skip
    formats = {"visit_sheet": (Pdf,)}

    def enter(self, values: dict[str, Any]) -> Customer:
        """Enter a customer."""
        return registry.register_customer(
            scope=self.scope, **dealer_or_own(values, self.scope, "customers")
        )

    @extend_schema(
        parameters=[PAPER],
        responses={(200, "application/json"): VisitSheetAnswer, (200, "application/pdf"): bytes},
    )
    @action(detail=True, url_path="visit-sheet")
    def visit_sheet(self, request: Request, pk: str) -> Response | HttpResponse:
        """Last season's numbers of every machine and sensor, as JSON or to print."""
        from calibration import documents

        customer = self.get_object()
        if request.accepted_renderer.format == Pdf.format:
            content = documents.visit_sheet(
                customer,
                scope=self.scope,
                now=self.now,
                paper=paper_in(request),
                link=page_link(request, customer),
            )
            return download(content, Pdf, f"visit-sheet-{customer.pk}")
        return Response(documents.visit_sheet_data(customer, scope=self.scope, now=self.now))

    @extend_schema(responses=PersonalDataAnswer)
    @action(detail=True, url_path="personal-data")
    def personal_data(self, request: Request, pk: str) -> Response:
        """Everything that is kept about the customer as a person."""
        return Response(personal.personal_data(self.get_object(), scope=self.scope))

    @extend_schema(request=EraseInput, responses=ErasedSerializer)
    @action(detail=True, methods=["post"], url_path="personal-data/erase")
    def erase(self, request: Request, pk: str) -> Response:
        """Replace name, address and number wherever they stand; measurements stay and verify."""
        row, said = self.get_object(), self.checked(EraseInput)
        erased = personal.erase(
            row, scope=self.scope, now=self.now, confirm=said["confirm"],
            also=said.get("also", ()),
        )  # fmt: skip
        return Response({"counts": erased.counts, "kept": erased.kept})
