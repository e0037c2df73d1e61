"""The app, and the rule that it puts on the database after every migrate."""

from typing import Any

from django.apps import AppConfig
from django.contrib.auth.signals import user_login_failed
from django.db import connections
from django.db.models.signals import post_migrate, pre_migrate


class FleetConfig(AppConfig):
    """The register that everything stands on: who and what."""

    name = "fleet"
    verbose_name = "Register"

    def ready(self) -> None:
        """Keep installations from overlapping and write changes down, wherever is migrated."""
        from fleet import guessing

        pre_migrate.connect(_let_rebuild, sender=self)
        post_migrate.connect(_hold_overlaps, sender=self)
        post_migrate.connect(_audit, sender=self)
        user_login_failed.connect(guessing.count, dispatch_uid="fleet.guessing")


def _hold_overlaps(using: str, **_: Any) -> None:
    from fleet import overlaps

    overlaps.install(connections[using])


def _let_rebuild(using: str, **_: Any) -> None:
    """SQLite renames no table while a trigger of another one names it: take ours away first."""
    from fleet import auditing

    if connections[using].vendor == "sqlite":
        auditing.remove(connections[using])


def _audit(using: str, **_: Any) -> None:
    from fleet import auditing

    auditing.install(connections[using], auditing.TABLES)
