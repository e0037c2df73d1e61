"""Sensors: their tag, their history, and the dossier that proves it."""

from collections.abc import Mapping, Sequence
from typing import Any

from django.db.models import QuerySet
from django.http import HttpResponse
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.causes import Flagged, likeliest
from api.conditions import Filter, Whether
from api.downloads import download
from api.fields import Number, Text
from api.inputs import Input
from api.refs import beside, ref, ref_filter, seated
from api.registers import Register, dealer_or_own, placed
from api.rendering import Zip
from api.sensor_answers import DueReasonsAnswer, HistoryAnswer, LatestAnswer, OpenFlagAnswer
from api.sheets import PAPER, page_link, paper_in
from calibration import following, readout
from calibration.models import DriftFlag
from fleet import registry, units
from fleet.models import Customer, Dealer, Machine, MachineModel, Sensor, SensorModel

TAG = ("zero_reading", "span_reading", "span_load", "load_unit")
PLACES = {f"tag_{name}": f"tag.{name}" for name in TAG}
SAID = (
    "id", "serial", "model", "model_name", "dealer", "dealer_code", "lot", "tag", "next_due",
)  # fmt: skip
READ = (
    "pk", "serial", "model_id", "model__name", "dealer_id", "dealer__code", "lot", "due__due_on",
    *(f"tag_{name}" for name in TAG),
)  # fmt: skip


class TagInput(Input):
    """The numbers on a new cell's tag, all four."""

    zero_reading = Number()
    span_reading = Number()
    span_load = Number(min_value=1e-9, max_value=1e9)
    load_unit = serializers.ChoiceField(choices=list(units.LOAD))


class SensorInput(Input):
    """What is said of a sensor."""

    echoed = ("id", "machine", "machine_serial", "position", "next_due", "latest", "open_flags")

    serial = Text(max_length=40, trim_whitespace=False)
    model = ref(SensorModel)
    dealer = ref(Dealer, required=False)
    lot = Text(required=False, allow_blank=True, max_length=40)
    tag = TagInput(required=False, allow_null=True)


class SensorSerializer(serializers.ModelSerializer[Sensor]):
    """A sensor as the answer shows it; `SensorViews.answers` makes it."""

    model_name = beside("model.name")
    dealer_code = beside("dealer.code")
    tag = serializers.SerializerMethodField()
    next_due = serializers.DateField(source="due.due_on", allow_null=True, default=None)
    latest = LatestAnswer(allow_null=True, read_only=True)
    open_flags = OpenFlagAnswer(many=True, read_only=True)

    class Meta:
        model = Sensor
        fields = (*SAID, "latest", "open_flags")

    @extend_schema_field(TagInput(allow_null=True))
    def get_tag(self, sensor: Any) -> dict[str, Any] | None:
        """Describe the tag: none where the sensor has none."""
        raise NotImplementedError("sensors are shown by SensorViews.answers")


