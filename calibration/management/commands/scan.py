"""`manage.py scan`: judge what changed, open and close flags."""

from argparse import ArgumentParser, ArgumentTypeError
from datetime import datetime
from typing import Any

from django.core.management.base import CommandError
from django.utils import timezone
from scipy import special  # noqa: F401 - the first judgement of each process would wait for it
from tqdm import tqdm

from calibration import scan
from calibration.claiming import Clock
from calibration.management.entrance import Entrance
from calibration.management.helping import further_workers
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
        self.add_json(parser)

    def handle(self, *, full: bool, workers: int, json: bool, **options: Any) -> None:
        now = timezone.now()
        run = scan.start(full=full, now=now)
        with further_workers(run.pk, workers - 1) as further:
            self._work_off(run, now)
        self._say(run, json=json)
        ended = sorted({each.exitcode or 0 for each in further} - {0})
        if ended:
            self.stderr.write(f"Workers ended early, with {ended}; what they had was done here.")
        if run.failed:
            lines = [f"{each['sensor']}: {each['reason']}" for each in run.failed]
            raise CommandError("\n".join([f"{len(lines)} could not be judged:", *lines]))

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


def workers(text: str) -> int:
    """Return a number of processes."""
    if not text.isdecimal() or not 1 <= int(text) <= MOST_WORKERS:
        raise ArgumentTypeError(f"{text!r} is no number of workers; accepted: 1 to {MOST_WORKERS}")
    return int(text)
