"""Record files that are uploaded: received, checked by the worker, looked at, committed."""

from calibration.receiving.keeping import Kept, TooLong, keep, refused_file, remove_old
from calibration.receiving.runs import cancel, commit, receive, rows_of
from calibration.receiving.working import work_off

__all__ = [
    "Kept",
    "TooLong",
    "cancel",
    "commit",
    "keep",
    "receive",
    "refused_file",
    "remove_old",
    "rows_of",
    "work_off",
]
