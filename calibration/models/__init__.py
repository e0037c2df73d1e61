"""Records (sealed), what follows from them (derived), and the work that comes of it."""

from calibration.models.derived import (
    DueState,
    Fit,
    Judgement,
    StaleSensor,
    Verdict,
)
from calibration.models.events import Event, Webhook
from calibration.models.flags import DriftFlag
from calibration.models.functional import (
    FunctionalTest,
    FunctionalVerdict,
    Observed,
    SetpointStep,
)
from calibration.models.imports import ImportRowOutcome, ImportRun
from calibration.models.learnt import LotPrior, ModelInterval, SensorModelNoise
from calibration.models.lots import LotCount, LotLooks, LotsCounted
from calibration.models.packed import FurtherCompany, PackedHistory, UncountedSensor
from calibration.models.record import (
    IN_TIME,
    STARTS_SEGMENT,
    Calibration,
    CalibrationPoint,
    Direction,
    Reason,
    SealedRecord,
    Stage,
    in_time,
)
from calibration.models.rules import ReferenceStandard, TolerancePolicy
from calibration.models.runs import ScanChunk, ScanRun
from calibration.models.triage import FlagFamily, KeptLook
from calibration.models.work import (
    CalendarFeed,
    CustomerNote,
    Digest,
    Mailing,
    Reminder,
    SeasonPlan,
    Visit,
    VisitLine,
)

__all__ = [
    "IN_TIME",
    "STARTS_SEGMENT",
    "CalendarFeed",
    "Calibration",
    "CalibrationPoint",
    "CustomerNote",
    "Digest",
    "Direction",
    "DriftFlag",
    "DueState",
    "Event",
    "Fit",
    "FlagFamily",
    "FunctionalTest",
    "FunctionalVerdict",
    "FurtherCompany",
    "ImportRowOutcome",
    "ImportRun",
    "Judgement",
    "KeptLook",
    "LotCount",
    "LotLooks",
    "LotPrior",
    "LotsCounted",
    "Mailing",
    "ModelInterval",
    "Observed",
    "PackedHistory",
    "Reason",
    "ReferenceStandard",
    "Reminder",
    "ScanChunk",
    "ScanRun",
    "SealedRecord",
    "SeasonPlan",
    "SensorModelNoise",
    "SetpointStep",
    "Stage",
    "StaleSensor",
    "TolerancePolicy",
    "UncountedSensor",
    "Verdict",
    "Visit",
    "VisitLine",
    "Webhook",
    "in_time",
]
