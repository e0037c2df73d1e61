"""Record files on the desk: uploaded, checked by the worker, looked at, committed."""

from typing import Any

from django import forms
from django.conf import settings
from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.db import models
from django.http import (
    FileResponse,
    HttpRequest,
    HttpResponse,
    HttpResponseBase,
    HttpResponseNotAllowed,
    HttpResponseRedirect,
    JsonResponse,
)
from django.urls import path, reverse
from django.utils import timezone

from calibration import receiving
from calibration.admin.showing import Desk
from calibration.models import ImportRowOutcome, ImportRun
from fleet import access
from fleet.admin.door import scope_in
from fleet.admin.filters import ScopedRelatedFilter
from fleet.admin.refusals import put_errors
from fleet.admin.scoped import ReadOnly
from fleet.errors import DomainError
from fleet.models import Dealer
from fleet.scope import Scope

PAGE = 25  # rows of each kind that are shown at once
Outcome = ImportRowOutcome.Outcome


class UploadForm(forms.Form):
    """A record file for a dealer."""

    dealer = forms.ModelChoiceField(queryset=Dealer.objects.none())
    file = forms.FileField(label="Record file", allow_empty_file=True)

    def __init__(self, *args: Any, scope: Scope, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["dealer"]
        assert isinstance(field, forms.ModelChoiceField)
        rows = Dealer.objects.visible_to(scope)
        mine = [row.pk for row in rows if access.may(scope, "create", "imports", row.pk)]
        field.queryset = rows.filter(pk__in=mine)
        if len(mine) == 1:
            field.initial = mine[0]
        most = settings.IMPORT_LARGEST // 2**20
        self.fields[
            "file"
        ].help_text = f"CSV in UTF-8, or the first sheet of an XLSX workbook; at most {most} MB."


@admin.register(ImportRun)
class ImportRunAdmin(Desk, ReadOnly):
    """Record files: checked first, then committed."""

    resource = "imports"
    list_display = ("file_name", "dealer", "status", "totals", "created_at", "committed_at")
    list_select_related = ("dealer",)
    list_filter = ("status", ("dealer", ScopedRelatedFilter))
    search_fields = ("file_name",)

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Whether the caller may upload."""
        return self._may(request, "create")

    @admin.display(description="records")
    def totals(self, row: ImportRun) -> str:
        """Return how many records it has, and how many were refused."""
        found = _found(row)
        return f"{found['records']}, {found['refused']} refused" if found else "-"

    def add_view(
        self, request: HttpRequest, form_url: str = "", extra_context: Any = None
    ) -> HttpResponse:
        """Take a file for the worker to check; nothing of it is stored yet."""
        if not self.has_add_permission(request):
            raise PermissionDenied
        form = UploadForm(request.POST or None, request.FILES or None, scope=scope_in(request))
        if request.method == "POST" and form.is_valid():
            run = self._received(request, form)
            if run is not None:
                return HttpResponseRedirect(_page_of(run))
        return self.page(request, "desk/upload.html", {"title": "Load a file", "form": form})

    def _received(self, request: HttpRequest, form: UploadForm) -> ImportRun | None:
        upload, now = form.cleaned_data["file"], timezone.now()
        try:
            kept = receiving.keep(upload.chunks())
            run = receiving.receive(
                kept,
                name=upload.name,
                dealer=form.cleaned_data["dealer"],
                scope=scope_in(request),
                now=now,
            )
        except DomainError as refusal:
            put_errors(form, refusal)
            return None
        return run

    def change_view(
        self, request: HttpRequest, object_id: str, form_url: str = "", extra_context: Any = None
    ) -> HttpResponse:
        """Show how far a file is and, when it was checked, its rows side by side."""
        run = self.looked_at(request, object_id)
        rows = receiving.rows_of(run, scope_in(request))
        decides = self._may(request, "decide", run)
        status, found = ImportRun.Status, _found(run)
        resumes = run.status == status.FAILED and run.checked_at is not None
        context = {
            "title": run.file_name,
            "run": run,
            "found": found,
            "waits": run.status == status.RECEIVED,
            "stored": run.status == status.DONE,
            "refused": _first(rows, Outcome.REFUSED, request) if found else None,
            "accepted": _first(rows, Outcome.ACCEPTED, request) if found else None,
            "may_commit": decides
            and (run.status == status.CHECKED or resumes)
            and bool(found and found.get("stored")),
            "may_cancel": decides
            and run.status in {status.RECEIVED, status.CHECKING, status.CHECKED},
        }
        return self.page(request, "desk/import.html", context)

    def get_urls(self) -> list[Any]:
        """Add what can be done with a file, and how far it is."""
        door, name = self.admin_site.admin_view, "calibration_importrun"
        more = {
            "commit": self.commit,
            "cancel": self.cancel,
            "progress": self.progress,
            "refused": self.refused,
        }
        return [
            *(
                path(f"<path:object_id>/{said}/", door(view), name=f"{name}_{said}")
                for said, view in more.items()
            ),
            *super().get_urls(),
        ]

    def commit(self, request: HttpRequest, object_id: str) -> HttpResponse:
        """Let the worker store what was checked; a second time adds nothing."""
        run = self.visible_or_404(request, object_id, "decide")
        if request.method != "POST":
            return HttpResponseNotAllowed(["POST"])
        sha256, scope = request.POST.get("sha256", ""), scope_in(request)
        try:
            receiving.commit(run, sha256=sha256, scope=scope, now=timezone.now())
        except DomainError as refusal:
            self.message_user(request, str(refusal), messages.ERROR)
        return HttpResponseRedirect(_page_of(run))

    def cancel(self, request: HttpRequest, object_id: str) -> HttpResponse:
        """Stop a file; nothing of it is stored."""
        run = self.visible_or_404(request, object_id, "decide")
        if request.method != "POST":
            return HttpResponseNotAllowed(["POST"])
        try:
            receiving.cancel(run, scope=scope_in(request))
        except DomainError as refusal:
            self.message_user(request, str(refusal), messages.ERROR)
        return HttpResponseRedirect(_page_of(run))

    def progress(self, request: HttpRequest, object_id: str) -> HttpResponse:
        """Say how far the worker is, for the page that waits."""
        run = self.looked_at(request, object_id)
        return JsonResponse(
            {
                "under_way": run.under_way,
                "status": run.status,
                "percent": run.percent,
                "says": _says(run),
            },
            headers={"Cache-Control": "no-store"},
        )

    def refused(self, request: HttpRequest, object_id: str) -> HttpResponseBase:
        """Serve the refused rows, each with its reason; corrected, they load again."""
        run = self.visible_or_404(request, object_id)
        stage = "commit" if run.status == ImportRun.Status.DONE else "check"
        try:
            file = receiving.refused_file(run, stage).open("rb")
        except FileNotFoundError:
            said = "There are no refused rows of this file, or they are not kept any more."
            return HttpResponse(said, content_type="text/plain; charset=utf-8", status=404)
        return FileResponse(
            file,
            content_type="text/csv; charset=utf-8",
            as_attachment=True,
            filename=f"refused-{run.pk}.csv",
        )


def _page_of(run: ImportRun) -> str:
    return reverse("admin:calibration_importrun_change", args=[run.pk])


def _found(run: ImportRun) -> dict[str, Any] | None:
    """Return what came of a file: when it was stored, or as it was checked."""
    done = run.status == ImportRun.Status.DONE
    found: dict[str, Any] | None = run.commit_result if done else run.check_result
    return found if found and "records" in found else None


def _says(run: ImportRun) -> str:
    """Return in words how far it is."""
    if not run.step:
        return str(run.get_status_display())
    of = f" of {run.total:,}" if run.total else ""
    return f"{run.get_step_display()}: {run.done:,}{of}"


def _first(
    rows: models.QuerySet[ImportRowOutcome], outcome: str, request: HttpRequest
) -> dict[str, Any]:
    """Return one page of rows of a kind: those after a row that the address names."""
    after = request.GET.get(f"{outcome}_after", "")
    start = int(after) if after.isascii() and after.isdigit() and len(after) < 8 else 0
    found = list(rows.filter(outcome=outcome, row__gt=start).order_by("row", "number")[: PAGE + 1])
    shown = found[:PAGE]
    if len(found) > PAGE:  # whole rows only: one with several reasons stays together
        whole = [line for line in shown if line.row != found[PAGE].row]
        shown = whole or shown
    more = shown[-1].row if len(found) > PAGE else None
    return {"rows": shown, "more": more, "start": start}
