"""Records as a client sends them (design 6.4), and the drafts that the services take."""

from datetime import datetime
from typing import Any

from rest_framework import serializers

from api.fields import Number, Text, Uuid
from api.inputs import Input
from api.refs import ref
from calibration.drafts import (
    CalibrationDraft,
    FunctionalDraft,
    PointDraft,
    StepDraft,
    resolve_moment,
)
from calibration.functional import stored_test
from calibration.models import (
    Calibration,
    Direction,
    FunctionalTest,
    Observed,
    Reason,
    ReferenceStandard,
    Stage,
)
from calibration.validating import installation_at
from fleet import units
from fleet.errors import Invalid, Problem
from fleet.models import Installation, Sensor

LOADS, PRESSURES, READINGS = list(units.LOAD), list(units.PRESSURE), list(units.READING)
MOMENT = "ISO 8601; without an offset, the wall clock of the sensor's dealer."


class PointInput(Input):
    """A load and the reading at it."""

    load = Number()
    reading = Number()
    direction = serializers.ChoiceField(choices=Direction.values, required=False)


class ConditionsInput(Input):
    """How warm it was, and what pressure was left in the circuit."""

    temperature_c = Number(required=False, allow_null=True)
    hydraulic_pressure = Number(required=False, allow_null=True)
    pressure_unit = serializers.ChoiceField(choices=PRESSURES, required=False, allow_blank=True)


class CalibrationInput(Input):
    """A calibration: what was measured and said."""

    echoed = (
        "sensor_model", "sensor_model_name", "installation", "machine_serial", "position", "fit",
        "against_previous", "against_first", "against_expected", "trend", "season", "segment",
        "verdict", "causes", "explain", "figures", "remarks",
        "tolerance", "flags", "next_due", "method", "content_digest", "digest", "stored",
        "superseded_by", "recorded_at", "rejudged",
    )  # fmt: skip

    id = Uuid(required=False, help_text="Chosen by the client: the same record twice is one.")
    sensor = ref(Sensor, "model", "dealer")
    performed_at = Text(max_length=64, help_text=MOMENT)
    reason = serializers.ChoiceField(choices=Reason.values, required=False)
    stage = serializers.ChoiceField(choices=Stage.values, required=False)
    reference = ref(ReferenceStandard, required=False, allow_null=True)
    technician = Text(required=False, allow_blank=True, max_length=80)
    load_unit = serializers.ChoiceField(choices=LOADS)
    reading_unit = serializers.ChoiceField(choices=READINGS)
    points = serializers.ListField(child=PointInput(), max_length=500)
    conditions = ConditionsInput(required=False, allow_null=True)
    note = Text(lines=True, required=False, allow_blank=True, max_length=2000)
    supersedes = ref(Calibration, required=False, allow_null=True)
    supersede_reason = Text(required=False, allow_blank=True, max_length=200)


class StepInput(Input):
    """One setpoint of a functional test."""

    commanded = Number()
    displayed_mean = Number()
    displayed_min = Number(required=False, allow_null=True)
    displayed_max = Number(required=False, allow_null=True)
    pressure = Number(required=False, allow_null=True)
    observed = serializers.ChoiceField(choices=Observed.values, required=False)


class FunctionalInput(Input):
    """A functional test: by its installation, or by the sensor that sat there at that time."""

    echoed = (
        "machine_serial", "position", "verdict", "worst_error_pct", "findings", "method", "flags",
        "content_digest", "digest", "superseded_by", "recorded_at",
    )  # fmt: skip

    id = Uuid(required=False, help_text="Chosen by the client: the same record twice is one.")
    installation = ref(Installation, "sensor__dealer", "machine", required=False)
    sensor = ref(Sensor, "dealer", required=False)
    performed_at = Text(max_length=64, help_text=MOMENT)
    technician = Text(required=False, allow_blank=True, max_length=80)
    note = Text(lines=True, required=False, allow_blank=True, max_length=2000)
    load_unit = serializers.ChoiceField(
        choices=LOADS, required=False, help_text="Absent: the dealer's."
    )
    pressure_unit = serializers.ChoiceField(
        choices=PRESSURES, required=False, help_text="Absent: the dealer's."
    )
    steps = serializers.ListField(child=StepInput(), max_length=50)
    supersedes = ref(FunctionalTest, required=False, allow_null=True)
    supersede_reason = Text(required=False, allow_blank=True, max_length=200)


def calibration_draft(values: dict[str, Any]) -> CalibrationDraft:
    """Return the draft of checked values."""
    said = dict(values)
    points = tuple(PointDraft(**point) for point in said.pop("points"))
    said |= said.pop("conditions", None) or {}
    when = resolve_moment(said.pop("performed_at"), said["sensor"].dealer.zone)
    return CalibrationDraft(performed_at=when, points=points, **said)


def functional_draft(values: dict[str, Any]) -> FunctionalDraft:
    """Return the draft of checked values."""
    said = dict(values)
    place = said.pop("installation", None)
    sensor = _tested(place, said.pop("sensor", None))
    stored = stored_test(said.get("id"), sensor)
    dealer = stored.dealer if stored else sensor.dealer
    said = {"load_unit": dealer.load_unit, "pressure_unit": dealer.pressure_unit} | said
    steps = tuple(StepDraft(**step) for step in said.pop("steps"))
    when = resolve_moment(said.pop("performed_at"), dealer.zone)
    if place is None:
        place = stored.installation if stored else _place(sensor, when)
    return FunctionalDraft(installation=place, performed_at=when, steps=steps, **said)


def _tested(place: Installation | None, sensor: Sensor | None) -> Sensor:
    """Return the sensor that was meant."""
    if place is None and sensor is None:
        accepted = "the id of an installation, or a sensor"
        raise Invalid(Problem("installation", "This field is required", accepted))
    if place is None or sensor is None:
        return sensor or place.sensor  # type: ignore[union-attr] # one of them is there
    if sensor.pk != place.sensor_id:
        sits = place.sensor.serial
        raise Invalid(Problem("sensor", "Another sensor sits there", sits, sensor.serial))
    return sensor


def _place(sensor: Sensor, when: datetime) -> Installation:
    """Return where a sensor sat at that moment, or where it sits: the rules say what is wrong."""
    place = installation_at(sensor, when)
    place = place or sensor.installations.filter(removed_on__isnull=True).first()
    if place is None:
        accepted = "a sensor that sat on a machine at that time, or the id of an installation"
        raise Invalid(Problem("sensor", "It was not installed", accepted, sensor.serial))
    return place
