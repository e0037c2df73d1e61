"""The page on which one sensor takes another's place, on one day."""

from dataclasses import dataclass
from datetime import date
from typing import Any

from django import forms
from django.db import transaction
from django.http import HttpRequest
from django.utils import timezone

from calibration import following
from fleet import registry
from fleet.admin.door import scope_in
from fleet.admin.refusals import put_errors
from fleet.errors import Conflict, DomainError
from fleet.models import Installation, Sensor
from fleet.scope import Scope
from fleet.updating import hold


class ReplaceForm(forms.Form):
    """Which sensor comes, and on which day."""

    sensor = forms.CharField(
        label="Serial of the new sensor",
        max_length=40,
        widget=forms.TextInput(attrs={"autocapitalize": "characters", "autocomplete": "off"}),
        help_text="It is registered, and sits on no machine.",
    )
    on = forms.DateField(label="Day", widget=forms.DateInput(attrs={"type": "date"}))

    def __init__(self, *args: Any, scope: Scope, **kwargs: Any) -> None:
        self.scope = scope
        super().__init__(*args, **kwargs)

    def clean_sensor(self) -> Sensor:
        """Return the sensor of this serial, if the caller may see it."""
        serial = self.cleaned_data["sensor"].strip()
        rows = Sensor.objects.visible_to(self.scope)
        found: Sensor | None = rows.filter(serial__iexact=serial).first()
        if found is None:
            raise forms.ValidationError(
                f"No sensor {serial!r} at your dealers. Accepted: the serial of a registered one."
            )
        return found


@dataclass(frozen=True)
class Outcome:
    """Where the old sensor sits (None: nowhere any more), the form, and what came of it."""

    place: Installation | None
    form: ReplaceForm
    new: Installation | None


def ask(request: HttpRequest, sensor: Sensor) -> Outcome:
    """Read the form; where it is sent, put the new sensor in the place of the old one.

    Sent twice at once, the second waits for the first and answers what that has done.
    """
    if request.method != "POST":
        return _read(request, sensor)
    with transaction.atomic():
        hold(sensor)
        return _read(request, sensor)


def _read(request: HttpRequest, sensor: Sensor) -> Outcome:
    scope = scope_in(request)
    place = _here(sensor, scope)
    zone = (place.machine.customer.dealer if place else sensor.dealer).zone
    today = timezone.now().astimezone(zone).date()
    sent = request.POST if request.method == "POST" else None
    form = ReplaceForm(sent, scope=scope, initial={"on": today})
    if not form.is_valid():
        return Outcome(place, form, None)
    if place is None:
        return Outcome(None, form, _done_already(form, sensor))
    return Outcome(place, form, _replace(form, place, today))


def _here(sensor: Sensor, scope: Scope) -> Installation | None:
    rows = Installation.objects.visible_to(scope).filter(sensor=sensor, removed_on__isnull=True)
    found: Installation | None = rows.select_related("sensor", "machine__customer__dealer").first()
    return found


def _done_already(form: ReplaceForm, sensor: Sensor) -> Installation | None:
    """Return what the same form has done already."""
    rows, on = Installation.objects.visible_to(form.scope), form.cleaned_data["on"]
    left = rows.filter(sensor=sensor, removed_on=on).first()
    now_there = rows.filter(sensor=form.cleaned_data["sensor"], installed_on=on)
    found: Installation | None = (
        left and now_there.filter(machine=left.machine_id, position=left.position).first()
    )
    return found


def _replace(form: ReplaceForm, place: Installation, today: date) -> Installation | None:
    """Return what sits there now; None where it was refused, which the form then says."""
    chosen, now = form.cleaned_data, timezone.now()
    try:
        with transaction.atomic():
            if chosen["on"] > today:
                raise Conflict("A sensor is replaced today or was before; that day is to come.")
            new = registry.replace_sensor(
                scope=form.scope, installation=place, sensor=chosen["sensor"], on=chosen["on"]
            )
            following.sensors_moved(place, new, now=now)
    except DomainError as refusal:
        put_errors(form, refusal)
        return None
    return new
