"""`manage.py demo`: an invented fleet, scanned, planned and served on this desk."""

import logging
import socket
import threading
import time
from argparse import ArgumentParser, RawDescriptionHelpFormatter
from pathlib import Path
from typing import Any

from django.core.handlers.wsgi import WSGIHandler
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.db import Error, close_old_connections, connection
from django.utils import timezone

from calibration import receiving
from calibration.claiming import Clock
from calibration.demo import load, report
from calibration.planning import plan_visits
from calibration.scan import run_scan
from fleet.scope import Scope

logger = logging.getLogger(__name__)

HOST = "127.0.0.1"
EXAMPLE = """example:
  python manage.py demo                 load, scan, print what was found, serve
  python manage.py demo --no-serve      the same without serving
  python manage.py demo --fresh         throw the demo away and make it anew
"""


class Command(BaseCommand):
    help = "Make the demo database, load an invented fleet, scan it, and serve it on 127.0.0.1."

    def create_parser(self, prog_name: str, subcommand: str, **kwargs: Any) -> Any:
        return super().create_parser(
            prog_name,
            subcommand,
            epilog=EXAMPLE,
            formatter_class=RawDescriptionHelpFormatter,
            **kwargs,
        )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--no-serve", action="store_true", help="stop before serving")
        parser.add_argument(
            "--fresh", action="store_true", help="delete the demo's database and make it anew"
        )
        parser.add_argument("--port", type=int, default=8000, help="where to serve (8000)")

    def handle(self, *, no_serve: bool, fresh: bool, port: int, **options: Any) -> None:
        begun = time.monotonic()
        check_database()
        if not no_serve:
            check_port(port)
        if fresh:
            delete_database()
        call_command("migrate", verbosity=0)
        now = timezone.now()
        if load.is_loaded():
            self.stdout.write("The demo is loaded already; --fresh makes it anew.")
        else:
            load.load(scope=Scope.system(), now=now, progress=self._progress)
        self._progress("scan and plan")
        scan = run_scan(full=True, now=now)
        plan = plan_visits(now=now)
        address = f"http://{HOST}:{port}"
        for line in report.lines(scan=scan, unplanned=len(plan.unplanned), address=address):
            self.stdout.write(line)
        self.stdout.write(f"Ready in {time.monotonic() - begun:.0f} s.")
        if not no_serve:
            self._serve(port, address)

    def _progress(self, what: str) -> None:
        if self.stderr.isatty():
            self.stderr.write(f"  {what} ...")

    def _serve(self, port: int, address: str) -> None:
        from waitress import serve

        self.stdout.write(f"Serving on {address}/ until Ctrl+C.")
        self.stdout.flush()
        threading.Thread(target=check_uploads, name="uploads", daemon=True).start()
        serve(WSGIHandler(), host=HOST, port=port, threads=6, ident=None)


def check_uploads() -> None:
    """Check and store the record files that are uploaded, as long as the demo serves."""
    while True:
        try:
            receiving.work_off(clock=Clock(timezone.now()))
        except (Error, OSError):
            logger.exception("Uploads could not be looked at; they are in a moment.")
            close_old_connections()
        time.sleep(1)


def check_database() -> None:
    """Refuse a database that is not SQLite, or that somebody else's dealers are in."""
    if connection.vendor != "sqlite":
        raise CommandError(
            f"The demo makes its own SQLite database and leaves {connection.vendor} alone; "
            "run it without DATABASE_URL, or with DATABASE_URL=sqlite:///demo.sqlite3.",
            returncode=2,
        )
    others = load.strangers()
    if others:
        raise CommandError(
            f"This database holds dealers that are not the demo's ({', '.join(others[:5])}), so "
            "the demo stays out of it; give it a file of its own with "
            "DATABASE_URL=sqlite:///demo.sqlite3.",
            returncode=2,
        )


def check_port(port: int) -> None:
    """Refuse a port that cannot be listened on, before the work and not after it."""
    if not 1 <= port <= 65535:
        raise CommandError(f"--port {port}: give a number from 1 to 65535.", returncode=2)
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except OSError as taken:
            raise CommandError(
                f"Port {port} on {HOST} cannot be used ({taken.strerror}). Stop what listens "
                "there, or give another one: python manage.py demo --port 8001",
                returncode=2,
            ) from taken


def delete_database() -> None:
    """Delete the demo's own file; one that the demo did not fill stays."""
    file = Path(connection.settings_dict["NAME"])
    if not file.exists():
        return
    if not load.is_loaded():
        raise CommandError(
            f"{file} was not made by the demo, so --fresh leaves it alone.", returncode=2
        )
    connection.close()
    for suffix in ("", "-wal", "-shm"):
        file.with_name(file.name + suffix).unlink(missing_ok=True)
