"""Imports: a record file is uploaded and tried, its result read, and then committed."""

import hashlib
from typing import Any

from django.core.files.uploadedfile import UploadedFile
from django.db import transaction
from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from api.conditions import Moment, OneOf
from api.errors import TooLarge
from api.inputs import Input, Text
from api.parsing import Json
from api.permissions import require
from api.refs import beside, ref, ref_filter
from api.registers import Resource, dealer_or_own
from calibration.importing import load_file
from calibration.models import ImportRun
from fleet.errors import Conflict, Invalid, Problem
from fleet.models import Dealer

LARGEST = 100 * 2**20
FILE = "a CSV or XLSX record file of at most 100 MB"


class UploadInput(Input):
    """A record file, and the dealer whose records it holds."""

    file = serializers.FileField(max_length=200, allow_empty_file=True)
    dealer = ref(Dealer, required=False)


class CommitInput(Input):
    """Which content is meant, where the client wants to be sure."""

    content_digest = Text(required=False, max_length=64)


class RowReasonSerializer(serializers.Serializer[Any]):
    """Why a record was refused."""

    row = serializers.IntegerField()
    record_id = serializers.CharField()
    column = serializers.CharField()
    value = serializers.CharField()
    reason = serializers.CharField()


class CreatedSerializer(serializers.Serializer[Any]):
    """How many rows of the register were created."""

    customers = serializers.IntegerField()
    machines = serializers.IntegerField()
    sensors = serializers.IntegerField()
    installations = serializers.IntegerField()


class ImportResultSerializer(serializers.Serializer[Any]):
    """What came of the file: totals, and every reason for what was refused."""

    records = serializers.IntegerField()
    stored = serializers.IntegerField()
    already_there = serializers.IntegerField()
    refused = serializers.IntegerField()
    created = CreatedSerializer()
    reasons = RowReasonSerializer(many=True)


class ImportSerializer(serializers.ModelSerializer[ImportRun]):
    """An import as the answer shows it."""

    dealer_code = beside("dealer.code")
    result = serializers.SerializerMethodField()

    class Meta:
        model = ImportRun
        fields = (
            "id", "dealer", "dealer_code", "file_name", "content_digest", "status", "created_at",
            "committed_at", "result",
        )  # fmt: skip

    @extend_schema_field(ImportResultSerializer)
    def get_result(self, run: ImportRun) -> Any:
        """Return what came of the file."""
        return run.result


class ImportViews(Resource):
    """Uploaded record files of the caller's dealers."""

    resource = "imports"
    model = ImportRun
    related = ("dealer",)
    serializer_class = ImportSerializer
    parser_classes = (MultiPartParser, Json)
    input = UploadInput
    filters = {
        "dealer": ref_filter("dealer", Dealer),
        "status": OneOf("status", tuple(ImportRun.Status.values)),
        "created_after": Moment("created_at__gte"),
        "created_before": Moment("created_at__lt"),
    }
    search_fields = ("file_name",)
    orderings = {"created_at": "created_at", "file_name": "file_name", "id": "pk"}
    order = ("-created_at",)
    verbs = {"commit": "decide"}

    def get_queryset(self) -> QuerySet[ImportRun]:
        """Return the runs without the files themselves."""
        return super().get_queryset().defer("content")

    def create(self, request: Request) -> Response:
        """Try a file: everything is checked, nothing is stored but the result."""
        if int(request.META.get("CONTENT_LENGTH") or 0) > LARGEST + 2**20:
            raise TooLarge(Problem("file", "The file is too large", FILE))
        values = dealer_or_own(self.checked(UploadInput), self.scope, self.resource)
        dealer, upload = values["dealer"], values["file"]
        require(self.scope, "create", self.resource, ImportRun, dealer.pk)
        return self.created(self._tried(upload, dealer))

    def _tried(self, upload: UploadedFile[bytes], dealer: Dealer) -> ImportRun:
        content, name = upload.read(), str(upload.name)[:200]
        if not content:
            raise Invalid(Problem("file", "The file is empty", FILE))
        if len(content) > LARGEST:
            raise TooLarge(Problem("file", "The file is too large", FILE))
        result = load_file(
            content, name=name, dealer=dealer, scope=self.scope, now=self.now, dry_run=True
        )
        run = ImportRun(
            dealer=dealer,
            file_name=name,
            content=content,
            content_digest=hashlib.sha256(content).hexdigest(),
            status=ImportRun.Status.TRIED,
            result=result.to_dict(),
            created_at=self.now,
            created_by_id=self.scope.user_id,
        )
        run.save(force_insert=True)
        return run

    @extend_schema(request=CommitInput, responses=ImportSerializer)
    @action(detail=True, methods=["post"])
    def commit(self, request: Request, pk: str) -> Response:
        """Load a file that was tried; a second time changes nothing."""
        run = self.get_object()
        given = self.checked(CommitInput).get("content_digest", run.content_digest)
        if given != run.content_digest:
            accepted = "the content_digest of the dry run"
            raise Conflict(
                Problem("content_digest", "The file has other content", accepted, given)
            )
        return Response(self.shown(self._committed(run)))

    @transaction.atomic
    def _committed(self, run: ImportRun) -> ImportRun:
        locked = ImportRun.objects.visible_to(self.scope).select_for_update().get(pk=run.pk)
        if locked.status == ImportRun.Status.COMMITTED:
            return run
        content = bytes(locked.content)
        if hashlib.sha256(content).hexdigest() != locked.content_digest:
            raise Conflict("The file is not the one that was tried; upload it again.")
        result = load_file(
            content,
            name=locked.file_name,
            dealer=locked.dealer,
            scope=self.scope,
            now=self.now,
            user_id=self.scope.user_id,
        )
        run.status, run.committed_at = ImportRun.Status.COMMITTED, self.now
        run.result = result.to_dict()
        run.save(update_fields=["status", "committed_at", "result"])
        return run
