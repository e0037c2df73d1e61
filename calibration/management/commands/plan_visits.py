"""`manage.py plan_visits`: due machines to visits."""

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import CommandError
from django.utils import timezone

from calibration.management.entrance import Entrance, dealer_called
from calibration.planning import PlanResult, plan_visits


class Command(Entrance):
    help = (
        "Plans one visit for each customer with something due, on working days, within what the "
        "dealer's technicians can do. Safe to repeat; confirmed visits are never moved. Exit code "
        "1 when somebody cannot be visited before the season (listed with the reason), 2 for a "
        "wrong call."
    )
    example = """example:
  python manage.py plan_visits
  python manage.py plan_visits --dealer NORTH
  python manage.py plan_visits --json
"""

    def add_arguments(self, parser: ArgumentParser) -> None:
        self.add_dealer(parser)
        self.add_json(parser)

    def handle(self, *, dealer: str | None, json: bool, **options: Any) -> None:
        result = plan_visits(now=timezone.now(), dealer=dealer_called(dealer))
        if json:
            self.print_json(as_json(result))
        else:
            self.stdout.write(
                f"{result.planned} visits planned, {result.moved} moved, "
                f"{result.cancelled} cancelled."
            )
        if result.unplanned:
            lines = [
                f"{customer.dealer.code} / {customer.name}: {reason}"
                for customer, reason in result.unplanned
            ]
            raise CommandError("\n".join([f"{len(lines)} cannot be visited in time:", *lines]))


def as_json(result: PlanResult) -> dict[str, Any]:
    """Return what `--json` prints."""
    return {
        "planned": result.planned,
        "moved": result.moved,
        "cancelled": result.cancelled,
        "unplanned": [
            {"dealer": customer.dealer.code, "customer": customer.name, "reason": reason}
            for customer, reason in result.unplanned
        ],
    }
