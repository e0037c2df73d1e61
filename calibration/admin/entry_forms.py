"""The forms that a technician fills on the spot: a calibration, a functional test.

They read what was typed; whether it can be is the records service's to say, and `place_errors`
puts each of its problems at the field that it names.
"""

import re
import uuid
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, ClassVar
from zoneinfo import ZoneInfo

from django import forms

from calibration.drafts import resolve_moment
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
from fleet.admin.refusals import explain
from fleet.errors import DomainError, Invalid
from fleet.models import Sensor
from fleet.scope import Scope

if TYPE_CHECKING:
    FormSet = forms.BaseFormSet[Any]
else:
    FormSet = forms.BaseFormSet

MOMENT_HELP = "Day and time at the dealer, like 2026-03-28 09:10; or with an offset."
EMPTY = [("", "")]
MOST_ABREAST = 3
# The first zone of the world to reach a day. A moment without an offset, of a sensor that is not
# known, is no earlier than there: what is in the future there is in the future everywhere.
EARLIEST = ZoneInfo("Etc/GMT-14")


# One comma between digits, and nothing else, is a decimal comma ...
COMMA = re.compile(r"([+-]?)([0-9]*),([0-9]+)")
# ... unless it may part the thousands: 1 to 3 digits, the first no zero, before it, 3 behind it.
THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")


class NumberField(forms.FloatField):
    """A number typed with a decimal point or comma; what was typed is kept as it was typed."""

    default_error_messages = {
        "invalid": "Not a number. Accepted: digits with a decimal point or a decimal comma, "
        "thousands written together.",
        "ambiguous": "%(typed)s may be %(whole)s or %(parted)s. Write %(whole)s or %(parted)s.",
    }

    def __init__(self, *, unit_field: str = "", **options: Any) -> None:
        self.unit_field, self.unit = unit_field, ""  # whose choice it is typed in, and that choice
        widget = forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"})
        super().__init__(widget=widget, **options)

    def to_python(self, value: Any) -> Any:
        """Read a decimal comma as a point, where it can be nothing else."""
        typed = str(value or "").strip()
        if THOUSANDS.fullmatch(typed):
            readings = {"whole": typed.replace(",", ""), "parted": typed.replace(",", ".")}
            raise forms.ValidationError(
                self.error_messages["ambiguous"],
                code="ambiguous",
                params={"typed": typed} | readings,
            )
        if "_" in typed:  # Python would read 1_000
            raise forms.ValidationError(self.error_messages["invalid"], code="invalid")
        return super().to_python(COMMA.sub(r"\1\2.\3", typed) if COMMA.fullmatch(typed) else value)


class EntryForm(forms.Form):
    """What both records have in common."""

    record: ClassVar[type[Calibration | FunctionalTest]]

    id = forms.UUIDField(widget=forms.HiddenInput)
    sensor = forms.CharField(
        label="Sensor serial",
        max_length=40,
        widget=forms.TextInput(attrs={"autocapitalize": "characters", "autocomplete": "off"}),
    )
    performed_at = forms.CharField(label="When", max_length=40, help_text=MOMENT_HELP)
    technician = forms.CharField(max_length=80, required=False)
    note = forms.CharField(
        max_length=2000, required=False, widget=forms.Textarea(attrs={"rows": 2})
    )
    supersedes = forms.UUIDField(widget=forms.HiddenInput, required=False)
    supersede_reason = forms.CharField(
        label="Why the earlier record is replaced", max_length=200, required=False
    )

    def __init__(self, *args: Any, scope: Scope, **kwargs: Any) -> None:
        self.scope = scope
        super().__init__(*args, **kwargs)

    def clean_sensor(self) -> Sensor:
        """Return the sensor of this serial, if the caller may see it."""
        serial = self.cleaned_data["sensor"].strip()
        rows = Sensor.objects.visible_to(self.scope).select_related("model", "dealer")
        found = rows.filter(serial__iexact=serial).first()
        if found is None:
            raise forms.ValidationError(
                f"No sensor {serial!r} at your dealers. Accepted: the serial of a registered one."
            )
        assert isinstance(found, Sensor)
        return found

    def clean_supersedes(self) -> Any:
        """Return the record that this one replaces, where it does."""
        key = self.cleaned_data["supersedes"]
        if key is None:
            return None
        found = self.record.objects.visible_to(self.scope).filter(pk=key).first()
        if found is None:
            raise forms.ValidationError("There is no such record.")
        return found

    def clean(self) -> dict[str, Any]:
        """Read the moment; without an offset it is the clock of the sensor's dealer."""
        typed = self.cleaned_data
        if "performed_at" in typed:
            zone = typed["sensor"].dealer.zone if "sensor" in typed else EARLIEST
            try:
                typed["performed_at"] = resolve_moment(typed["performed_at"], zone)
            except Invalid as refusal:
                place_errors(self, None, refusal, {})
        return typed


