"""Functional tests: whether the displayed force arrives at the commanded setpoints."""

from collections.abc import Sequence
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from api.conditions import Filter, Moment, OneOf, Uuid, Whether
from api.drafts import FunctionalInput, functional_draft
from api.functional_answers import FunctionalAnswer
from api.refs import ref_filter
from api.registers import Resource
from calibration import functional, readout
from calibration.models import FunctionalTest
from fleet.models import Customer, Dealer, Machine, Sensor, SensorModel


class FunctionalTestViews(Resource):
    """Functional tests are sealed: recorded, never edited; a correction supersedes."""

    resource = "functional-tests"
    model = FunctionalTest
    serializer_class = FunctionalAnswer
    input = FunctionalInput
    filters = {
        "sensor": ref_filter("sensor", Sensor),
        "sensor_serial": Filter("sensor__serial"),
        "sensor_model": ref_filter("sensor__model", SensorModel),
        "lot": Filter("sensor__lot"),
        "machine": ref_filter("installation__machine", Machine),
        "machine_serial": Filter("machine_serial"),
        "customer": ref_filter("installation__machine__customer", Customer),
        "dealer": ref_filter("sensor__dealer", Dealer),
        "verdict": OneOf("outcome__verdict", ("pass", "fail")),
        "superseded": Whether("superseded_by__isnull", inverted=True),
        "supersedes": Uuid("supersedes"),
        "performed_after": Moment("performed_at__gte"),
        "performed_before": Moment("performed_at__lt"),
    }
    search_fields = ("sensor__serial", "machine_serial", "position")
    orderings = {
        "performed_at": "performed_at", "sensor_serial": "sensor_serial", "id": "pk",
    }  # fmt: skip
    order = ("-performed_at",)

    def answers(self, rows: Sequence[FunctionalTest]) -> Sequence[dict[str, Any]]:
        """Return functional tests with everything that follows from them."""
        fresh = FunctionalTest.objects.visible_to(self.scope).filter(
            pk__in=[row.pk for row in rows]
        )
        found = {row["id"]: row for row in readout.functional_answers(fresh, self.scope)}
        return [found[str(row.pk)] for row in rows]

    @extend_schema(responses={201: FunctionalAnswer, 200: FunctionalAnswer})
    def create(self, request: Request) -> Response:
        """Record a functional test: 201 when it was stored, 200 when it was there already."""
        draft = functional_draft(self.checked(FunctionalInput))
        recorded = functional.record_functional_test(
            draft, scope=self.scope, now=self.now, user_id=self.scope.user_id
        )
        if recorded.created:
            return self.created(recorded.functional_test)
        return Response(self.shown(recorded.functional_test))
