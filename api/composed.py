"""Answers that are put together (sheets, seasons, checkpoints) as OpenAPI describes them."""

from typing import Any

from rest_framework import serializers

from api.answers import LOADS, PRESSURES, READINGS, CauseAnswer, PointAnswer
from calibration.models import DriftFlag, Reason, Stage, Verdict, Visit


class QuantityAnswer(serializers.Serializer[Any]):
    """A value and its standard uncertainty, and the value rounded to it (GUM 7.2.6)."""

    value = serializers.FloatField()
    u = serializers.FloatField(allow_null=True)
    unit = serializers.CharField()
    text = serializers.CharField()


class BandAnswer(serializers.Serializer[Any]):
    """Where a new number is expected; the ends as numbers and as they are printed."""

    # `from` is no name in Python: it is put in below.
    to = serializers.FloatField()
    unit = serializers.CharField()
    low = serializers.CharField()
    high = serializers.CharField()

    def get_fields(self) -> dict[str, Any]:
        """Return the fields with `from`."""
        return {"from": serializers.FloatField(), **super().get_fields()}


class ReadingBandAnswer(BandAnswer):
    """Where the reading at one of last time's loads is expected."""

    load = serializers.FloatField()
    load_unit = serializers.ChoiceField(choices=LOADS)
    text = serializers.CharField(help_text="The load as it was typed.")


class ExpectedNumbersAnswer(serializers.Serializer[Any]):
    """Where the next numbers of a cell are expected; `basis` of the sheet says on what ground."""

    slope = BandAnswer()
    offset = BandAnswer()
    readings = ReadingBandAnswer(many=True)


class LastNumbersAnswer(serializers.Serializer[Any]):
    """Last time's numbers, in the units that were typed."""

    calibration = serializers.UUIDField()
    performed_on = serializers.DateField()
    season = serializers.IntegerField()
    reason = serializers.ChoiceField(choices=Reason.values)
    stage = serializers.ChoiceField(choices=Stage.values)
    verdict = serializers.ChoiceField(choices=Verdict.values, allow_null=True)
    load_unit = serializers.ChoiceField(choices=LOADS)
    reading_unit = serializers.ChoiceField(choices=READINGS)
    slope = QuantityAnswer(allow_null=True)
    offset = QuantityAnswer(allow_null=True)
    points = PointAnswer(many=True)
    elsewhere = serializers.BooleanField(help_text="It sat elsewhere then.")


class TagNumbersAnswer(serializers.Serializer[Any]):
    """The numbers on the tag of a new cell."""

    zero_reading = serializers.FloatField()
    span_reading = serializers.FloatField()
    span_load = serializers.FloatField()
    load_unit = serializers.ChoiceField(choices=LOADS)
    reading_unit = serializers.ChoiceField(choices=READINGS)
    text = serializers.CharField()


class SheetSensorAnswer(serializers.Serializer[Any]):
    """A sensor on a visit sheet."""

    id = serializers.IntegerField()
    serial = serializers.CharField()
    model = serializers.CharField()
    lot = serializers.CharField()
    tag = TagNumbersAnswer(allow_null=True)


class SheetFlagAnswer(serializers.Serializer[Any]):
    """A flag on a visit sheet."""

    id = serializers.IntegerField()
    kind = serializers.ChoiceField(choices=DriftFlag.Kind.values)
    level = serializers.ChoiceField(choices=DriftFlag.Level.values)
    status = serializers.ChoiceField(choices=DriftFlag.Status.values)
    on = serializers.DateField(help_text="When it was measured; when opened, where nothing was.")
    says = serializers.CharField()
    likely = CauseAnswer(allow_null=True)


class SheetPositionAnswer(serializers.Serializer[Any]):
    """A position of a machine, with its sensor's last and expected numbers."""

    position = serializers.CharField()
    installed_on = serializers.DateField()
    sensor = SheetSensorAnswer()
    due_on = serializers.DateField(allow_null=True)
    due = serializers.ChoiceField(choices=["", "overdue", "due", "later"])
    due_because = serializers.CharField(allow_blank=True)
    last = LastNumbersAnswer(allow_null=True)
    expected = ExpectedNumbersAnswer(allow_null=True)
    flags = SheetFlagAnswer(many=True)


