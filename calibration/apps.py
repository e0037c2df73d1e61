"""The app, and the two things that Django calls us for: after migrating, and when checking."""

from collections.abc import Sequence
from typing import Any

from django.apps import AppConfig
from django.core import checks
from django.core.checks import CheckMessage
from django.db import connections
from django.db.models.signals import post_migrate


class CalibrationConfig(AppConfig):
    """Calibrations, functional tests and what follows from them."""

    name = "calibration"
    verbose_name = "Calibrations and tests"

    def ready(self) -> None:
        """Put the seals on after every migrate; check them where databases are checked."""
        post_migrate.connect(_seal, sender=self)
        checks.register(check_seals, checks.Tags.database)


def _seal(using: str, **_: Any) -> None:
    from calibration import sealing

    sealing.install(connections[using])


def check_seals(databases: Sequence[str] | None = None, **_: Any) -> list[CheckMessage]:
    """Report a database whose measurements could be altered."""
    from calibration import sealing

    found: list[CheckMessage] = []
    for alias in databases or []:
        connection = connections[alias]
        if sealing.SEALED_TABLES[0] not in connection.introspection.table_names():
            continue
        missing = sealing.trigger_names(connection.vendor) - sealing.present(connection)
        if missing:
            found.append(
                checks.Error(
                    f"The seals {', '.join(sorted(missing))} are missing on {alias!r}.",
                    hint="Run: python manage.py migrate",
                    id="calibration.E001",
                )
            )
    return found
