"""What the program did by itself: scans and digests."""

from typing import Any

from django.contrib import admin
from django.db import models
from django.http import HttpRequest

from calibration.models import Digest, ScanRun
from calibration.stages import progress, with_progress
from fleet.admin.filters import ScopedRelatedFilter
from fleet.admin.scoped import ReadOnly


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

    about = (
        "What a dealer's people are told by e-mail, once a day: what falls due and what is late. "
        "Made by itself on a day on which there is something to tell."
    )
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
