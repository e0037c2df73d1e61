"""`manage.py verify`: tells whether the records are still what was recorded."""

from argparse import ArgumentParser
from dataclasses import asdict
from typing import Any

from django.core.management.base import CommandError
from django.utils import timezone
from tqdm import tqdm

from calibration.management.entrance import Entrance
from calibration.verifying import verify


class Command(Entrance):
    help = (
        "Recomputes every record's digest and its place in its sensor's chain, and compares what "
        "is packed for the scans with the records. Exit code 0 when all agree; 1 and a list where "
        "a record was altered, removed or put in another order."
    )
    example = """example:
  python manage.py verify
  python manage.py verify --json   {"findings": [{"sensor_serial": "...", "what": "..."}]}
"""

    def add_arguments(self, parser: ArgumentParser) -> None:
        self.add_json(parser)

    def handle(self, *, json: bool, **options: Any) -> None:
        with tqdm(disable=None, unit=" sensors", desc="verify") as bar:

            def show(done: int, total: int) -> None:
                bar.total = total
                bar.update(done - bar.n)

            findings = list(verify(now=timezone.now(), progress=show))
        if json:
            self.print_json({"findings": [asdict(finding) for finding in findings]})
        for item in findings if not json else ():
            self.stdout.write(f"{item.sensor_serial}: {item.kind} {item.record}: {item.what}")
        if findings:
            raise CommandError(f"{len(findings)} findings: not everything is what was recorded.")
        if not json:
            self.stdout.write("Every record agrees with its digest and its place in its chain.")
