"""`manage.py plan_visits`: due machines to visits."""

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import CommandError
from django.utils import timezone

from calibration.management.entrance import Entrance, dealer_called
from calibration.planning import SECONDS, PlanResult, plan_visits


class Command(Entrance):
    help = (
        "Plans visits for customers with something due: technician and day, with the drives "
        "between them, on working days, before the season starts. OR-tools searches for a better "
        "plan than the greedy one, where it is installed; the answer says which was taken. Safe "
        "to repeat: what has a day keeps it; confirmed visits are never moved. Exit code 1 when "
        "somebody cannot be visited before the season (listed with the reason), 2 for a wrong "
        "call."
    )
    example = """example:
  python manage.py plan_visits
  python manage.py plan_visits --dealer NORTH
  python manage.py plan_visits --dealer NORTH --anew --seconds 60
  python manage.py plan_visits --json
"""

    def add_arguments(self, parser: ArgumentParser) -> None:
        self.add_dealer(parser)
        self.add_json(parser)
        parser.add_argument(
            "--anew",
            action="store_true",
            help="move what nobody has confirmed as if it had no day yet",
        )
        parser.add_argument(
            "--seconds",
            type=float,
            default=SECONDS,
            metavar="S",
            help=f"longest search for each dealer, 0 to 600 (default {SECONDS:g}; 0: greedy only)",
        )

    def handle(
        self, *, dealer: str | None, json: bool, anew: bool, seconds: float, **options: Any
    ) -> None:
        if not 0.0 <= seconds <= 600.0:
            raise CommandError(
                f"--seconds {seconds:g} is no time to search; accepted: 0 to 600.", returncode=2
            )
        result = plan_visits(
            now=timezone.now(), dealer=dealer_called(dealer), seconds=seconds, anew=anew
        )
        if json:
            self.print_json(as_json(result))
        else:
            self.stdout.write(
                f"{result.planned} visits planned, {result.moved} moved, "
                f"{result.cancelled} cancelled."
            )
            for plan in result.plans:
                self.stdout.write(f"{plan.dealer.code}: {plan.says}")
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
        "plans": [
            {
                "dealer": plan.dealer.code,
                "made_by": plan.made_by,
                "says": plan.says,
                "cost": plan.cost,
                "greedy_cost": plan.greedy_cost,
            }
            for plan in result.plans
        ],
    }
