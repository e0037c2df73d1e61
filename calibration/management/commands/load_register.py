"""`manage.py load_register FILE`: dealers, models, references and policies out of a JSON file."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError

from calibration.management.entrance import WRONG_CALL, Entrance
from calibration.registering import load_register
from fleet.errors import DomainError


class Command(Entrance):
    help = (
        "Enters dealers, machine models, sensor models, references and policies from a JSON "
        "file; what is there already stays as it is. Exit code 0; 1 when the file was refused "
        "(nothing is stored); 2 for a wrong call."
    )
    example = """example:
  python manage.py load_register fixtures/norris6.setup.json

the file:
  {"dealers": [{"code": "NORTH", "name": "...", "timezone": "Europe/Warsaw"}],
   "sensor_models": [{"name": "...", "rated_load": 500, "load_unit": "kgf"}],
   "references": [{"dealer": "NORTH", "name": "scale 1", "relative_uncertainty_pct": 0.2}]}
"""

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", metavar="FILE", type=Path, help="a JSON register file")
        self.add_json(parser)

    def handle(self, *, file: Path, json: bool, **options: Any) -> None:
        try:
            counts = load_register(file.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError) as unread:
            raise CommandError(f"{file}: {unread}", returncode=WRONG_CALL) from unread
        except DomainError as wrong:
            lines = [f"{file} was refused, nothing is stored:", *map(str, wrong.problems)]
            raise CommandError("\n".join(lines)) from wrong
        if json:
            self.print_json(counts)
            return
        for section, count in counts.items():
            self.stdout.write(
                f"{section.replace('_', ' ')}: {count['created']} entered, "
                f"{count['already_there']} already there"
            )
