"""Calibrations: recorded one by one or in batches, checked, shown, printed, exported."""

from collections.abc import Iterable, Sequence
from typing import Any
from uuid import UUID

from django.http import HttpResponse
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.answers import BatchAnswer, CalibrationAnswer, RecordedAnswer
from api.batches import record_batch, rejudged
from api.conditions import Filter, Moment, OneOf, Whether, Whole
from api.downloads import download
from api.drafts import CalibrationInput, calibration_draft
from api.errors import MEDIA_TYPE
from api.inputs import Input, checked
from api.refs import ref_filter
from api.registers import Resource
from api.rendering import Pdf
from api.schema import SAYS, ProblemSerializer
from api.sheets import PAPER, paper_in
from calibration import documents, matching, readout, records
from calibration.models import Calibration, Reason, ReferenceStandard, Stage, Verdict
from fleet.models import Customer, Dealer, Machine, MachineModel, Sensor, SensorModel

_COLUMNS = (
    "id", "sensor_serial", "sensor_model_name", "machine_serial", "position", "performed_at",
    "reason", "stage", "reference_name", "technician", "conditions.temperature_c",
    "conditions.hydraulic_pressure", "conditions.pressure_unit", "points", "fit.load_unit",
    "fit.reading_unit", "fit.slope", "fit.u_slope", "fit.offset", "fit.u_offset", "season",
    "verdict", "against_previous.slope_change_pct", "against_previous.u_slope_change_pct",
    "against_previous.offset_change", "against_previous.u_offset_change",
    "against_previous.p_out_slope", "against_previous.p_out_offset", "next_due", "supersedes",
    "superseded_by", "note", "digest",
)  # fmt: skip
BATCH = {
    "oneOf": [
        {"type": "array", "items": {"$ref": "#/components/schemas/CalibrationInputRequest"}},
        {
            "type": "object",
            "required": ["records"],
            "properties": {
                "records": {
                    "type": "array",
                    "items": {"$ref": "#/components/schemas/CalibrationInputRequest"},
                }
            },
        },
    ]
}


class ReadingInput(Input):
    """The reading that is to be turned into a load."""

    echoed = ("format",)

    reading = serializers.FloatField()


class LoadAnswer(serializers.Serializer[Any]):
    """The load that a reading means by one calibration."""

    reading = serializers.FloatField()
    reading_unit = serializers.CharField()
    load = serializers.FloatField()
    u_load = serializers.FloatField(help_text="Standard uncertainty.")
    expanded_u_load = serializers.FloatField(help_text="At 95 %: coverage factor times u_load.")
    coverage_factor = serializers.FloatField()
    degrees_of_freedom = serializers.FloatField(allow_null=True, help_text="Null: infinite.")
    load_unit = serializers.CharField()
    says = serializers.CharField()


