"""`manage.py backup FILE`: the whole database into one file, while others work."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError

from calibration.backups import backup
from calibration.management.entrance import WRONG_CALL, Entrance
from fleet.errors import DomainError


class Command(Entrance):
    help = (
        "Writes the whole database to one file: SQLite by its own backup interface, PostgreSQL by "
        "pg_dump. Nobody has to stop working. The file is put in its place when it is whole, "
        "readable by its owner only. Exit code 0; 2 where it cannot be."
    )
    example = """example:
  python manage.py backup /var/backups/spanbook-$(date +%F).bak
  python manage.py restore /var/backups/spanbook-2026-03-01.bak --replace
"""

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", metavar="FILE", type=Path, help="where to write it")
        parser.add_argument("--force", action="store_true", help="replace a file that is there")
        self.add_json(parser)

    def handle(self, *, file: Path, force: bool, json: bool, **options: Any) -> None:
        try:
            size = backup(file, force=force)
        except DomainError as wrong:
            raise CommandError(f"{file}: {wrong}", returncode=WRONG_CALL) from wrong
        if json:
            self.print_json({"file": str(file), "bytes": size})
        else:
            self.stdout.write(f"{file}: {size:,} bytes, whole.")
