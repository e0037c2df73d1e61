"""Flags: what somebody has to look at, worst first; acknowledged and closed with a reason."""

from collections.abc import Sequence
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.answers import FlagAnswer
from api.conditions import Filter, Moment, Number, OneOf, Uuid
from api.inputs import Input, Text
from api.refs import ref_filter, seated
from api.registers import Resource
from calibration import flags, readout
from calibration.models import DriftFlag
from fleet.models import Customer, Dealer, Machine, Sensor, SensorModel

_COLUMNS = (
    "id", "sensor_serial", "kind", "level", "magnitude", "tolerance", "p_out", "status",
    "opened_at", "acknowledged_at", "closed_at", "close_reason", "calibration",
    "functional_test", "causes",
)  # fmt: skip


class ReasonInput(Input):
    """Why the flag is closed."""

    reason = Text(max_length=200)


class FlagViews(Resource):
    """Flags of the caller's sensors."""

    resource = "flags"
    model = DriftFlag
    related = ("sensor",)
    serializer_class = FlagAnswer
    filters = {
        "sensor": ref_filter("sensor", Sensor),
        "sensor_serial": Filter("sensor__serial"),
        "sensor_model": ref_filter("sensor__model", SensorModel),
        "lot": Filter("sensor__lot"),
        "machine": seated("sensor__installations__machine", Machine),
        "customer": seated("sensor__installations__machine__customer", Customer),
        "dealer": ref_filter("sensor__dealer", Dealer),
        "calibration": Uuid("calibration"),
        "functional_test": Uuid("functional_test"),
        "kind": OneOf("kind", tuple(DriftFlag.Kind.values)),
        "level": OneOf("level", tuple(DriftFlag.Level.values)),
        "status": OneOf("status", tuple(DriftFlag.Status.values)),
        "p_out_from": Number("p_out__gte"),
        "opened_after": Moment("opened_at__gte"),
        "opened_before": Moment("opened_at__lt"),
    }
    search_fields = ("sensor__serial", "sensor__lot")
    orderings = {
        "level": "level", "p_out": "p_out", "magnitude": "magnitude", "opened_at": "opened_at",
        "kind": "kind", "sensor_serial": "sensor__serial", "id": "pk",
    }  # fmt: skip
    order = ("level", "-p_out", "-pk")
    verbs = {"acknowledge": "decide", "close": "decide"}
    columns = _COLUMNS

    def answers(self, rows: Sequence[DriftFlag]) -> Sequence[dict[str, Any]]:
        """Return flags with their sensors' serials."""
        return [
            readout.flag_answer(row, self.scope) | {"sensor_serial": row.sensor.serial}
            for row in rows
        ]

    @extend_schema(request=None, responses=FlagAnswer)
    @action(detail=True, methods=["post"])
    def acknowledge(self, request: Request, pk: str) -> Response:
        """Say that somebody has seen it and sees to it."""
        row = self.get_object()
        flags.acknowledge(row, user_id=self.scope.user_id, now=self.now)
        return Response(self.shown(row))

    @extend_schema(request=ReasonInput, responses=FlagAnswer)
    @action(detail=True, methods=["post"])
    def close(self, request: Request, pk: str) -> Response:
        """Close it, with the reason."""
        row = self.get_object()
        reason = self.checked(ReasonInput)["reason"]
        flags.close(row, user_id=self.scope.user_id, reason=reason, now=self.now)
        return Response(self.shown(row))
