"""What the program did by itself or was given: scans, digests, record files."""

import hashlib
import io
from typing import Any

from django import forms
from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.db import models, transaction
from django.http import HttpRequest, HttpResponse, HttpResponseNotAllowed, HttpResponseRedirect
from django.urls import path, reverse
from django.utils import timezone

from calibration.admin.showing import Desk
from calibration.importing import ImportResult, load_file
from calibration.models import Digest, ImportRun, ScanRun
from calibration.stages import progress, with_progress
from fleet import access
from fleet.admin.door import scope_in
from fleet.admin.filters import ScopedRelatedFilter
from fleet.admin.refusals import put_errors
from fleet.admin.scoped import ReadOnly
from fleet.errors import DomainError, Malformed
from fleet.models import Dealer
from fleet.scope import Scope

LARGEST_UPLOAD = 100 * 2**20


@admin.register(ScanRun)
class ScanRunAdmin(ReadOnly):
    """The drift scans of the worker."""

    resource = "scans"
    list_display = (
        "started_at", "finished_at", "full", "how_far", "sensors", "judged", "flags_opened",
        "flags_closed", "failures",
    )  # fmt: skip
    list_filter = ("full",)
    fields = (
        "started_at", "finished_at", "full", "how_far", "chunks", "sensors", "judged",
        "flags_opened", "flags_closed", "failures",
    )  # fmt: skip

    def get_queryset(self, request: HttpRequest) -> models.QuerySet[Any]:
        """Return the runs and how far they are."""
        return with_progress(super().get_queryset(request))

    @admin.display(description="progress")
    def how_far(self, row: ScanRun) -> str:
        """Return how far it is, in percent; of a stage that is not made yet nobody knows."""
        found = progress(row)
        return f"{found.state}, {found.share:.0%}" if found.state == "running" else found.state

    @admin.display(description="chunks")
    def chunks(self, row: ScanRun) -> str:
        """Return how many chunks and sensors are done."""
        found = progress(row)
        return (
            f"{found.chunks_done} of {found.chunks} done, "
            f"with {found.sensors_done} of {found.sensors} sensors"
        )

    @admin.display(description="failed")
    def failures(self, row: ScanRun) -> int:
        """Return how many sensors could not be judged; which ones, the scan's log says."""
        return len(row.failed)


@admin.register(Digest)
class DigestAdmin(ReadOnly):
    """One e-mail to one dealer on one day."""

    resource = "digests"
    list_display = ("day", "dealer", "subject", "sent_at", "attempts", "last_error")
    list_select_related = ("dealer",)
    list_filter = (("dealer", ScopedRelatedFilter),)
    date_hierarchy = "day"
    fields = ("dealer", "day", "to", "subject", "body", "sent_at", "attempts", "last_error")

    @admin.display(description="to")
    def to(self, row: Digest) -> str:
        """Return to whom it goes."""
        return ", ".join(row.recipients)


