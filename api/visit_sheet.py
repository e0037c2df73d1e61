"""The visit sheet as the OpenAPI description shows it; `calibration.documents` makes it."""

from typing import Any

from rest_framework import serializers

from api.answers import LOADS, PRESSURES, READINGS, CauseAnswer, PointAnswer
from calibration.models import DriftFlag, Reason, Stage, Verdict


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

    calibration = serializers.UUIDField(help_text="The newest that is to be believed.")
    performed_on = serializers.DateField()
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
    doubt = CauseAnswer(
        allow_null=True, help_text="Why these numbers are not to be believed; null: they are."
    )


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
