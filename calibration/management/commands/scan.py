"""`manage.py scan`: judge what changed, open and close flags."""

import subprocess
import sys
from argparse import SUPPRESS, ArgumentParser, ArgumentTypeError
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import Any

from django.conf import settings
from django.core.management.base import CommandError
from django.utils import timezone
from tqdm import tqdm

from calibration import scan
from calibration.claiming import Clock
from calibration.management.entrance import WRONG_CALL, Entrance
from calibration.models import ScanRun

MOST_WORKERS = 64


class Command(Entrance):
    help = (
        "The drift scan: judges the sensors that changed since the last scan, opens and closes "
        "flags. Exit code 0, also when drift was found (a nightly job is no alarm: the flags "
        "are); 1 when a sensor could not be judged; 2 for a wrong call. A scan that was stopped "
        "goes on where it was when scan is called again."
    )
    example = """example:
  python manage.py scan            what changed since the last scan
  python manage.py scan --full     every sensor, whether it changed or not
  python manage.py scan --full --workers 4
  python manage.py scan --json     {"sensors": 600, "judged": 12, "flags_opened": 1, ...}
"""

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--full", action="store_true", help="judge every sensor again")
        parser.add_argument(
            "--workers", type=workers, default=1, metavar="N", help="processes; default: 1"
        )
        parser.add_argument("--join", type=int, metavar="RUN", help=SUPPRESS)
        self.add_json(parser)

    def handle(
        self, *, full: bool, workers: int, join: int | None, json: bool, **options: Any
    ) -> None:
        now = timezone.now()
        if join is not None:
            self._join(join, now)
            return
        run = scan.start(full=full, now=now)
        with further_workers(run, workers - 1) as further:
            self._work_off(run, now)
        self._say(run, json=json)
        ended = sorted({each.returncode for each in further} - {0})
        if ended:
            self.stderr.write(f"Workers ended early, with {ended}; what they had was done here.")
        if run.failed:
            lines = [f"{each['sensor']}: {each['reason']}" for each in run.failed]
            raise CommandError("\n".join([f"{len(lines)} could not be judged:", *lines]))

    def _join(self, run_id: int, now: datetime) -> None:
        run = ScanRun.objects.filter(pk=run_id).first()
        if run is None:
            raise CommandError(f"--join {run_id}: there is no such scan.", returncode=WRONG_CALL)
        scan.work_off(run, clock=Clock(now))

    def _work_off(self, run: ScanRun, now: datetime) -> None:
        # disable=None: a bar on a terminal, none in a pipe or under cron.
        with tqdm(disable=None, unit=" sensors", desc="scan") as bar:

            def show(done: int, total: int) -> None:
                bar.total = total
                bar.update(done - bar.n)

            scan.work_off(run, clock=Clock(now), progress=None if bar.disable else show)

    def _say(self, run: ScanRun, *, json: bool) -> None:
        result = scan.scan_result(run)
        if json:
            self.print_json(result)
        else:
            self.stdout.write(
                "{judged} of {sensors} sensors judged in {seconds} s: {flags_opened} flags "
                "opened, {flags_closed} closed.".format_map(result)
            )


@contextmanager
def further_workers(run: ScanRun, count: int) -> Iterator[list[subprocess.Popen[bytes]]]:
    """Start processes that work at the same scan, and wait for their end."""
    call = [sys.executable, str(settings.BASE_DIR / "manage.py"), "scan", "--join", str(run.pk)]
    nothing = subprocess.DEVNULL
    started = [
        subprocess.Popen(call, stdin=nothing, stdout=nothing)  # noqa: S603 - our own command
        for _ in range(count)
    ]
    try:
        yield started
    finally:
        for each in started:
            each.wait()


def workers(text: str) -> int:
    """Return a number of processes."""
    if not text.isdecimal() or not 1 <= int(text) <= MOST_WORKERS:
        raise ArgumentTypeError(f"{text!r} is no number of workers; accepted: 1 to {MOST_WORKERS}")
    return int(text)
