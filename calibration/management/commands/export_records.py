"""`manage.py export_records --dealer CODE [FILE]`: a dealer's calibrations as a record file."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any, TextIO, cast

from django.core.management.base import CommandError
from tqdm import tqdm

from calibration.exporting import export_records
from calibration.management.entrance import WRONG_CALL, Entrance, dealer_called
from fleet.models import Dealer
from fleet.scope import Scope


class Command(Entrance):
    help = (
        "Writes every calibration of a dealer's sensors as a record file (CSV, UTF-8), which "
        "load_records takes as it is. Exit code 0; 2 for a wrong call."
    )
    example = """example:
  python manage.py export_records --dealer NORTH north.csv
  python manage.py export_records --dealer NORTH > north.csv
"""

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "file", metavar="FILE", nargs="?", default="-", help="where to; - or none: printed"
        )
        parser.add_argument("--dealer", metavar="CODE", required=True, help="whose records")

    def handle(self, *, file: str, dealer: str, **options: Any) -> None:
        whose = dealer_called(dealer)
        assert whose is not None  # --dealer is required
        if file == "-":
            _export(whose, cast(TextIO, self.stdout))
            return
        path = Path(file)
        if not path.parent.is_dir() or path.is_dir():
            raise CommandError(
                f"{path}: cannot be written. Accepted: a file in an existing folder, or -.",
                returncode=WRONG_CALL,
            )
        # Under another name first: a file that broke off is never taken for a whole one.
        unfinished = path.with_name(f"{path.name}.part")
        with unfinished.open("w", encoding="utf-8", newline="") as out:
            count = _export(whose, out)
        unfinished.replace(path)
        self.stderr.write(f"{count} records written to {path}")


def _export(dealer: Dealer, out: TextIO) -> int:
    # disable=None: a bar on a terminal, none in a pipe or under cron.
    with tqdm(disable=None, unit=" records", desc="export") as bar:

        def show(done: int, total: int) -> None:
            bar.total = total
            bar.update(done - bar.n)

        return export_records(dealer, scope=Scope.system(), out=out, progress=show)