class SheetMachineAnswer(serializers.Serializer[Any]):
    """A machine on a visit sheet, the earliest due first."""

    id = serializers.IntegerField()
    serial = serializers.CharField()
    name = serializers.CharField(allow_blank=True)
    model = serializers.CharField()
    kind = serializers.CharField()
    due_on = serializers.DateField(allow_null=True)
    due = serializers.ChoiceField(choices=["", "overdue", "due", "later"])
    positions = SheetPositionAnswer(many=True)


class SheetDealerAnswer(serializers.Serializer[Any]):
    """The dealer who comes."""

    id = serializers.IntegerField()
    code = serializers.CharField()
    name = serializers.CharField()
    timezone = serializers.CharField()
    load_unit = serializers.ChoiceField(choices=LOADS)
    pressure_unit = serializers.ChoiceField(choices=PRESSURES)


class SheetCustomerAnswer(serializers.Serializer[Any]):
    """The customer; contact data where the caller may see it."""

    id = serializers.IntegerField()
    name = serializers.CharField()
    email = serializers.CharField(required=False, allow_blank=True)
    phone = serializers.CharField(required=False, allow_blank=True)


class VisitSheetAnswer(serializers.Serializer[Any]):
    """One customer, all machines: last season's numbers, expected ranges, the steps."""

    issued_at = serializers.DateTimeField()
    issued_on = serializers.DateField()
    season = serializers.IntegerField()
    season_starts = serializers.DateField()
    dealer = SheetDealerAnswer()
    customer = SheetCustomerAnswer()
    machines = SheetMachineAnswer(many=True)
    basis = serializers.CharField()
    cautions = serializers.ListField(child=serializers.CharField())
    steps = serializers.ListField(child=serializers.CharField())


# ── Personal data ──────────────────────────────────────────────────────────────
class PersonAnswer(serializers.Serializer[Any]):
    """The customer as a person."""

    id = serializers.IntegerField()
    dealer = serializers.CharField()
    name = serializers.CharField()
    email = serializers.CharField(allow_blank=True)
    phone = serializers.CharField(allow_blank=True)
    latitude = serializers.FloatField(allow_null=True)
    longitude = serializers.FloatField(allow_null=True)


class PersonMachineAnswer(serializers.Serializer[Any]):
    """A machine of the person's."""

    serial = serializers.CharField()
    name = serializers.CharField(allow_blank=True)


class PersonVisitAnswer(serializers.Serializer[Any]):
    """A visit to the person."""

    planned_on = serializers.DateField()
    status = serializers.ChoiceField(choices=Visit.Status.values)
    note = serializers.CharField(allow_blank=True)


class PersonBlackoutAnswer(serializers.Serializer[Any]):
    """Days on which the person cannot be visited."""

    first_day = serializers.DateField()
    last_day = serializers.DateField()
    reason = serializers.CharField(allow_blank=True)


class PersonMailAnswer(serializers.Serializer[Any]):
    """A message in which the person is named."""

    day = serializers.DateField()
    subject = serializers.CharField()
    lines = serializers.ListField(child=serializers.CharField())


class PersonRecordAnswer(serializers.Serializer[Any]):
    """A sealed record whose words name the person."""

    id = serializers.UUIDField()
    performed_at = serializers.DateTimeField()
    technician = serializers.CharField(allow_blank=True)
    note = serializers.CharField(allow_blank=True)
    supersede_reason = serializers.CharField(allow_blank=True)


class PersonChangeAnswer(serializers.Serializer[Any]):
    """A change in the trail that names the person."""

    at = serializers.DateTimeField()
    what = serializers.CharField()
    before = serializers.DictField(allow_null=True)
    after = serializers.DictField(allow_null=True)


class PersonalDataAnswer(serializers.Serializer[Any]):
    """Everything that is kept about a customer as a person."""

    customer = PersonAnswer()
    machines = PersonMachineAnswer(many=True)
    visits = PersonVisitAnswer(many=True)
    blackouts = PersonBlackoutAnswer(many=True)
    e_mails = PersonMailAnswer(many=True)
    records = PersonRecordAnswer(many=True)
    changes = PersonChangeAnswer(many=True)


