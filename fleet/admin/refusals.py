"""How a service's refusal reaches the person: each problem beside its field."""

from typing import TYPE_CHECKING, Any, ClassVar

from django import forms

from fleet.errors import DomainError, Problem

if TYPE_CHECKING:
    ModelForm = forms.ModelForm[Any]
else:
    ModelForm = forms.ModelForm


def explain(problem: Problem) -> str:
    """Return what a person reads beside the field: the reason and what would be accepted."""
    accepted = f" Accepted: {problem.accepted}." if problem.accepted else ""
    return f"{problem.reason.rstrip('.')}.{accepted}"


def put_errors(form: forms.BaseForm, refusal: DomainError) -> None:
    """Put a service's problems at their fields, or above the form where there is no such field."""
    for problem in refusal.problems:
        field = problem.field if problem.field in form.fields else None
        form.add_error(field, explain(problem))


class RefusalForm(ModelForm):
    """A form that shows what a service refused, in the second pass over the same request."""

    refusal: ClassVar[DomainError | None] = None

    def clean(self) -> dict[str, Any] | None:
        """Check the form; add what the service said."""
        cleaned = super().clean()
        if self.refusal is not None:
            put_errors(self, self.refusal)
        return cleaned
