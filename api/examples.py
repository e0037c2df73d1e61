"""Examples of what is sent and answered, by the names of their schemas in the description.

People, makes and numbers are invented; a test holds each example against its schema.
"""

from typing import Any

from api.errors import FRAMEWORK, STATUS

_POINTS = [
    {"load": 0.0, "reading": 11205.0, "direction": "up"},
    {"load": 103.0, "reading": 24230.0, "direction": "up"},
]
_ID = "5a0a3b52-8a4e-4d3e-9a40-0d6c2f7c1f01"
_LINE = {
    "slope": 126.456, "offset": 11205.0, "u_slope": 0.68, "u_offset": 24.1, "covariance": -5.6,
    "residual_sd": None, "birge_ratio": None, "degrees_of_freedom": 0,
    "reference_uncertainty_pct": 0.5, "load_unit": "daN", "reading_unit": "count",
}  # fmt: skip
_FLAG = {
    "id": 71, "kind": "slope", "level": "watch", "status": "open", "magnitude": 1.8,
    "tolerance": 2.0, "p_out": 0.31, "opened_at": "2026-03-02T08:14:03Z",
}  # fmt: skip

EXAMPLES: dict[str, Any] = {
    "TokenInputRequest": {
        "username": "jagoda", "password": "demo-jagoda", "name": "yard tablet",
    },
    "NewToken": {"token": "0723529aa14b890c2f", "expires": "2026-04-01T07:30:00Z"},
    "CalibrationInputRequest": {
        "id": _ID, "sensor": "KP25-10214", "performed_at": "2026-03-02T09:10:00+01:00",
        "reason": "seasonal", "stage": "as_found", "load_unit": "daN", "reading_unit": "count",
        "points": _POINTS, "technician": "K. Wrona",
        "conditions": {
            "temperature_c": 6.5, "hydraulic_pressure": 0.0, "pressure_unit": "bar",
        },
    },
    "FunctionalInputRequest": {
        "sensor": "KP25-10214", "performed_at": "2026-04-11T15:00:00+02:00",
        "load_unit": "daN", "pressure_unit": "bar",
        "steps": [
            {"commanded": 60.0, "displayed_mean": 61.0, "pressure": 48.0, "observed": "steady"},
        ],
    },
    "SensorInputRequest": {
        "serial": "KP25-10214", "model": "KP25", "lot": "2403",
        "tag": {
            "zero_reading": 11190.0, "span_reading": 23850.0, "span_load": 100.0,
            "load_unit": "daN",
        },
    },
    "CustomerInputRequest": {
        "name": "Farm Zielony Brzeg", "email": "desk@zielony-brzeg.example", "phone": "",
    },
    "LatestAnswer": {
        "calibration": _ID, "performed_at": "2026-03-02T08:10:00Z", "reason": "seasonal",
        "stage": "as_found", "season": 2026, "verdict": "watch", "load_unit": "daN",
        "reading_unit": "count", "fit": _LINE, "doubt": None,
    },
    "OpenFlagAnswer": _FLAG,
    "FlagAnswer": _FLAG | {
        "sensor": 214, "sensor_serial": "KP25-10214", "calibration": _ID,
        "functional_test": None, "acknowledged_at": None, "closed_at": None, "close_reason": "",
        "family": None, "family_cause": "", "assigned_to": "", "assigned_at": None,
        "causes": [
            {
                "code": "unit_slip", "probability": 0.93, "says": "A load was typed in another "
                "unit", "check": "Look up the unit on the support's plate",
            },
        ],
    },
    "RemarkAnswer": {
        "code": "unit_slip",
        "says": "The loads were probably measured in kg and typed as lb: the slope is off what "
        "was expected by +121 % as typed, by +0.35 % read in kg.",
        "check": "Read the unit on the weight or scale, and compare with the unit of the record.",
        "pointer": "/load_unit",
    },
    "Problem": {
        "type": "urn:spanbook:problem:invalid", "title": "The input cannot be accepted",
        "status": 422, "detail": "points: A line needs two distinct loads, 1 given",
        "code": "invalid", "request_id": "0f6d1c9a52b84a7d9e3c",
        "errors": [
            {
                "pointer": "/points", "reason": "A line needs two distinct loads, 1 given",
                "accepted": "a zero and a span at least", "value": "",
            },
        ],
    },
}  # fmt: skip


def codes() -> list[str]:
    """Return every `code` that a problem document may have."""
    ours = {kind.code for kind in STATUS}
    return sorted(ours | {code for code, _ in FRAMEWORK.values()} | {"error"})


def added(result: dict[str, Any], **_: Any) -> dict[str, Any]:
    """Add the examples, and the codes, to the description (a hook of drf-spectacular)."""
    schemas = result["components"]["schemas"]
    for name, example in EXAMPLES.items():
        schemas[name]["examples"] = [example]
    said = f"Stable; for programs. Now one of: {', '.join(codes())}; more may come."
    schemas["Problem"]["properties"]["code"]["description"] = said
    return result