# ── A reference and its calibrations ───────────────────────────────────────────
class AffectedCalibrationAnswer(serializers.Serializer[Any]):
    """A calibration made with the reference: its verdict as measured and as corrected."""

    id = serializers.UUIDField()
    sensor = serializers.IntegerField()
    sensor_serial = serializers.CharField()
    machine_serial = serializers.CharField(allow_blank=True)
    performed_at = serializers.DateTimeField()
    season = serializers.IntegerField(allow_null=True)
    verdict = serializers.ChoiceField(choices=Verdict.values, allow_null=True)
    verdict_as_measured = serializers.ChoiceField(choices=Verdict.values, allow_null=True)
    reference_moved = serializers.FloatField(allow_null=True)
    common_change_pct = serializers.FloatField(allow_null=True)
    u_common_change_pct = serializers.FloatField(allow_null=True)
    corrected_slope_change_pct = serializers.FloatField(allow_null=True)
    u_corrected_slope_change_pct = serializers.FloatField(allow_null=True)
    corrected_p_out_slope = serializers.FloatField(allow_null=True)
    slope_change_pct = serializers.FloatField(allow_null=True)
    u_slope_change_pct = serializers.FloatField(allow_null=True)
    p_out_slope = serializers.FloatField(allow_null=True)
    causes = CauseAnswer(many=True)


class MovedTogetherAnswer(serializers.Serializer[Any]):
    """A day on which all cells moved by a common amount."""

    day = serializers.DateField()
    common_slope_change_pct = serializers.FloatField()
    flag = serializers.IntegerField()
    status = serializers.ChoiceField(choices=DriftFlag.Status.values)


class AffectedAnswer(serializers.Serializer[Any]):
    """Every calibration made with a reference, day by day."""

    reference = serializers.IntegerField()
    reference_name = serializers.CharField()
    relative_uncertainty_pct = serializers.FloatField()
    valid_until = serializers.DateField(allow_null=True)
    calibrations = AffectedCalibrationAnswer(many=True)
    moved_together = MovedTogetherAnswer(many=True)


# ── A dealer's season and chains ───────────────────────────────────────────────
class WeekAnswer(serializers.Serializer[Any]):
    """Machines planned and done in one week."""

    week = serializers.DateField(help_text="Its Monday.")
    machines_planned = serializers.IntegerField()
    machines_done = serializers.IntegerField()
    planned_so_far = serializers.IntegerField()
    done_so_far = serializers.IntegerField()


class UnplannedAnswer(serializers.Serializer[Any]):
    """A customer without a day, and why."""

    customer = serializers.IntegerField()
    customer_name = serializers.CharField()
    machines = serializers.IntegerField()
    sensors = serializers.IntegerField()
    due_on = serializers.DateField()
    reason = serializers.CharField()


class LastPlanAnswer(serializers.Serializer[Any]):
    """How the last plan was made, and what it could not place."""

    planned_at = serializers.DateTimeField()
    made_by = serializers.CharField()
    says = serializers.CharField()
    cost = serializers.FloatField()
    greedy_cost = serializers.FloatField()
    unplanned = UnplannedAnswer(many=True)


class ReadinessAnswer(serializers.Serializer[Any]):
    """How far a dealer is with the season to come."""

    dealer = serializers.IntegerField()
    dealer_code = serializers.CharField()
    today = serializers.DateField()
    season = serializers.IntegerField()
    season_starts_on = serializers.DateField()
    last_working_day = serializers.DateField()
    sensors = serializers.IntegerField()
    sensors_ready = serializers.IntegerField()
    share_ready = serializers.FloatField(allow_null=True)
    machines = serializers.IntegerField()
    machines_ready = serializers.IntegerField()
    overdue = serializers.IntegerField()
    sensors_planned = serializers.IntegerField()
    sensors_not_planned = serializers.IntegerField()
    forecast_share_ready = serializers.FloatField(allow_null=True)
    weeks = WeekAnswer(many=True)
    plan = LastPlanAnswer(allow_null=True)


class CheckpointKeyAnswer(serializers.Serializer[Any]):
    """The key that signed it."""

    id = serializers.CharField()
    public = serializers.CharField()


class CheckpointAnswer(serializers.Serializer[Any]):
    """Where every chain of a dealer's records ends, signed (Ed25519)."""

    format = serializers.CharField()
    dealer = serializers.CharField()
    at = serializers.CharField()
    chains = serializers.ListField(
        child=serializers.ListField(), help_text="Each: serial, kind, records, head."
    )
    # `root` is the name of something else in a serializer: it is put in below.
    key = CheckpointKeyAnswer()
    signature = serializers.CharField()

    def get_fields(self) -> dict[str, Any]:
        """Return the fields with `root`."""
        return {**super().get_fields(), "root": serializers.CharField()}
