"""Loading a record file: bytes to rows, rows to records, records into the register and stored."""

from calibration.importing.loading import Noted, Progress, load_file
from calibration.importing.result import ImportResult, Rejects
from calibration.importing.storing import Outcome

__all__ = ["ImportResult", "Noted", "Outcome", "Progress", "Rejects", "load_file"]
