"""Databases of before: what is in them when a migration comes."""

from datetime import timedelta

import pytest
from django.core.management import call_command
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from calibration.models import ScanRun
from tests.conftest import NOW

HOUR = timedelta(hours=1)


@pytest.mark.django_db(transaction=True)
def test_scans_that_were_left_unfinished_do_not_stop_a_migration():
    """There may be one of a kind under way; of before, several may stand unfinished."""
    try:
        for app in ("calibration", "fleet"):
            call_command("migrate", app, "0001_initial", verbosity=0)
        then = MigrationExecutor(connection).loader.project_state(("calibration", "0001_initial"))
        runs = then.apps.get_model("calibration", "ScanRun").objects
        for number, full in enumerate((False, False, True, False, True)):
            runs.create(started_at=NOW + number * HOUR, full=full, failed=[])
    finally:
        call_command("migrate", verbosity=0)  # which puts the seals on again
    left = ScanRun.objects.filter(finished_at=None).order_by("pk")
    assert [(run.full, run.started_at) for run in left] == [
        (False, NOW + 3 * HOUR),
        (True, NOW + 4 * HOUR),
    ]
    ended = ScanRun.objects.exclude(finished_at=None)
    assert ended.count() == 3
    assert all(run.failed[0]["reason"] == "it was left unfinished" for run in ended)
