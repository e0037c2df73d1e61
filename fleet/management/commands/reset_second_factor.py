"""`manage.py reset_second_factor NAME`: for who lost both the authenticator and the codes."""

from argparse import ArgumentParser, RawDescriptionHelpFormatter
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fleet import second_factor
from fleet.models import User
from fleet.scope import Scope

EXAMPLE = """example:
  python manage.py reset_second_factor jagoda
"""


class Command(BaseCommand):
    help = "Remove a person's second factor, recovery codes and tokens; they set it up anew."

    def create_parser(self, prog_name: str, subcommand: str, **kwargs: Any) -> Any:
        return super().create_parser(
            prog_name,
            subcommand,
            epilog=EXAMPLE,
            formatter_class=RawDescriptionHelpFormatter,
            **kwargs,
        )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("username", help="whose, as they sign in")

    def handle(self, *, username: str, **options: Any) -> None:
        person = User.objects.filter(username=username).first()
        if person is None:
            raise CommandError(f"There is nobody who signs in as {username!r}.", returncode=2)
        if person.second_factor_since is None:
            raise CommandError(f"{username} has no second factor.", returncode=1)
        second_factor.remove(person, by=Scope.system())
        self.stdout.write(f"The second factor of {username} is removed, with their tokens.")
