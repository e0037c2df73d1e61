"""`manage.py scan`: judge what changed, open and close flags."""

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import CommandError
from django.utils import timezone
from tqdm import tqdm

from calibration.management.entrance import Entrance
from calibration.scan import run_scan, scan_result


class Command(Entrance):
    help = (
        "The drift scan: judges the sensors that changed since the last scan, opens and closes "
        "flags. Exit code 0, also when drift was found (a nightly job is no alarm: the flags "
        "are); 1 when a sensor could not be judged; 2 for a wrong call."
    )
    example = """example:
  python manage.py scan            what changed since the last scan
  python manage.py scan --full     every sensor, whether it changed or not
  python manage.py scan --json     {"sensors": 600, "judged": 12, "flags_opened": 1, ...}
"""

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--full", action="store_true", help="judge every sensor again")
        self.add_json(parser)

    def handle(self, *, full: bool, json: bool, **options: Any) -> None:
        # disable=None: a bar on a terminal, none in a pipe or under cron.
        with tqdm(disable=None, unit=" sensors", desc="scan") as bar:

            def show(done: int, total: int) -> None:
                bar.total = total
                bar.update(done - bar.n)

            run = run_scan(full=full, now=timezone.now(), progress=show)
        result = scan_result(run)
        if json:
            self.print_json(result)
        else:
            self.stdout.write(
                "{judged} of {sensors} sensors judged in {seconds} s: {flags_opened} flags "
                "opened, {flags_closed} closed.".format_map(result)
            )
        if run.failed:
            lines = [f"{each['sensor']}: {each['reason']}" for each in run.failed]
            raise CommandError("\n".join([f"{len(lines)} could not be judged:", *lines]))
