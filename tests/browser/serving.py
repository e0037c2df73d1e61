"""Serves the demo fleet for the browser tests: `python -m tests.browser.serving PORT`.

The desk as it is shipped, with one thing more: each answer says how many queries it took and how
long the server worked (headers `X-Queries` and `X-Milliseconds`).
"""

import os
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from typing import Any

PEOPLE = {
    "tekla": "technician", "wanda": "service_manager", "ilse": "warranty_reviewer",
    "oskar": "administrator",
}  # fmt: skip


class Counted:
    """Counts the queries of each request."""

    def __init__(self, get_response: Callable[[Any], Any]) -> None:
        self.get_response = get_response

    def __call__(self, request: Any) -> Any:
        """Answer, with the count."""
        from django.db import connection

        asked = 0

        def count(execute: Any, sql: str, params: Any, many: Any, context: Any) -> Any:
            nonlocal asked
            asked += 1
            return execute(sql, params, many, context)

        began = time.perf_counter()
        with ExitStack() as stack:
            stack.enter_context(connection.execute_wrapper(count))
            response = self.get_response(request)
        response.headers["X-Queries"] = str(asked)
        response.headers["X-Milliseconds"] = f"{1000 * (time.perf_counter() - began):.0f}"
        return response


def more_people() -> None:
    """Add one more person of each role: whose password and second factor the tests may set."""
    from fleet.models import Dealer, Membership, User

    dealer = Dealer.objects.get(code="KLON")
    for name, role in PEOPLE.items():
        person = User.objects.create_user(name, password=f"demo-{name}", is_staff=True)
        here = dealer if role in {"technician", "service_manager"} else None
        Membership.objects.create(user=person, role=role, dealer=here)


def main(port: int) -> None:
    """Load the demo, say so, serve it."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.config.settings")
    import django
    from django.conf import settings

    settings.MIDDLEWARE.insert(0, "tests.browser.serving.Counted")
    django.setup()
    from django.apps import apps
    from django.contrib.contenttypes.models import ContentType
    from django.core.handlers.wsgi import WSGIHandler
    from django.core.management import call_command
    from waitress import serve

    call_command("demo", no_serve=True)
    more_people()
    # Kept by each process from their first use on; so the first page is counted like the others.
    ContentType.objects.get_for_models(*apps.get_models())
    print("ready", flush=True)
    serve(WSGIHandler(), host="127.0.0.1", port=port, threads=4)


if __name__ == "__main__":
    main(int(sys.argv[1]))
