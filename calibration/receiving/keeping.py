"""Uploaded files on disk: in a private folder, named by their content, kept for some days.

The folder is never served; web processes and workers share it. A file is written under another
name first, so that what bears a digest's name always has that content.
"""

import hashlib
import os
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import BinaryIO

from django.conf import settings

from calibration.models import ImportRowOutcome, ImportRun
from fleet.errors import Invalid, Problem

_WAITING = (
    ImportRun.Status.RECEIVED, ImportRun.Status.CHECKING, ImportRun.Status.COMMITTING,
)  # fmt: skip


class TooLong(Invalid):
    """The file is larger than what is kept."""

    def __init__(self) -> None:
        most = f"at most {settings.IMPORT_LARGEST:,} bytes; split the file by season"
        super().__init__(Problem("file", "The file is too large", most))


@dataclass(frozen=True)
class Kept:
    """A file that was kept: digest of its content, and its bytes."""

    sha256: str
    size: int


def keep(chunks: Iterable[bytes]) -> Kept:
    """Write a file to the folder as it comes in; never more than a chunk is in memory.

    Raises
    ------
    TooLong
        If it is larger than the setting allows; nothing of it stays.
    """
    digest, size = hashlib.sha256(), 0
    with _written() as (out, become):
        for chunk in chunks:
            size += len(chunk)
            if size > settings.IMPORT_LARGEST:
                raise TooLong
            digest.update(chunk)
            out.write(chunk)
        become.append(path_of(digest.hexdigest()))
    return Kept(digest.hexdigest(), size)


def path_of(sha256: str) -> Path:
    """Return where a file of that content is kept."""
    return _folder() / sha256


def refused_file(run: ImportRun, stage: str) -> Path:
    """Return where the refused rows of a run are kept, as they were at that stage."""
    return _folder() / f"{run.pk}.{stage}.csv"


def keep_refused(run: ImportRun, stage: ImportRowOutcome.Stage, lines: Iterator[str]) -> None:
    """Write the refused rows of a run, to be fetched."""
    with _written() as (out, become):
        for line in lines:
            out.write(line.encode())
        become.append(refused_file(run, stage))


def files_of(run: ImportRun) -> list[Path]:
    """Return the files that are kept of an upload: its own, and those of refused rows."""
    named = [path_of(run.sha256), *(refused_file(run, stage) for stage in ImportRowOutcome.Stage)]
    return [path for path in named if path.is_file()]


def remove_old(*, now: datetime) -> int:
    """Remove what is older than the setting says and nobody works at; return how many files."""
    if not Path(settings.IMPORT_FOLDER).is_dir():
        return 0
    limit = now - timedelta(days=settings.IMPORT_DAYS)
    wanted = set(ImportRun.objects.filter(status__in=_WAITING).values_list("sha256", flat=True))
    removed = 0
    for file in _folder().iterdir():
        if file.stat().st_mtime < limit.timestamp() and file.name not in wanted:
            file.unlink(missing_ok=True)
            removed += 1
    return removed


def _folder() -> Path:
    folder = Path(settings.IMPORT_FOLDER)
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    return folder


@contextmanager
def _written() -> Iterator[tuple[BinaryIO, list[Path]]]:
    """Yield a new file and a list for the name that it gets when all of it is on disk."""
    handle, name = tempfile.mkstemp(dir=_folder(), prefix="arriving-")
    become: list[Path] = []
    try:
        with os.fdopen(handle, "wb") as out:
            yield out, become
            out.flush()
            os.fsync(out.fileno())
        Path(name).replace(become[0])
    finally:
        with suppress(FileNotFoundError):
            Path(name).unlink()
