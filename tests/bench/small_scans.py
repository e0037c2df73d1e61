"""Settings under which a scan of some hundred sensors has many chunks, and short leases."""

from datetime import timedelta

from django.apps import AppConfig

from fleet.config.settings import *  # noqa: F403
from fleet.config.settings import INSTALLED_APPS as OURS

SCAN_LEASE = timedelta(seconds=2)
INSTALLED_APPS = [*OURS, "tests.bench.small_scans.Small"]


class Small(AppConfig):
    name = "tests.bench.small_scans"
    label = "small_scans"

    def ready(self):
        from calibration import stages, together

        together.BATCH = together.TOGETHER = 10
        stages.JUDGE_SENSORS = stages.MARKED_SENSORS = stages.COMPARE_SENSORS = 30
