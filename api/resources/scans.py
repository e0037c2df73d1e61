"""Scans of the fleet: the worker's runs, and starting one."""

import logging
from typing import Any

from django.conf import settings
from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema, extend_schema_field
from kombu.exceptions import OperationalError
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.conditions import Moment, Whether
from api.errors import Unavailable
from api.inputs import Input
from api.registers import Resource
from calibration import scan, stages, tasks
from calibration.models import ScanRun
from fleet.scope import Scope

logger = logging.getLogger(__name__)


class ScanInput(Input):
    """What is scanned: what changed since the last scan, or everybody."""

    full = serializers.BooleanField(required=False)


class FailedSerializer(serializers.Serializer[Any]):
    """A sensor that could not be judged."""

    sensor = serializers.CharField()
    reason = serializers.CharField()


class ScanSerializer(serializers.ModelSerializer[ScanRun]):
    """A scan as the answer shows it."""

    seconds = serializers.SerializerMethodField()
    failed = FailedSerializer(many=True)
    state = serializers.SerializerMethodField()
    progress = serializers.SerializerMethodField()
    chunks = serializers.SerializerMethodField()
    chunks_done = serializers.SerializerMethodField()

    class Meta:
        model = ScanRun
        fields = (
            "id", "started_at", "finished_at", "full", "state", "progress", "chunks",
            "chunks_done", "sensors", "judged", "flags_opened", "flags_closed", "seconds",
            "failed",
        )  # fmt: skip

    @extend_schema_field(serializers.ChoiceField(["waiting", "running", "finished"]))
    def get_state(self, run: ScanRun) -> str:
        """Return whether a worker is at it."""
        return stages.progress(run).state

    def get_progress(self, run: ScanRun) -> float:
        """Return the share of the sensors that are done, of the stages that there are."""
        return round(stages.progress(run).share, 4)

    def get_chunks(self, run: ScanRun) -> int:
        """Return how many chunks there are by now."""
        return stages.progress(run).chunks

    def get_chunks_done(self, run: ScanRun) -> int:
        """Return how many of them are done."""
        return stages.progress(run).chunks_done

    def get_seconds(self, run: ScanRun) -> float | None:
        """Return how long it took; nothing while it runs."""
        seconds: float | None = scan.scan_result(run)["seconds"]
        return seconds

    def to_representation(self, instance: ScanRun) -> dict[str, Any]:
        """Return the scan; which sensors failed is told to those who may see every dealer's."""
        shown = super().to_representation(instance)
        if not self.context["scope"].everywhere:
            shown["failed"] = []
        return shown


class QueuedSerializer(serializers.Serializer[Any]):
    """The scan waits for the worker, who was told."""

    id = serializers.IntegerField()
    queued = serializers.BooleanField()
    full = serializers.BooleanField()


class ScanViews(Resource):
    """Runs of the drift scan."""

    resource = "scans"
    model = ScanRun
    serializer_class = ScanSerializer
    input = ScanInput
    filters = {
        "full": Whether("full"),
        "finished": Whether("finished_at__isnull", inverted=True),
        "started_after": Moment("started_at__gte"),
        "started_before": Moment("started_at__lt"),
    }
    orderings = {"started_at": "started_at", "id": "pk"}
    order = ("-started_at",)

    def visible(self, scope: Scope) -> QuerySet[Any]:
        """Return the runs within a scope, with how far they are."""
        return stages.with_progress(super().visible(scope))

    @extend_schema(responses={201: ScanSerializer, 202: QueuedSerializer})
    def create(self, request: Request) -> Response:
        """Scan: at once where there is no worker (201), else by the worker (202)."""
        full = bool(self.checked(ScanInput).get("full"))
        if not settings.REDIS_URL:
            run = scan.run_scan(full=full, now=self.now)
            return self.created(self.get_queryset().get(pk=run.pk))
        run = scan.start(full=full, now=self.now)  # a message may be lost, the rows are not
        try:
            tasks.scan.delay(full=full)
        except OperationalError as away:
            logger.exception("the broker does not answer")
            raise Unavailable(
                "The worker cannot be reached; the nightly scan will do it."
            ) from away
        return Response({"id": run.pk, "queued": True, "full": full}, 202)
