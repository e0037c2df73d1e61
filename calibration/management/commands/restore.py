"""`manage.py restore FILE`: a backup in the place of the database, checked."""

from argparse import ArgumentParser
from dataclasses import asdict
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError
from django.utils import timezone
from tqdm import tqdm

from calibration.backups import restore
from calibration.management.entrance import WRONG_CALL, Entrance
from fleet.errors import DomainError


class Command(Entrance):
    help = (
        "Puts a file that `backup` wrote in the place of the database, in one transaction, brings "
        "it to this version's tables, and checks it: seals and triggers, every digest, every "
        "chain. Stop the web server and the workers first. Exit code 0 when all is as it was "
        "recorded; 1 and a list where something is not; 2 where nothing was replaced."
    )
    example = """example:
  python manage.py restore /var/backups/spanbook-2026-03-01.bak
  python manage.py restore /var/backups/spanbook-2026-03-01.bak --replace
"""

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", metavar="FILE", type=Path, help="a file that `backup` wrote")
        parser.add_argument(
            "--replace", action="store_true", help="throw away what is in the database now"
        )
        self.add_json(parser)

    def handle(self, *, file: Path, replace: bool, json: bool, **options: Any) -> None:
        with tqdm(disable=None, unit=" sensors", desc="verify") as bar:

            def show(done: int, total: int) -> None:
                bar.total = total
                bar.update(done - bar.n)

            try:
                done = restore(file, now=timezone.now(), replace=replace, progress=show)
            except DomainError as wrong:
                raise CommandError(f"{file}: {wrong}", returncode=WRONG_CALL) from wrong
        if json:
            findings = [asdict(finding) for finding in done.findings]
            self.print_json({"missing": done.missing, "findings": findings})
        for what in [] if json else done.missing:
            self.stdout.write(what)
        for item in [] if json else done.findings:
            self.stdout.write(f"{item.sensor_serial}: {item.kind} {item.record}: {item.what}")
        if done.missing or done.findings:
            raise CommandError("It is restored, and not everything is what was recorded.")
        if not json:
            self.stdout.write("Restored; seals, digests and chains are as they were recorded.")