class CalibrationForm(EntryForm):
    """A calibration, without its points."""

    record = Calibration

    reason = forms.ChoiceField(choices=Reason.choices, initial=Reason.SEASONAL)
    stage = forms.ChoiceField(choices=Stage.choices, initial=Stage.AS_FOUND)
    reference = forms.ModelChoiceField(
        queryset=ReferenceStandard.objects.none(),
        required=False,
        empty_label="none: the unit's own weight",
    )
    load_unit = forms.ChoiceField(choices=units.choices(units.LOAD))
    reading_unit = forms.ChoiceField(choices=units.choices(units.READING))
    temperature_c = NumberField(label="Temperature, °C", required=False)
    hydraulic_pressure = NumberField(
        label="Circuit pressure at zero", required=False, help_text="Bled to zero, it reads 0."
    )
    pressure_unit = forms.ChoiceField(
        choices=EMPTY + units.choices(units.PRESSURE), required=False
    )

    def __init__(self, *args: Any, scope: Scope, **kwargs: Any) -> None:
        super().__init__(*args, scope=scope, **kwargs)
        field = self.fields["reference"]
        assert isinstance(field, forms.ModelChoiceField)
        field.queryset = ReferenceStandard.objects.visible_to(scope).select_related("dealer")


class RowForm(forms.Form):
    """A row of a table; it counts as filled once a number stands in it."""

    def has_changed(self) -> bool:
        """Whether anything was typed; a choice alone is nothing."""
        return any(
            str(self[name].data or "").strip()
            for name, field in self.fields.items()
            if not isinstance(field, forms.ChoiceField)
        )


class PointForm(RowForm):
    """One load and the reading at it."""

    load = NumberField(unit_field="load_unit")
    reading = NumberField(unit_field="reading_unit")
    direction = forms.ChoiceField(choices=Direction.choices, initial=Direction.UP)


class FunctionalForm(EntryForm):
    """A functional test, without its setpoints."""

    record = FunctionalTest

    load_unit = forms.ChoiceField(choices=units.choices(units.LOAD))
    pressure_unit = forms.ChoiceField(choices=units.choices(units.PRESSURE))

    def clean(self) -> dict[str, Any]:
        """Find the place where the sensor sat at that time; of a test sent again, its own."""
        typed = super().clean()
        if "sensor" in typed and "performed_at" in typed:
            stored = stored_test(typed.get("id"), typed["sensor"])
            place = (
                stored.installation
                if stored
                else installation_at(typed["sensor"], typed["performed_at"])
            )
            if place is None:
                said = "It was not installed anywhere on that day. Accepted: a sensor in place."
                self.add_error("sensor", said)
            else:
                typed["installation"] = place
        return typed


class StepForm(RowForm):
    """One setpoint and what came of it."""

    commanded = NumberField(unit_field="load_unit")
    displayed_mean = NumberField(label="Displayed", unit_field="load_unit")
    displayed_min = NumberField(label="Lowest", required=False, unit_field="load_unit")
    displayed_max = NumberField(label="Highest", required=False, unit_field="load_unit")
    pressure = NumberField(label="Pressure", required=False, unit_field="pressure_unit")
    observed = forms.ChoiceField(choices=Observed.choices, initial=Observed.STEADY)


class Rows(FormSet):
    """Rows of which the empty ones are left out."""

    def in_units_of(self, form: EntryForm) -> None:
        """Say in which of the form's units each number is typed."""
        for row in self.forms:
            for field in row.fields.values():
                if isinstance(field, NumberField) and field.unit_field:
                    field.unit = form[field.unit_field].value() or ""

    @property
    def wide(self) -> bool:
        """Whether a row has more fields than stand side by side on a phone."""
        return len(self.form.base_fields) > MOST_ABREAST

    def initial_form_count(self) -> int:
        """Count no row as one that must be filled, once the page is sent."""
        return 0 if self.is_bound else super().initial_form_count()

    def filled(self) -> list[tuple[int, dict[str, Any]]]:
        """Return the number of each filled row and what it holds."""
        return [
            (number, form.cleaned_data)
            for number, form in enumerate(self.forms)
            if form.has_changed()
        ]


PointRows = forms.formset_factory(PointForm, formset=Rows, extra=6, max_num=60)
StepRows = forms.formset_factory(StepForm, formset=Rows, extra=4, max_num=50)


def fresh_id() -> uuid.UUID:
    """Return the identity that a form carries, so that sending it twice is one record."""
    return uuid.uuid4()


def place_errors(
    form: EntryForm, rows: Any, refusal: DomainError, numbers: Mapping[int, int]
) -> None:
    """Put each problem at its field: `points.1.reading`, `conditions.temperature_c`, `sensor`.

    `numbers` says which row of the page each point or step of the draft came from.
    """
    for problem in refusal.problems:
        parts = problem.field.split(".")
        said = explain(problem)
        if len(parts) == 3 and parts[1].isdecimal() and int(parts[1]) in numbers:
            row = rows.forms[numbers[int(parts[1])]]
            row.add_error(parts[2] if parts[2] in row.fields else None, said)
        else:
            form.add_error(parts[-1] if parts[-1] in form.fields else None, said)
