"""Log lines: JSON for machines or plain for a desk, with the request's id and without secrets."""

import json
import logging
import re
import traceback
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from django.conf import settings

from fleet import trace

HIDDEN = "[hidden]"
_NAMES = r"[\w-]*password\d?|passwd|[\w-]*secret(?:_key)?|[\w-]*token|otp|authorization|api_?key"
_VALUE = r"""\\?"[^"]*"|'[^']*'|[^\s,;&}\])]+"""
# What a secret looks like where it stands: after `Bearer`, in an address, after a telling name.
_PATTERNS = (
    (re.compile(r"\b(Bearer|Token|Basic)\s+[\w.~+/=-]{6,}", re.IGNORECASE), rf"\1 {HIDDEN}"),
    (re.compile(r"(\w[\w+.-]*://[^\s:/@]*):[^\s/@]+@"), rf"\1:{HIDDEN}@"),
    (
        re.compile(rf"""(\\?["']?\b(?:{_NAMES})\\?["']?\s*[:=]\s*)(?:{_VALUE})""", re.IGNORECASE),
        rf"\1{HIDDEN}",
    ),
)
# What our own lines say beside their sentence (`extra`).
_OURS = ("spanbook", "fleet", "calibration", "api")
_BESIDE = ("method", "route", "status", "ms", "user", "address", "task", "status_code")


def secrets() -> tuple[str, ...]:
    """Return the secrets of this installation's own settings, longest first."""
    known = (
        settings.SECRET_KEY,
        settings.EMAIL_HOST_PASSWORD,
        settings.METRICS_TOKEN,
        str(settings.DATABASES["default"].get("PASSWORD") or ""),
    )
    return tuple(sorted((text for text in known if len(text) > 7), key=len, reverse=True))


def redacted(text: str) -> str:
    """Return a text in which nothing stands that looks like a secret or is one of ours."""
    for own in secrets():
        text = text.replace(own, HIDDEN)
    for pattern, instead in _PATTERNS:
        text = pattern.sub(instead, text)
    return text


def _told(record: logging.LogRecord) -> str:
    """Return what a record says on one line, and its traceback below, redacted."""
    said = record.getMessage().replace("\r", "\\r").replace("\n", "\\n")
    if record.exc_info and record.exc_info[0] is not None:
        said += "\n" + "".join(traceback.format_exception(*record.exc_info)).rstrip()
    return redacted(said)


class Line(logging.Formatter):
    """One plain line for a person."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the line."""
        request = trace.current()
        about = f" [{request}]" if request else ""
        return f"{_moment(record)} {record.levelname} {record.name}{about} {_told(record)}"


class Json(logging.Formatter):
    """One JSON object a line for a machine."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the object."""
        line: dict[str, Any] = {
            "at": _moment(record),
            "level": record.levelname,
            "logger": record.name,
            "says": _told(record),
        }
        if trace.current():
            line["request_id"] = trace.current()
        for name in _BESIDE:
            if name in vars(record):
                value = vars(record)[name]
                line[name] = redacted(value) if isinstance(value, str) else value
        return json.dumps(line, default=str, ensure_ascii=False)


def _moment(record: logging.LogRecord) -> str:
    return datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")


def logging_settings(*, form: str, level: str) -> Mapping[str, Any]:
    """Return Django's LOGGING: one form, on the error stream; others' lines from warnings on."""
    others = "WARNING" if level == "INFO" else level
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {
            "line": {"()": "fleet.config.logs.Line"},
            "json": {"()": "fleet.config.logs.Json"},
        },
        "handlers": {"console": {"class": "logging.StreamHandler", "formatter": form}},
        "root": {"handlers": ["console"], "level": others},
        "loggers": {
            **{name: {"level": level} for name in _OURS},
            # Django's own handlers print to the same stream and hide no secrets.
            "django": {"handlers": [], "level": others, "propagate": True},
            "django.server": {"handlers": [], "level": "INFO", "propagate": True},
        },
    }
