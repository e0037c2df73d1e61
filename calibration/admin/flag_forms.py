"""What a person says when flags are decided: why, who, what they share."""

from collections.abc import Mapping, Sequence
from typing import Any

from django import forms

from calibration import triage
from calibration.models import DriftFlag
from fleet import access
from fleet.admin.refusals import explain
from fleet.errors import DomainError
from fleet.models import User
from fleet.scope import Scope

PLAIN = {"autocomplete": "off"}


class ReasonForm(forms.Form):
    """Why flags are closed."""

    reason = forms.CharField(
        label="Because",
        max_length=200,
        widget=forms.TextInput(attrs=PLAIN),
        help_text="3 to 200 characters; it stays with the flag.",
    )


class CauseForm(forms.Form):
    """What flags share."""

    cause = forms.CharField(
        label="They share one cause:",
        max_length=200,
        widget=forms.TextInput(attrs=PLAIN),
        help_text="3 to 200 characters, like: reference LC-7 dropped in March.",
    )


class PersonForm(forms.Form):
    """Who sees to flags."""

    person = forms.ModelChoiceField(
        label="Who sees to it",
        queryset=User.objects.none(),
        required=False,
        empty_label="nobody",
    )


def keep_typed(form: forms.Form | None, refusal: DomainError) -> list[str]:
    """Put each problem at its field, beside what was typed; return those that have none here."""
    rest = []
    for problem in refusal.problems:
        if form is not None and problem.field in form.fields:
            form.add_error(problem.field, explain(problem))
        else:
            rest.append(str(problem))
    return rest


def person_form(
    rows: Sequence[DriftFlag],
    scope: Scope,
    *,
    data: Mapping[str, Any] | None = None,
    start: int | None = None,
) -> PersonForm:
    """Return the form with those to whom the caller may give flags of these dealers."""
    form = PersonForm(data, initial={"person": start})
    people = User.objects.filter(pk=scope.user_id or 0)
    dealers = {row.sensor.dealer_id for row in rows}
    if len(dealers) == 1:
        (dealer,) = dealers
        if access.may(scope, "assign", "flags", dealer):
            people = triage.people_at(dealer)
    field = form.fields["person"]
    assert isinstance(field, forms.ModelChoiceField)
    field.queryset = people
    return form
