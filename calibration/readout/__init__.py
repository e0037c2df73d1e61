"""Rows to the answers that people and programs read, in the units that were typed.

One builder for the API, the admin and the documents: the same digits everywhere. Text that a
former owner's dealer wrote is left out unless the reader belongs to that dealer.
"""

from calibration.readout.calibrations import (
    answers,
    answers_by_key,
    calibration_answer,
    newest_answers,
    reference_of,
    stored_answer,
)
from calibration.readout.covering import USUAL_FACTOR, coverage_factors
from calibration.readout.doubts import doubt_in
from calibration.readout.dues import due_answer
from calibration.readout.explaining import explain
from calibration.readout.figures import figures_of
from calibration.readout.flags import CODES, flag_answer, moment, whose
from calibration.readout.functional import functional_answer, functional_answers
from calibration.readout.history import sensor_history
from calibration.readout.newest import last_and_believed, newest_numbers, open_flags
from calibration.readout.reading_back import load_at
from calibration.readout.remarks import strong
from calibration.rounding import rounded, with_uncertainty

__all__ = [
    "CODES",
    "USUAL_FACTOR",
    "answers",
    "answers_by_key",
    "calibration_answer",
    "coverage_factors",
    "doubt_in",
    "due_answer",
    "explain",
    "figures_of",
    "flag_answer",
    "functional_answer",
    "functional_answers",
    "last_and_believed",
    "load_at",
    "moment",
    "newest_answers",
    "newest_numbers",
    "open_flags",
    "reference_of",
    "rounded",
    "sensor_history",
    "stored_answer",
    "strong",
    "whose",
    "with_uncertainty",
]
