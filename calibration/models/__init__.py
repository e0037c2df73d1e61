"""Records (sealed), what follows from them (derived), and the work that comes of it."""

from calibration.models.derived import (
    DueState,
    Fit,
    Judgement,
    LotPrior,
    SensorModelNoise,
    StaleSensor,
    Verdict,
)
from calibration.models.functional import (
    FunctionalTest,
    FunctionalVerdict,
    Observed,
    SetpointStep,
)
from calibration.models.imports import ImportRowOutcome, ImportRun
from calibration.models.lots import LotCount, LotLooks, LotsCounted
from calibration.models.packed import FurtherCompany, PackedHistory, UncountedSensor
from calibration.models.record import (
    STARTS_SEGMENT,
    Calibration,
    CalibrationPoint,
    Direction,
    Reason,
    SealedRecord,
    Stage,
)
from calibration.models.rules import ReferenceStandard, TolerancePolicy
from calibration.models.runs import ScanChunk, ScanRun
from calibration.models.work import Digest, DriftFlag, Reminder, Visit, VisitLine

__all__ = [
    "STARTS_SEGMENT",
    "Calibration",
    "CalibrationPoint",
    "Digest",
    "Direction",
    "DriftFlag",
    "DueState",
    "Fit",
    "FunctionalTest",
    "FunctionalVerdict",
    "FurtherCompany",
    "ImportRowOutcome",
    "ImportRun",
    "Judgement",
    "LotCount",
    "LotLooks",
    "LotPrior",
    "LotsCounted",
    "Observed",
    "PackedHistory",
    "Reason",
    "ReferenceStandard",
    "Reminder",
    "ScanChunk",
    "ScanRun",
    "SealedRecord",
    "SensorModelNoise",
    "SetpointStep",
    "Stage",
    "StaleSensor",
    "TolerancePolicy",
    "UncountedSensor",
    "Verdict",
    "Visit",
    "VisitLine",
]
