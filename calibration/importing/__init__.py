"""Loading a record file: bytes to rows, rows to records, records into the register and stored."""

from calibration.importing.loading import Progress, load_file
from calibration.importing.result import ImportResult, Rejects

__all__ = ["ImportResult", "Progress", "Rejects", "load_file"]
