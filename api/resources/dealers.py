"""Dealers: their calendar, units and address."""

from pathlib import Path
from typing import Any

from django.conf import settings
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conditions import Contains, Filter
from api.errors import MEDIA_TYPE, NotSetUp
from api.fields import Number, Text, Whole
from api.inputs import Input
from api.registers import Register
from api.schema import SAYS, ProblemSerializer
from calibration import checkpoints, following
from calibration.signing import PrivateKey
from fleet import units
from fleet.models import LANGUAGES, Dealer


class DealerInput(Input):
    """What is said of a dealer."""

    echoed = ("id",)

    code = Text(max_length=32, help_text="Letters, digits, - and _.")
    name = Text(max_length=120)
    email = serializers.EmailField(required=False, allow_blank=True, max_length=254)
    timezone = Text(required=False, max_length=64, help_text="IANA name, like Europe/Warsaw.")
    load_unit = serializers.ChoiceField(choices=list(units.LOAD), required=False)
    pressure_unit = serializers.ChoiceField(choices=list(units.PRESSURE), required=False)
    season_start = Text(required=False, max_length=5, help_text="Start of seeding: MM-DD.")
    reminder_lead_days = Whole(required=False, min_value=0, max_value=365)
    country = Text(
        required=False, allow_blank=True, max_length=2, help_text="ISO 3166-1, like PL."
    )
    subdivision = Text(required=False, allow_blank=True, max_length=16)
    language = serializers.ChoiceField(choices=[code for code, _ in LANGUAGES], required=False)
    tells_customers = serializers.BooleanField(required=False)
    latitude = Number(required=False, allow_null=True, min_value=-90, max_value=90)
    longitude = Number(required=False, allow_null=True, min_value=-180, max_value=180)
    travel_speed_kmh = Number(required=False, min_value=5, max_value=200)
    minutes_per_machine = Whole(required=False, min_value=0, max_value=600)
    minutes_per_sensor = Whole(required=False, min_value=1, max_value=600)


class DealerSerializer(serializers.ModelSerializer[Dealer]):
    """A dealer as the answer shows it."""

    class Meta:
        model = Dealer
        fields = (
            "id", "code", "name", "email", "timezone", "load_unit", "pressure_unit",
            "season_start", "reminder_lead_days", "country", "subdivision", "language",
            "tells_customers", "latitude", "longitude", "travel_speed_kmh",
            "minutes_per_machine", "minutes_per_sensor",
        )  # fmt: skip


class WeekAnswer(serializers.Serializer[Any]):
    """Machines planned and done in one week."""

    week = serializers.DateField(help_text="Its Monday.")
    machines_planned = serializers.IntegerField()
    machines_done = serializers.IntegerField()
    planned_so_far = serializers.IntegerField()
    done_so_far = serializers.IntegerField()


class UnplannedAnswer(serializers.Serializer[Any]):
    """A customer without a day, and why."""

    customer = serializers.IntegerField()
    customer_name = serializers.CharField()
    machines = serializers.IntegerField()
    sensors = serializers.IntegerField()
    due_on = serializers.DateField()
    reason = serializers.CharField()


class LastPlanAnswer(serializers.Serializer[Any]):
    """How the last plan was made, and what it could not place."""

    planned_at = serializers.DateTimeField()
    made_by = serializers.CharField()
    says = serializers.CharField()
    cost = serializers.FloatField()
    greedy_cost = serializers.FloatField()
    unplanned = UnplannedAnswer(many=True)


class ReadinessAnswer(serializers.Serializer[Any]):
    """How far a dealer is with the season to come."""

    dealer = serializers.IntegerField()
    dealer_code = serializers.CharField()
    today = serializers.DateField()
    season = serializers.IntegerField()
    season_starts_on = serializers.DateField()
    last_working_day = serializers.DateField()
    sensors = serializers.IntegerField()
    sensors_ready = serializers.IntegerField()
    share_ready = serializers.FloatField(allow_null=True)
    machines = serializers.IntegerField()
    machines_ready = serializers.IntegerField()
    overdue = serializers.IntegerField()
    sensors_planned = serializers.IntegerField()
    sensors_not_planned = serializers.IntegerField()
    forecast_share_ready = serializers.FloatField(allow_null=True)
    weeks = WeekAnswer(many=True)
    plan = LastPlanAnswer(allow_null=True)


class CheckpointKeyAnswer(serializers.Serializer[Any]):
    """The key that signed it."""

    id = serializers.CharField()
    public = serializers.CharField()


class CheckpointAnswer(serializers.Serializer[Any]):
    """Where every chain of a dealer's records ends, signed (Ed25519)."""

    format = serializers.CharField()
    dealer = serializers.CharField()
    at = serializers.CharField()
    chains = serializers.ListField(
        child=serializers.ListField(), help_text="Each: serial, kind, records, head."
    )
    # `root` is the name of something else in a serializer: it is put in below.
    key = CheckpointKeyAnswer()
    signature = serializers.CharField()

    def get_fields(self) -> dict[str, Any]:
        """Return the fields with `root`."""
        return {**super().get_fields(), "root": serializers.CharField()}


class DealerViews(Register):
    """Dealers: administrators enter and edit them, everybody sees their own."""

    resource = "dealers"
    model = Dealer
    input = DealerInput
    serializer_class = DealerSerializer
    filters = {"code": Filter("code"), "name": Contains("name")}
    search_fields = ("code", "name")
    orderings = {"code": "code", "name": "name", "id": "pk"}
    order = ("code",)
    fixed = {"code": "the code as it is: sealed records name it"}
    # How far the season's work is concerns those who may see visits.
    verbs = {"readiness": ("visits", "read"), "checkpoint": ("audit", "read")}

    def change(self, row: Dealer, values: dict[str, Any]) -> Dealer:
        """Store the changed dealer; another calendar makes other seasons."""
        names = {name for name, value in values.items() if value != getattr(row, name)}
        changed: Dealer = super().change(row, values)
        following.dealer_edited(changed, names, now=self.now)
        return changed

    @extend_schema(
        responses={
            200: CheckpointAnswer,
            (409, MEDIA_TYPE): OpenApiResponse(ProblemSerializer, SAYS["409"]),
        }
    )
    @action(detail=True)
    def checkpoint(self, request: Request, pk: str) -> Response:
        """Where every chain of the dealer's records ends now, signed, to be kept elsewhere."""
        dealer = self.get_object()
        if not settings.CHECKPOINT_KEY_FILE:
            raise NotSetUp("There is no signing key (CHECKPOINT_KEY_FILE).")
        key = PrivateKey.read(Path(settings.CHECKPOINT_KEY_FILE))
        return Response(checkpoints.make(dealer, key, now=self.now).document())

    @extend_schema(responses=ReadinessAnswer)
    @action(detail=True)
    def readiness(self, request: Request, pk: str) -> Response:
        """How far the season's work is: ready and forecast shares, weeks, what has no day."""
        from calibration.planning import readiness

        dealer = self.get_object()
        return Response(readiness(scope=self.scope, now=self.now, dealers=[dealer.pk])[0])
