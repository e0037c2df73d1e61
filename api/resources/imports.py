"""Imports: a record file is uploaded, checked by the worker, its rows read, and committed."""

from collections.abc import Iterable
from typing import Any, cast

from django.conf import settings
from django.core.files.uploadedfile import UploadedFile
from django.http import FileResponse
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from api.conditions import Moment, OneOf
from api.errors import MEDIA_TYPE, TooLarge
from api.fields import Text
from api.filters import Filters
from api.inputs import Input
from api.pagination import Pages
from api.parsing import Json
from api.permissions import require
from api.refs import beside, ref, ref_filter
from api.registers import Resource, dealer_or_own
from api.rendering import Csv
from api.schema import SAYS, ProblemSerializer
from calibration import receiving
from calibration.models import ImportRowOutcome, ImportRun
from fleet.errors import Conflict, Problem
from fleet.models import Dealer

FORM = 2**20  # what a form adds to the file in it


class UploadInput(Input):
    """A record file, and the dealer whose records it holds."""

    file = serializers.FileField(max_length=200, allow_empty_file=True)
    dealer = ref(Dealer, required=False)


class CommitInput(Input):
    """Which content is meant: the digest of the file that was checked."""

    sha256 = Text(max_length=64)


class BroughtSerializer(serializers.Serializer[Any]):
    """How many rows of the register come with the records."""

    customers = serializers.IntegerField()
    machines = serializers.IntegerField()
    sensors = serializers.IntegerField()
    installations = serializers.IntegerField()


class FoundSerializer(serializers.Serializer[Any]):
    """What came of the file's records."""

    records = serializers.IntegerField()
    stored = serializers.IntegerField(help_text="Of a check: how many would be stored.")
    already_there = serializers.IntegerField()
    refused = serializers.IntegerField()
    created = BroughtSerializer()
    changed = serializers.ListField(
        child=serializers.CharField(), help_text="The first of what else changes in the register."
    )
    unjudged = serializers.ListField(
        child=serializers.CharField(), help_text="Stored, and not judged before the next scan."
    )

    def to_representation(self, instance: Any) -> Any:
        """Return what there is; a commit that is under way has no totals yet."""
        if not instance or "records" not in instance:
            return None
        return {name: instance.get(name, []) for name in self.fields}


class ProgressSerializer(serializers.Serializer[Any]):
    """How far the worker is with its step."""

    step = serializers.CharField()
    done = serializers.IntegerField()
    total = serializers.IntegerField(help_text="0 while nobody knows.")
    percent = serializers.IntegerField(allow_null=True)


class ImportSerializer(serializers.ModelSerializer[ImportRun]):
    """An import as the answer shows it."""

    dealer_code = beside("dealer.code")
    progress = ProgressSerializer(source="*")
    check = FoundSerializer(source="check_result", allow_null=True)
    commit = FoundSerializer(source="commit_result", allow_null=True)

    class Meta:
        model = ImportRun
        fields = (
            "id", "dealer", "dealer_code", "file_name", "sha256", "size", "status", "progress",
            "reason", "created_at", "checked_at", "committed_at", "check", "commit",
        )  # fmt: skip


class RowSerializer(serializers.ModelSerializer[ImportRowOutcome]):
    """What became of one row; a row with several reasons comes several times."""

    class Meta:
        model = ImportRowOutcome
        fields = (
            "row", "record_id", "outcome", "already_there", "column", "value", "reason",
            "accepted",
        )  # fmt: skip


class _Rows:
    """The list of a file's rows, as the filters and the pages want to see it."""

    filters = {"outcome": OneOf("outcome", tuple(ImportRowOutcome.Outcome.values))}
    order = ("row", "number")
    orderings: dict[str, str] = {}


