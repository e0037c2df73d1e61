"""What a person does with an uploaded file: hand it in, look at it, commit it, cancel it."""

from datetime import datetime

from django.db import transaction
from django.db.models import QuerySet

from calibration.models import ImportRowOutcome, ImportRun
from calibration.receiving.calling import call
from calibration.receiving.keeping import Kept
from fleet.errors import Conflict, Invalid, Problem
from fleet.models import Dealer
from fleet.registry import require
from fleet.scope import Scope

Status = ImportRun.Status


def receive(kept: Kept, *, name: str, dealer: Dealer, scope: Scope, now: datetime) -> ImportRun:
    """Note that a file was handed in; the worker checks it.

    Raises
    ------
    Invalid
        If it is empty.
    Forbidden
        If the caller may not load files for this dealer.
    """
    require(scope, "create", "imports", dealer.pk)
    if not kept.size:
        raise Invalid(Problem("file", "The file is empty", "a CSV or XLSX record file"))
    run = ImportRun(
        dealer=dealer,
        file_name=name[:200],
        sha256=kept.sha256,
        size=kept.size,
        created_at=now,
        created_by_id=scope.user_id,
    )
    run.save(force_insert=True)
    transaction.on_commit(call)
    return run


@transaction.atomic
def commit(run: ImportRun, *, sha256: str, scope: Scope, now: datetime) -> ImportRun:
    """Let the worker store what was checked; a second time changes nothing.

    Raises
    ------
    Conflict
        If the content named is not the one that was checked, or the run is not checked.
    """
    locked = _locked(run, scope)
    if sha256.lower() != locked.sha256:
        accepted = "the sha256 of the file that was checked"
        raise Conflict(Problem("sha256", "The file has other content", accepted, sha256[:80]))
    if locked.status in {Status.COMMITTING, Status.DONE}:
        return locked
    again = locked.status == Status.FAILED and locked.checked_at is not None
    if locked.status != Status.CHECKED and not again:
        said = locked.get_status_display()
        raise Conflict(Problem("", f"The file is {said}", "a file that was checked"))
    locked.status, locked.reason, locked.step = Status.COMMITTING, "", ""
    locked.attempt, locked.lease_until = 0, None
    locked.done = locked.total = 0
    locked.committed_by_id, locked.committed_at = scope.user_id, now
    locked.save()
    transaction.on_commit(call)
    return locked


@transaction.atomic
def cancel(run: ImportRun, *, scope: Scope) -> ImportRun:
    """Stop a file that waits, is being checked, or was checked; a second time changes nothing.

    Raises
    ------
    Conflict
        If it is being stored, or was.
    """
    locked = _locked(run, scope)
    if locked.status == Status.CANCELLED:
        return locked
    if locked.status not in {Status.RECEIVED, Status.CHECKING, Status.CHECKED}:
        raise Conflict(f"The file is {locked.get_status_display()}; it cannot be cancelled now.")
    locked.status, locked.lease_until = Status.CANCELLED, None
    locked.save(update_fields=["status", "lease_until"])
    return locked


def rows_of(run: ImportRun, scope: Scope) -> QuerySet[ImportRowOutcome]:
    """Return what became of the rows of a run: when it was committed, or as checked before."""
    stage = ImportRowOutcome.Stage
    rows: QuerySet[ImportRowOutcome] = ImportRowOutcome.objects.visible_to(scope)
    done = run.status == Status.DONE
    return rows.filter(run=run, stage=stage.COMMIT if done else stage.CHECK)


def _locked(run: ImportRun, scope: Scope) -> ImportRun:
    require(scope, "decide", "imports", run.dealer_id)
    rows: QuerySet[ImportRun] = ImportRun.objects.visible_to(scope).select_related("dealer")
    return rows.select_for_update(of=("self",)).get(pk=run.pk)