class SensorViews(Register):
    """Sensors of the caller's dealers."""

    resource = "sensors"
    model = Sensor
    input = SensorInput
    serializer_class = SensorSerializer
    filters = {
        "dealer": ref_filter("dealer", Dealer),
        "dealer_code": Filter("dealer__code"),
        "model": ref_filter("model", SensorModel),
        "model_name": Filter("model__name"),
        "serial": Filter("serial"),
        "lot": Filter("lot"),
        "machine": seated("installations__machine", Machine),
        "machine_serial": seated("installations__machine", Machine),
        "customer": seated("installations__machine__customer", Customer),
        "machine_model": seated("installations__machine__model", MachineModel),
        "flagged": Flagged("level", tuple(DriftFlag.Level.values)),
        "cause": likeliest("causes", Flagged),
        "has_tag": Whether("tag_span_load__isnull", inverted=True),
    }
    search_fields = ("serial", "lot", "model__name")
    orderings = {
        "serial": "serial", "lot": "lot", "model_name": "model__name",
        "next_due": "due__due_on", "id": "pk",
    }  # fmt: skip
    order = ("serial",)
    fixed = {"dealer": "installing the sensor, or reselling its machine, moves it"}
    blank = {"tag": None}
    columns = SAID
    # When it is due is the business of those who plan for it.
    verbs = {"history": "read", "dossier": "read", "due": ("reminders", "read")}
    formats = {"dossier": (Zip,)}
    bare = ("dossier",)

    def paginate_queryset(self, queryset: QuerySet[Any, Any] | Sequence[Any]) -> Any:
        """Return the rows of the page as plain values."""
        assert isinstance(queryset, QuerySet)
        return super().paginate_queryset(queryset.values(*READ))

    def answers(self, rows: Sequence[Any]) -> Sequence[dict[str, Any]]:
        """Return sensors with their newest numbers and open flags, with three queries at most."""
        keys = [row["pk"] if isinstance(row, dict) else row.pk for row in rows]
        if rows and not isinstance(rows[0], dict):
            read = self.model.objects.visible_to(self.scope).filter(pk__among=keys)
            found = {row["pk"]: row for row in read.order_by().values(*READ)}
            rows = [found[key] for key in keys]
        latest, flags = readout.newest_numbers(keys), readout.open_flags(keys)
        return [_shown(row, latest.get(row["pk"]), flags.get(row["pk"], [])) for row in rows]

    def enter(self, values: dict[str, Any]) -> Sensor:
        """Enter a sensor."""
        with placed(PLACES):
            return registry.register_sensor(
                scope=self.scope, **dealer_or_own(values, self.scope, "sensors")
            )

    def change(self, row: Sensor, values: dict[str, Any]) -> Sensor:
        """Store the changed sensor; the verdicts that rest on it are made again."""
        changes = _columns(values)
        names = {name for name, value in changes.items() if value != getattr(row, name)}
        with placed(PLACES):
            changed: Sensor = super().change(row, changes)
        following.sensor_edited(changed, names, now=self.now)
        return changed

    @extend_schema(responses=HistoryAnswer)
    @action(detail=True)
    def history(self, request: Request, pk: str) -> Response:
        """A sensor's whole life: installations, calibrations, tests, seasons, flags, due day."""
        return Response(readout.sensor_history(self.get_object(), self.scope))

    @extend_schema(responses=DueReasonsAnswer)
    @action(detail=True)
    def due(self, request: Request, pk: str) -> Response:
        """When the sensor is due, every day that competed for it, and why that one decided."""
        from calibration import readout

        return Response(readout.due_answer(self.get_object()))

    @extend_schema(parameters=[PAPER], responses={(200, "application/zip"): bytes})
    @action(detail=True)
    def dossier(self, request: Request, pk: str) -> HttpResponse:
        """A ZIP of PDF, CSV, JSON and digests: the sensor's life with its proof."""
        from calibration import documents

        sensor = self.get_object()
        content = documents.dossier(
            sensor,
            scope=self.scope,
            now=self.now,
            paper=paper_in(request),
            link=page_link(request, sensor),
        )
        return download(content, Zip, f"dossier-{sensor.pk}")


def _shown(
    row: Mapping[str, Any], latest: dict[str, Any] | None, flags: list[dict[str, Any]]
) -> dict[str, Any]:
    due = row["due__due_on"]
    return {
        "id": row["pk"],
        "serial": row["serial"],
        "model": row["model_id"],
        "model_name": row["model__name"],
        "dealer": row["dealer_id"],
        "dealer_code": row["dealer__code"],
        "lot": row["lot"],
        "tag": None
        if row["tag_span_load"] is None
        else {name: row[f"tag_{name}"] for name in TAG},
        "next_due": due.isoformat() if due else None,
        "latest": latest,
        "open_flags": flags,
    }


def _columns(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values with the tag as the four columns that keep it."""
    changes = dict(values)
    if "tag" in changes:
        none = {"zero_reading": None, "span_reading": None, "span_load": None, "load_unit": ""}
        tag = changes.pop("tag") or none
        changes |= {f"tag_{name}": tag[name] for name in TAG}
    return changes