class RowPageSerializer(serializers.Serializer[Any]):
    """A page of rows."""

    next = serializers.URLField(allow_null=True)
    previous = serializers.URLField(allow_null=True)
    results = RowSerializer(many=True)


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
    verbs = {"commit": "decide", "cancel": "decide", "rows": "read", "refused": "read"}
    formats = {"refused": (Csv,)}
    bare = ("refused",)

    def create(self, request: Request) -> Response:
        """Take a file; the worker checks it, and nothing of it is stored before the commit."""
        length = request.META.get("CONTENT_LENGTH") or "0"
        if not length.isdigit() or int(length) > settings.IMPORT_LARGEST + FORM:
            raise _too_large()
        values = dealer_or_own(self.checked(UploadInput), self.scope, self.resource)
        dealer, upload = values["dealer"], cast(UploadedFile[bytes], values["file"])
        require(self.scope, "create", self.resource, ImportRun, dealer.pk)
        if (upload.size or 0) > settings.IMPORT_LARGEST:
            raise _too_large()
        kept = receiving.keep(cast(Iterable[bytes], upload.chunks()))
        run = receiving.receive(
            kept, name=str(upload.name), dealer=dealer, scope=self.scope, now=self.now
        )
        return self.created(self._anew(run))

    @extend_schema(request=CommitInput, responses=ImportSerializer)
    @action(detail=True, methods=["post"])
    def commit(self, request: Request, pk: str) -> Response:
        """Let the worker store what was checked: the content named, and no other.

        Judged against the register as it is then; what is refused then is told row by row. A
        second time changes nothing.
        """
        run = self.get_object()
        sha256 = self.checked(CommitInput)["sha256"]
        run = receiving.commit(run, sha256=sha256, scope=self.scope, now=self.now)
        return Response(self.shown(self._anew(run)))

    @extend_schema(request=None, responses=ImportSerializer)
    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: str) -> Response:
        """Stop a file that waits, is being checked, or was checked; nothing of it is stored."""
        run = receiving.cancel(self.get_object(), scope=self.scope)
        return Response(self.shown(self._anew(run)))

    @extend_schema(
        parameters=[
            OpenApiParameter("outcome", str, enum=list(ImportRowOutcome.Outcome.values)),
            OpenApiParameter("cursor", str, description="taken from `next` or `previous`"),
            OpenApiParameter("page_size", int, description="rows on a page, 500 at most"),
        ],
        responses=RowPageSerializer,
        filters=False,
    )
    @action(detail=True)
    def rows(self, request: Request, pk: str) -> Response:
        """Show what became of the file's rows, a page at a time, in their order."""
        run, view, pages = self.get_object(), cast(Any, _Rows()), Pages()
        rows = Filters().filter_queryset(request, receiving.rows_of(run, self.scope), view)
        page = pages.paginate_queryset(rows, request, view)
        return pages.get_paginated_response(RowSerializer(page, many=True).data)

    @extend_schema(
        responses={
            (200, "text/csv"): OpenApiResponse(bytes),
            (409, MEDIA_TYPE): OpenApiResponse(ProblemSerializer, SAYS["409"]),
        }
    )
    @action(detail=True)
    def refused(self, request: Request, pk: str) -> FileResponse:
        """Return the refused rows with their reasons as CSV; corrected, it is uploaded again."""
        return refused_rows(self.get_object())

    def _anew(self, run: ImportRun) -> ImportRun:
        found: ImportRun = self.get_queryset().get(pk=run.pk)
        return found


def refused_rows(run: ImportRun) -> FileResponse:
    """Return the refused rows of a run, streamed from where they are kept."""
    stage = "commit" if run.status == ImportRun.Status.DONE else "check"
    if run.checked_at is None:
        raise Conflict("The file is not checked; there are no refused rows yet.")
    try:
        file = receiving.refused_file(run, stage).open("rb")
    except FileNotFoundError as gone:
        raise Conflict("The refused rows are not kept any more; upload the file again.") from gone
    return FileResponse(
        file,
        content_type="text/csv; charset=utf-8",
        as_attachment=True,
        filename=f"refused-{run.pk}.csv",
    )


def _too_large() -> TooLarge:
    most = f"a CSV or XLSX record file of at most {settings.IMPORT_LARGEST:,} bytes"
    return TooLarge(Problem("file", "The file is too large", most))
