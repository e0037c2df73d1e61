"""The app, and what Django calls us for: after migrating, when checking, when a visit is saved."""

from collections.abc import Sequence
from typing import Any

from django.apps import AppConfig
from django.core import checks
from django.core.checks import CheckMessage
from django.db import connections
from django.db.models.signals import post_migrate, post_save, pre_migrate


class CalibrationConfig(AppConfig):
    """Calibrations, functional tests and what follows from them."""

    name = "calibration"
    verbose_name = "Calibrations and tests"

    def ready(self) -> None:
        """Put the seals on after every migrate; check them where databases are checked."""
        pre_migrate.connect(_let_rebuild, sender=self)
        post_migrate.connect(_seal, sender=self)
        post_save.connect(_tell_of_visit, sender="calibration.Visit")
        checks.register(check_seals, checks.Tags.database)


def _let_rebuild(using: str, **_: Any) -> None:
    """SQLite renames no table while a trigger of another one names it."""
    from calibration import sealing

    if connections[using].vendor == "sqlite":
        sealing.loosen(connections[using])


def _seal(using: str, **_: Any) -> None:
    from calibration import audited, sealing
    from fleet import auditing

    sealing.install(connections[using])
    auditing.install(connections[using], audited.TABLES)


def _tell_of_visit(instance: Any, *, created: bool, update_fields: Any, **_: Any) -> None:
    from calibration import events

    if created or update_fields is None or {"planned_on", "status"} & set(update_fields):
        events.tell_of_visits([instance], now=instance.updated_at)


def check_seals(databases: Sequence[str] | None = None, **_: Any) -> list[CheckMessage]:
    """Report a database whose measurements could be altered, or changes made unseen."""
    from calibration import audited, sealing
    from fleet import auditing

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
        wanted = auditing.trigger_names((*auditing.TABLES, *audited.TABLES))
        unseen = wanted - set(auditing.present(connection))
        if unseen:
            found.append(
                checks.Error(
                    f"Changes are not written down on {alias!r}: "
                    f"{', '.join(sorted(unseen))} are missing.",
                    hint="Run: python manage.py migrate",
                    id="calibration.E002",
                )
            )
    return found
