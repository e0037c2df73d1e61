#!/usr/bin/env python
"""Spanbook's command line: `python manage.py COMMAND --help`."""

import os
import sys


def main() -> None:
    """Hand the command line to Django."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.config.settings")
    try:
        from django.core.exceptions import ImproperlyConfigured
        from django.core.management import execute_from_command_line
    except ImportError as missing:
        raise SystemExit(
            "Django is not installed in this Python. Install the project first: "
            "python3 -m venv .venv && .venv/bin/pip install -e . "
            "and then call .venv/bin/python manage.py"
        ) from missing
    try:
        execute_from_command_line(sys.argv)
    except ImproperlyConfigured as wrong:
        print(f"Not started: {wrong}", file=sys.stderr)  # noqa: T201 - nothing is set up yet
        raise SystemExit(2) from None


if __name__ == "__main__":
    main()