class UploadForm(forms.Form):
    """A record file for a dealer."""

    dealer = forms.ModelChoiceField(queryset=Dealer.objects.none())
    file = forms.FileField(
        label="Record file",
        help_text="CSV in UTF-8, or the first sheet of an XLSX workbook; at most 100 MB.",
    )

    def __init__(self, *args: Any, scope: Scope, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["dealer"]
        assert isinstance(field, forms.ModelChoiceField)
        rows = Dealer.objects.visible_to(scope)
        mine = [row.pk for row in rows if access.may(scope, "create", "imports", row.pk)]
        field.queryset = rows.filter(pk__in=mine)

    def clean_file(self) -> Any:
        """Refuse a file that is larger than a fleet's records are."""
        file = self.cleaned_data["file"]
        if file.size > LARGEST_UPLOAD:
            raise forms.ValidationError("Too large. Accepted: at most 100 MB; split the file.")
        return file


@admin.register(ImportRun)
class ImportRunAdmin(Desk, ReadOnly):
    """Record files: tried first, then committed."""

    resource = "imports"
    list_display = ("file_name", "dealer", "status", "totals", "created_at", "committed_at")
    list_select_related = ("dealer",)
    list_filter = ("status", ("dealer", ScopedRelatedFilter))
    search_fields = ("file_name",)

    def get_queryset(self, request: HttpRequest) -> models.QuerySet[Any]:
        """Return the runs without the files themselves."""
        return super().get_queryset(request).defer("content")

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Whether the caller may upload."""
        return self._may(request, "create")

    @admin.display(description="records")
    def totals(self, row: ImportRun) -> str:
        """Return how many records it has, and how many were refused."""
        return f"{row.result.get('records', 0)}, {row.result.get('refused', 0)} refused"

    def add_view(
        self, request: HttpRequest, form_url: str = "", extra_context: Any = None
    ) -> HttpResponse:
        """Take a file, try it, keep what came of it; nothing of it is stored yet."""
        if not self.has_add_permission(request):
            raise PermissionDenied
        scope = scope_in(request)
        form = UploadForm(request.POST or None, request.FILES or None, scope=scope)
        if request.method == "POST" and form.is_valid():
            run = self._try(request, form)
            if run is not None:
                return HttpResponseRedirect(self._page_of(run))
        return self.page(
            request, "desk/upload.html", {"title": "Load a record file", "form": form}
        )

    def _page_of(self, run: ImportRun) -> str:
        return reverse("admin:calibration_importrun_change", args=[run.pk])

    def _try(self, request: HttpRequest, form: UploadForm) -> ImportRun | None:
        upload, dealer = form.cleaned_data["file"], form.cleaned_data["dealer"]
        content, status = upload.read(), ImportRun.Status.TRIED
        try:
            result = _load(content, upload.name, dealer, request, dry_run=True)
        except Malformed as wrong:
            result = ImportResult.of_refused_file(wrong, upload.name)
            status = ImportRun.Status.REFUSED
        except DomainError as refusal:
            put_errors(form, refusal)
            return None
        return ImportRun.objects.create(
            dealer=dealer,
            file_name=upload.name[:200],
            content=content,
            content_digest=hashlib.sha256(content).hexdigest(),
            status=status,
            result=result.to_dict(),
            created_at=timezone.now(),
            created_by_id=request.user.pk,
        )

    def change_view(
        self, request: HttpRequest, object_id: str, form_url: str = "", extra_context: Any = None
    ) -> HttpResponse:
        """Show what came of a file: totals, what is new, every reason of every refused record."""
        run = self.looked_at(request, object_id)
        context = {
            "title": run.file_name,
            "run": run,
            "result": run.result,
            "reasons": run.result.get("reasons", [])[:500],
            "may_commit": run.status == ImportRun.Status.TRIED
            and run.result.get("stored")
            and self._may(request, "decide", run),
        }
        return self.page(request, "desk/import.html", context)

    def get_urls(self) -> list[Any]:
        """Add the commit and the refused rows."""
        door, name = self.admin_site.admin_view, "calibration_importrun"
        return [
            path("<path:object_id>/commit/", door(self.commit), name=f"{name}_commit"),
            path("<path:object_id>/refused/", door(self.refused), name=f"{name}_refused"),
            *super().get_urls(),
        ]

    def commit(self, request: HttpRequest, object_id: str) -> HttpResponse:
        """Store what was tried; a second time adds nothing."""
        run = self.visible_or_404(request, object_id, "decide")
        if request.method != "POST":
            return HttpResponseNotAllowed(["POST"])
        try:
            with transaction.atomic():
                self._commit(request, run)
        except DomainError as refusal:
            self.message_user(request, str(refusal), messages.ERROR)
        else:
            self.message_user(request, "The file's records are stored.", messages.SUCCESS)
        return HttpResponseRedirect(self._page_of(run))

    def _commit(self, request: HttpRequest, run: ImportRun) -> None:
        result = _load(bytes(run.content), run.file_name, run.dealer, request, dry_run=False)
        run.result, run.status = result.to_dict(), ImportRun.Status.COMMITTED
        run.committed_at = timezone.now()
        run.save(update_fields=["result", "status", "committed_at"])

    def refused(self, request: HttpRequest, object_id: str) -> HttpResponse:
        """Serve the refused rows, each with its reason; corrected, they load again."""
        run = self.visible_or_404(request, object_id)
        try:
            result = _load(bytes(run.content), run.file_name, run.dealer, request, dry_run=True)
        except DomainError as refusal:
            return HttpResponse(str(refusal), content_type="text/plain; charset=utf-8", status=422)
        out = io.StringIO(newline="")
        result.rejects.write(out)
        answer = HttpResponse(out.getvalue(), content_type="text/csv; charset=utf-8")
        answer.headers["Content-Disposition"] = f'attachment; filename="refused-{run.pk}.csv"'
        return answer


def _load(
    content: bytes, name: str, dealer: Dealer, request: HttpRequest, *, dry_run: bool
) -> ImportResult:
    return load_file(
        content,
        name=name,
        dealer=dealer,
        scope=scope_in(request),
        now=timezone.now(),
        dry_run=dry_run,
        user_id=request.user.pk,
    )