class CalibrationViews(Resource):
    """Calibrations are sealed: recorded, never edited; a correction supersedes."""

    resource = "calibrations"
    model = Calibration
    related = ("sensor",)
    serializer_class = CalibrationAnswer
    input = CalibrationInput
    filters = {
        "sensor": ref_filter("sensor", Sensor),
        "sensor_serial": Filter("sensor__serial"),
        "sensor_model": ref_filter("sensor__model", SensorModel),
        "lot": Filter("sensor__lot"),
        "machine": ref_filter("installation__machine", Machine),
        "machine_serial": Filter("machine_serial"),
        "customer": ref_filter("installation__machine__customer", Customer),
        "machine_model": ref_filter("installation__machine__model", MachineModel),
        "dealer": ref_filter("sensor__dealer", Dealer),
        "cause": OneOf("judgement__likeliest_cause", readout.CODES),
        "reference": ref_filter("reference", ReferenceStandard),
        "reason": OneOf("reason", tuple(Reason.values)),
        "stage": OneOf("stage", tuple(Stage.values)),
        "verdict": OneOf("judgement__verdict", tuple(Verdict.values)),
        "season": Whole("judgement__season"),
        "superseded": Whether("superseded_by__isnull", inverted=True),
        "performed_after": Moment("performed_at__gte"),
        "performed_before": Moment("performed_at__lt"),
    }
    search_fields = ("sensor__serial", "machine_serial", "position", "sensor__lot")
    orderings = {
        "performed_at": "performed_at", "recorded_at": "recorded_at",
        "sensor_serial": "sensor_serial", "id": "pk",
    }  # fmt: skip
    order = ("-performed_at",)
    verbs = {"check": "create", "batch": "create", "certificate": "read", "load": "read"}
    formats = {"certificate": (Pdf,)}
    bare = ("certificate",)
    columns = _COLUMNS
    unlisted = frozenset({"figures", "explain"})

    def answers(self, rows: Sequence[Calibration]) -> Sequence[dict[str, Any]]:
        """Return calibrations with everything that follows from them."""
        return readout.answers(rows, self.scope)

    def shown(self, row: Calibration) -> Any:
        """Return a calibration with everything that follows from it, freshly read."""
        return readout.calibration_answer(row, self.scope)

    @extend_schema(responses={201: RecordedAnswer, 200: CalibrationAnswer})
    def create(self, request: Request) -> Response:
        """Record a calibration: 201 when it was stored, 200 when it was there already."""
        draft = calibration_draft(self.checked(CalibrationInput))
        recorded = records.record_calibration(
            draft, scope=self.scope, now=self.now, user_id=self.scope.user_id
        )
        answer = recorded.answer(self.scope)
        if recorded.created:
            return self.placed(recorded.id, answer | {"rejudged": rejudged(recorded)})
        return Response(answer)

    @extend_schema(request=CalibrationInput, responses={200: CalibrationAnswer})
    @action(detail=False, methods=["post"])
    def check(self, request: Request) -> Response:
        """Judge a calibration without storing it."""
        draft = calibration_draft(self.checked(CalibrationInput))
        return Response(records.check_calibration(draft, scope=self.scope, now=self.now))

    @extend_schema(
        request={"application/json": BATCH}, responses={200: BatchAnswer, 207: BatchAnswer}
    )
    @action(detail=False, methods=["post"])
    def batch(self, request: Request) -> Response:
        """Record up to 1,000 calibrations; each has its own status, 207 where one was refused.

        In order: one may supersede one before it in the list, by its id.
        """
        results = record_batch(request.data, scope=self.scope, now=self.now, answers_of=self._read)
        refused = sum(item["status"] >= 400 for item in results)
        stored = sum(item["status"] == 201 for item in results)
        body = {
            "stored": stored,
            "already_there": len(results) - refused - stored,
            "refused": refused,
            "results": results,
        }
        return Response(body, 207 if refused else 200)

    @extend_schema(parameters=[PAPER], responses={(200, "application/pdf"): bytes})
    @action(detail=True)
    def certificate(self, request: Request, pk: str) -> HttpResponse:
        """Return the certificate as PDF."""
        row = self.get_object()
        link = request.build_absolute_uri(matching.address_of(row))
        content = documents.certificate(
            row, scope=self.scope, now=self.now, paper=paper_in(request), link=link
        )
        return download(content, Pdf, f"certificate-{row.pk}")

    @extend_schema(
        parameters=[
            OpenApiParameter("reading", float, required=True, description="In its reading unit.")
        ],
        responses={
            200: LoadAnswer,
            (422, MEDIA_TYPE): OpenApiResponse(ProblemSerializer, SAYS["422"]),
        },
    )
    @action(detail=True)
    def load(self, request: Request, pk: str) -> Response:
        """Turn a reading back into the load that makes it, with its uncertainty."""
        row = self.get_object()
        given = checked(ReadingInput, request.query_params, scope=self.scope)
        return Response(readout.load_at(row, given["reading"]))

    def _read(self, keys: Iterable[UUID]) -> Sequence[dict[str, Any]]:
        rows = Calibration.objects.visible_to(self.scope).filter(pk__among=list(keys))
        return readout.answers_by_key(rows.order_by().values_list("pk", flat=True), self.scope)
