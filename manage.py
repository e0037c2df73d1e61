#!/usr/bin/env python
"""Spanbook's command line: `python manage.py COMMAND --help`."""

import os
import sys


def main() -> None:
    """Hand the command line to Django."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.config.settings")
    try:
        from django.core.management import execute_from_command_line
    except ImportError as missing:
        raise SystemExit(
            "Django is not installed in this Python. Install the project first: "
            "python3 -m venv .venv && .venv/bin/pip install -e . "
            "and then call .venv/bin/python manage.py"
        ) from missing
    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
