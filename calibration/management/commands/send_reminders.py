"""`manage.py send_reminders`: today's digest to each dealer, sent once."""

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import CommandError
from django.utils import timezone

from calibration.management.entrance import Entrance, dealer_called
from calibration.reminders import SendResult, send_reminders


class Command(Entrance):
    help = (
        "Sends each dealer one e-mail a day about what is due, between 06:00 and 20:00 its time, "
        "and to customers a note before a visit, where the dealer wants it; however often it is "
        "called, once. What fails is tried again by a later call, after a "
        "pause. Exit code 1 when a dealer could not be told, 2 for a wrong call."
    )
    example = """example:
  python manage.py send_reminders
  python manage.py send_reminders --dealer NORTH
  python manage.py send_reminders --json
"""

    def add_arguments(self, parser: ArgumentParser) -> None:
        self.add_dealer(parser)
        self.add_json(parser)

    def handle(self, *, dealer: str | None, json: bool, **options: Any) -> None:
        result = send_reminders(now=timezone.now(), dealer=dealer_called(dealer))
        if json:
            self.print_json(as_json(result))
        else:
            self.stdout.write(
                f"{result.sent} digests sent, {result.already} already sent today; "
                f"{result.notes} notes to customers."
            )
        if result.failed:
            lines = [f"{each.code}: {reason}" for each, reason in result.failed]
            raise CommandError("\n".join([f"{len(lines)} could not be told:", *lines]))


def as_json(result: SendResult) -> dict[str, Any]:
    """Return what `--json` prints."""
    return {
        "sent": result.sent,
        "already": result.already,
        "notes": result.notes,
        "failed": [{"dealer": dealer.code, "reason": reason} for dealer, reason in result.failed],
    }
