"""What the commands for planning, reminding and scanning have in common at the command line."""

import json
from argparse import ArgumentParser, RawDescriptionHelpFormatter
from typing import Any, ClassVar

from django.core.management.base import BaseCommand, CommandError

from fleet.acting import Actor, acting
from fleet.models import Dealer

WRONG_CALL = 2
DEALERS_SHOWN = 20


class Entrance(BaseCommand):
    """A command with an example in its help, and results as text or as JSON."""

    example: ClassVar[str] = ""
    # Django's checks look at code, which `check`, `migrate` and the tests do; without them a
    # command starts a second earlier, and `restore` can with no tables at all.
    requires_system_checks = ()

    def create_parser(self, prog_name: str, subcommand: str, **kwargs: Any) -> Any:
        """Add the example to the help, its lines kept as they are."""
        kwargs |= {"epilog": self.example, "formatter_class": RawDescriptionHelpFormatter}
        return super().create_parser(prog_name, subcommand, **kwargs)

    def execute(self, *args: Any, **options: Any) -> Any:
        """Run, known to the audit trail by the command's name."""
        with acting(Actor(via=f"command {type(self).__module__.rpartition('.')[2]}")):
            return super().execute(*args, **options)

    @staticmethod
    def add_json(parser: ArgumentParser) -> None:
        """Offer the result as one JSON object."""
        parser.add_argument("--json", action="store_true", help="print one JSON object")

    @staticmethod
    def add_dealer(parser: ArgumentParser) -> None:
        """Offer to do the work for one dealer only."""
        parser.add_argument("--dealer", metavar="CODE", help="one dealer only; default: all")

    def print_json(self, result: dict[str, Any]) -> None:
        """Print the result and nothing else."""
        self.stdout.write(json.dumps(result, ensure_ascii=False))


def dealer_called(code: str | None) -> Dealer | None:
    """Return the dealer of that code, none where none is named; an unknown code ends with 2."""
    if code is None:
        return None
    dealer: Dealer | None = Dealer.objects.filter(code=code).first()
    if dealer is None:
        known = list(Dealer.objects.values_list("code", flat=True)[:DEALERS_SHOWN])
        raise CommandError(
            f"--dealer {code!r}: there is no dealer of that code. "
            f"Accepted: {', '.join(known) or 'none is registered yet'}.",
            returncode=WRONG_CALL,
        )
    return dealer
