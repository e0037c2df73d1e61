"""`manage.py load_records FILE --dealer CODE`: past calibrations out of a CSV or XLSX file."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError
from django.utils import timezone
from tqdm import tqdm

from calibration.importing import ImportResult, Progress, load_file
from calibration.management.entrance import WRONG_CALL, Entrance, dealer_called
from calibration.record_file import COLUMNS, OPTIONAL, REFUSED_BECAUSE
from fleet.errors import Malformed
from fleet.models import Dealer
from fleet.scope import Scope

SHOWN = 20  # names of what was created, per kind; --json has all


class Command(Entrance):
    help = (
        "Loads past calibrations from a CSV (UTF-8) or the first sheet of an XLSX. A bad record "
        "is refused whole, with every reason; the others go in. A file loaded twice adds nothing. "
        "Exit code 0; 1 when records or the file were refused; 2 for a wrong call."
    )
    example = f"""example:
  python manage.py load_records spring.csv --dealer NORTH --dry-run
  python manage.py load_records spring.xlsx --dealer NORTH --rejects refused.csv

columns, in any order, one row per point; rows of one record_id make one calibration:
  {" ".join(COLUMNS)}
and, where wanted:
  {" ".join(OPTIONAL)}
({REFUSED_BECAUSE}, which --rejects writes, is ignored: correct that file and load it.)

record_id is a UUID, or any text: the same text at the same dealer is the same record.
performed_at is ISO 8601; without an offset it is the clock of the dealer's time zone.
Blank: reason seasonal, stage as_found, direction up; in a record's further rows, as in the others.
"""

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", metavar="FILE", type=Path, help="a CSV or XLSX record file")
        parser.add_argument(
            "--dealer", metavar="CODE", required=True, help="whose records they are"
        )
        parser.add_argument(
            "--dry-run", action="store_true", help="say what would happen, and store nothing"
        )
        parser.add_argument(
            "--rejects", metavar="FILE", type=Path, help="write the refused rows here, as CSV"
        )
        self.add_json(parser)

    def handle(
        self, *, file: Path, dealer: str, dry_run: bool, json: bool, **options: Any
    ) -> None:
        whose = dealer_called(dealer)
        assert whose is not None  # --dealer is required
        rejects: Path | None = options["rejects"]
        _check_paths(file, rejects)
        try:
            result = _load(file, whose, dry_run=dry_run)
        except Malformed as wrong:
            if json:
                self.print_json(ImportResult.of_refused_file(wrong, file.name).to_dict())
            lines = [f"{file} was refused, nothing is stored:", *map(str, wrong.problems)]
            raise CommandError("\n".join(lines)) from wrong
        if rejects:
            with rejects.open("w", encoding="utf-8", newline="") as out:
                result.rejects.write(out)
        if json:
            self.print_json(result.to_dict())
        else:
            self._tell(result)
        if result.refused or result.unjudged:
            raise SystemExit(1)

    def _tell(self, result: ImportResult) -> None:
        for reason in result.reasons:
            self.stderr.write(str(reason))
        for kind, names in result.created.items():
            if names:
                more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
                self.stdout.write(f"new {kind}: {', '.join(names[:SHOWN])}{more}")
        for change in result.changed:
            self.stdout.write(f"changed: {change}")
        for sensor in result.unjudged:
            self.stderr.write(f"stored, but not judged until the next scan: sensor {sensor}")
        self.stdout.write(result.totals())


def _check_paths(file: Path, rejects: Path | None) -> None:
    """End a wrong call with 2 before anything is read or written."""
    if not file.is_file():
        raise CommandError(
            f"{file}: there is no such file. Accepted: a CSV or XLSX file.", returncode=WRONG_CALL
        )
    if rejects and (not rejects.parent.is_dir() or rejects.is_dir()):
        raise CommandError(
            f"--rejects {rejects}: cannot be written. Accepted: a file in an existing folder.",
            returncode=WRONG_CALL,
        )
    if rejects and rejects.exists() and rejects.samefile(file):
        raise CommandError(
            f"--rejects {rejects}: this is the file to load. Accepted: another file.",
            returncode=WRONG_CALL,
        )


def _load(file: Path, dealer: Dealer, *, dry_run: bool) -> ImportResult:
    with (
        _bar("load", " records") as stored,
        _bar("judge", " sensors") as judged,
        file.open("rb") as content,
    ):
        return load_file(
            content, name=file.name, dealer=dealer, scope=Scope.system(), now=timezone.now(),
            dry_run=dry_run, progress=_shown_on(stored), judged=_shown_on(judged),
        )  # fmt: skip


def _bar(what: str, unit: str) -> tqdm:
    # disable=None: a bar on a terminal, none in a pipe or under cron.
    return tqdm(disable=None, unit=unit, desc=what, delay=1)


def _shown_on(bar: tqdm) -> Progress:
    def show(done: int, total: int) -> None:
        bar.total = total
        bar.update(done - bar.n)

    return show
