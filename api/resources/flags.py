"""Flags: what somebody has to look at, worst first; acknowledged and closed with a reason."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.answers import FlagAnswer
from api.causes import FamilyTold, PersonTold, likeliest
from api.conditions import Filter, Moment, Number, OneOf, Uuid, Whole
from api.fields import Ref, Text
from api.fields import Whole as WholeNumber
from api.inputs import Input
from api.refs import ref_filter, seated
from api.registers import Resource
from calibration import flags, readout, triage
from calibration.models import DriftFlag
from fleet import access
from fleet.errors import Invalid, Problem
from fleet.models import Customer, Dealer, Machine, MachineModel, Sensor, SensorModel

if TYPE_CHECKING:
    from calibration.fleetwide import MovedReference

_COLUMNS = (
    "id", "sensor_serial", "kind", "level", "magnitude", "tolerance", "p_out", "status",
    "opened_at", "acknowledged_at", "closed_at", "close_reason", "calibration",
    "functional_test", "causes", "family", "family_cause", "assigned_to", "assigned_at",
)  # fmt: skip


class ReasonInput(Input):
    """Why the flag is closed."""

    reason = Text(max_length=200)


class AssignInput(Input):
    """Who sees to the flag from now on."""

    person = Ref(
        access.users_visible_to, "username", "person", allow_null=True, help_text="null: nobody."
    )


class MergeInput(Input):
    """Flags that have one cause between them."""

    flags = serializers.ListField(
        child=WholeNumber(min_value=1), min_length=2, max_length=triage.MOST_AT_ONCE
    )
    cause = Text(max_length=200)


class FlagViews(Resource):
    """Flags of the caller's sensors."""

    resource = "flags"
    model = DriftFlag
    related = ("sensor", "family", "assigned_to")
    serializer_class = FlagAnswer
    filters = {
        "sensor": ref_filter("sensor", Sensor),
        "sensor_serial": Filter("sensor__serial"),
        "sensor_model": ref_filter("sensor__model", SensorModel),
        "lot": Filter("sensor__lot"),
        "machine": seated("sensor__installations__machine", Machine),
        "customer": seated("sensor__installations__machine__customer", Customer),
        "dealer": ref_filter("sensor__dealer", Dealer),
        "machine_model": seated("sensor__installations__machine__model", MachineModel),
        "season": Whole("calibration__judgement__season"),
        "cause": likeliest("causes"),
        "calibration": Uuid("calibration"),
        "functional_test": Uuid("functional_test"),
        "kind": OneOf("kind", tuple(DriftFlag.Kind.values)),
        "level": OneOf("level", tuple(DriftFlag.Level.values)),
        "status": OneOf("status", tuple(DriftFlag.Status.values)),
        "family": FamilyTold("family"),
        "assigned_to": PersonTold("assigned_to__username"),
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
    verbs = {
        "acknowledge": "decide", "assign": "decide", "close": "decide", "merge": "decide",
        "part": "decide",
    }  # fmt: skip
    columns = _COLUMNS

    def answers(self, rows: Sequence[DriftFlag]) -> Sequence[dict[str, Any]]:
        """Return flags with their sensors' serials, and which reference moved on which day."""
        from calibration.fleetwide import moved_references

        moved = moved_references(rows, scope=self.scope)
        return [
            readout.flag_answer(row, self.scope)
            | {"sensor_serial": row.sensor.serial, "moved": _told(moved.get(row.pk))}
            for row in rows
        ]

    @extend_schema(request=None, responses=FlagAnswer)
    @action(detail=True, methods=["post"])
    def acknowledge(self, request: Request, pk: str) -> Response:
        """Say that somebody has seen it and its family."""
        row = self.get_object()
        flags.acknowledge(row, user_id=self.scope.user_id, now=self.now)
        return Response(self.shown(row))

    @extend_schema(request=ReasonInput, responses=FlagAnswer)
    @action(detail=True, methods=["post"])
    def close(self, request: Request, pk: str) -> Response:
        """Close it and its family, with the reason."""
        row = self.get_object()
        reason = self.checked(ReasonInput)["reason"]
        flags.close(row, user_id=self.scope.user_id, reason=reason, now=self.now)
        return Response(self.shown(row))

    @extend_schema(request=AssignInput, responses=FlagAnswer)
    @action(detail=True, methods=["post"])
    def assign(self, request: Request, pk: str) -> Response:
        """Give it and its family to a person; technicians to themselves, managers to anybody."""
        row = self.get_object()
        person = self.checked(AssignInput)["person"]
        triage.assign(row, person=person, scope=self.scope, now=self.now)
        return Response(self.shown(row))

    @extend_schema(request=MergeInput, responses=FlagAnswer(many=True), filters=False)
    @action(detail=False, methods=["post"], pagination_class=None)
    def merge(self, request: Request) -> Response:
        """Make flags of one dealer one family: from then on one decision is for all of them."""
        values = self.checked(MergeInput)
        wanted = set(values["flags"])
        rows = list(self.get_queryset().filter(pk__in=wanted).order_by("pk"))
        missing = sorted(wanted - {row.pk for row in rows})
        if missing:
            said = ", ".join(map(str, missing[:5]))
            raise Invalid(Problem("flags", "No such flag", "ids of flags you may see", said))
        triage.merge(rows, cause=values["cause"], scope=self.scope, now=self.now)
        return Response(self.answers(rows))

    @extend_schema(request=None, responses=FlagAnswer)
    @action(detail=True, methods=["post"])
    def part(self, request: Request, pk: str) -> Response:
        """Take it out of its family."""
        row = self.get_object()
        triage.part(row)
        return Response(self.shown(row))


def _told(moved: "MovedReference | None") -> dict[str, Any] | None:
    """Return what a flag of a reference is about."""
    if moved is None:
        return None
    return {
        "reference": moved.reference.pk if moved.reference else None,
        "reference_name": moved.reference.name if moved.reference else "",
        "day": moved.day.isoformat(),
        "others": [
            {
                "calibration": str(row.pk),
                "sensor": row.sensor_id,
                "sensor_serial": row.sensor_serial,
            }
            for row in moved.others
        ],
    }
