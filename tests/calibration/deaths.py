"""Scans whose processes end in the middle, again and again."""

from datetime import timedelta

from calibration.scan import run_scan
from tests.conftest import NOW


class Killed(BaseException):
    """What ends a process without a word."""


def until_finished(**values):
    """Call the scan again, each time when the lease has run out; return how often it died."""
    for deaths in range(12):
        try:
            return deaths, run_scan(now=NOW + deaths * timedelta(minutes=11), **values)
        except Killed:
            continue
    raise AssertionError("the scan never ends")
