"""Signing in to the desk: the form, the page of who guessed too often, and one's second factor."""

from typing import TYPE_CHECKING, Any

import django_otp
import segno
from django import forms
from django.contrib import messages
from django.contrib.admin import AdminSite
from django.contrib.admin.forms import AdminAuthenticationForm
from django.contrib.auth.signals import user_login_failed
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.template.response import TemplateResponse
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_protect
from django.views.decorators.debug import sensitive_post_parameters

from fleet import guessing, second_factor
from fleet.admin.door import is_let_in, scope_in
from fleet.admin.refusals import put_errors
from fleet.errors import DomainError
from fleet.models import User

if TYPE_CHECKING:
    from collections.abc import Sequence

CODE = forms.TextInput(attrs={"autocomplete": "one-time-code", "autocapitalize": "none"})


class SignInForm(AdminAuthenticationForm):
    """User name, password, and the code of whoever has a second factor."""

    otp = forms.CharField(
        label="Code",
        required=False,
        max_length=24,
        widget=CODE,
        help_text="Of your authenticator, or a recovery code; only if you set one up.",
    )

    def clean(self) -> dict[str, Any]:
        """Check the password first, then the code: each failure counts."""
        values: dict[str, Any] = super().clean()
        person: User | None = self.get_user()
        if person is None or person.second_factor_since is None:
            return values
        code = values.get("otp", "")
        if not code:
            raise ValidationError("Give the code that your authenticator shows, too.", "code")
        device = second_factor.check(person, code)
        if device is None:
            user_login_failed.send(
                sender=__name__,
                credentials={"username": person.get_username()},
                request=self.request,
            )
            raise ValidationError("That is not the code, or it was used already.", "code")
        person.otp_device = device  # type: ignore[attr-defined] # django-otp keeps it in the session
        return values


class CodeForm(forms.Form):
    """One code."""

    code = forms.CharField(label="Code", max_length=24, widget=CODE)


def before_signing_in(site: AdminSite, request: HttpRequest) -> HttpResponse | None:
    """Return the page for who has to wait or to enrol first; None for everybody else."""
    if request.method == "POST":
        wait = guessing.wait(request, request.POST.get("username", "")[:255], now=timezone.now())
        return locked_page(request, wait) if wait > 0 else None
    if _has_to_enrol(request):
        return HttpResponseRedirect(reverse("admin:second_factor"))
    return None


def locked_out(request: HttpRequest, *_: Any) -> HttpResponse:
    """Answer the failure that was one too many (AXES_LOCKOUT_CALLABLE)."""
    username = request.POST.get("username", "")[:255]
    return locked_page(request, guessing.wait(request, username, now=timezone.now()))


def locked_page(request: HttpRequest, seconds: float) -> HttpResponse:
    """Say that somebody has to wait, and how long; not whether the name or password is right."""
    minutes = max(1, round(seconds / 60 + 0.49))
    answer = render(
        request,
        "desk/locked.html",
        {"title": "Wait before the next try", "minutes": minutes},
        status=429,
    )
    answer.headers["Retry-After"] = str(max(1, round(seconds)))
    return answer


def _is_inside(request: HttpRequest) -> bool:
    """Whether a staff account with a role is signed in, with all that it has to give."""
    person, scope = request.user, scope_in(request)
    staff = isinstance(person, User) and person.is_active and person.is_staff
    return staff and (scope.everywhere or bool(scope.dealers))


def _has_to_enrol(request: HttpRequest) -> bool:
    return (
        _is_inside(request)
        and not is_let_in(request)
        and getattr(request.user, "second_factor_since", None) is None
    )


@never_cache
@csrf_protect
@sensitive_post_parameters()
def second_factor_page(request: HttpRequest, *, site: AdminSite) -> HttpResponse:
    """Show and change one's own second factor; also to who may do nothing else before."""
    inside = _is_inside(request) and (is_let_in(request) or _has_to_enrol(request))
    if not inside:
        return redirect_to_login(request.get_full_path(), reverse("admin:login"))
    person = User.objects.get(username=request.user.get_username())
    form = CodeForm(request.POST or None)
    codes: Sequence[str] = ()
    if request.method == "POST" and form.is_valid():
        try:
            done = _act(request, person, form)
        except DomainError as refusal:
            put_errors(form, refusal)
        else:
            if isinstance(done, HttpResponse):
                return done
            codes, form = done, CodeForm() if done else form
    return TemplateResponse(
        request, "desk/second_factor.html", _context(site, request, person, form, codes)
    )


def _act(request: HttpRequest, person: User, form: CodeForm) -> "HttpResponse | Sequence[str]":
    """Do what was asked; return the recovery codes to show, or where to go."""
    code, action = form.cleaned_data["code"], request.POST.get("action", "")
    if person.second_factor_since is None:
        device, codes = second_factor.enrol(person, code, now=timezone.now())
        django_otp.login(request, device)
        request.session.cycle_key()
        return codes
    if second_factor.check(person, code) is None:
        form.add_error("code", "That is not the code, or it was used already.")
        return ()
    if action == "codes":
        return second_factor.new_recovery_codes(person)
    second_factor.remove(person, by=scope_in(request))
    # The session rested on what is gone; else the next page would look for it, and write.
    request.session.pop(django_otp.DEVICE_ID_SESSION_KEY, None)
    messages.success(request, "The second factor is removed, with the tokens it opened.")
    return HttpResponseRedirect(reverse("admin:index"))


def _context(
    site: AdminSite,
    request: HttpRequest,
    person: User,
    form: CodeForm,
    codes: "Sequence[str]",
) -> dict[str, Any]:
    context = {
        **site.each_context(request),
        "title": "Second factor",
        "form": form,
        "codes": codes,
        "enrolled": person.second_factor_since,
        "obliged": second_factor.is_obliged(scope_in(request)),
    }
    if person.second_factor_since is None:
        device = second_factor.offered(person)
        picture = segno.make(device.config_url, error="m")
        context |= {"picture": picture.svg_data_uri(scale=5), "key": _spelled(device.bin_key)}
    else:
        context["left"] = second_factor.left(person)
    return context


def _spelled(key: bytes) -> str:
    """Return a key as a person types it: letters and digits in fours."""
    from base64 import b32encode

    text = b32encode(key).decode().rstrip("=")
    return " ".join(text[at : at + 4] for at in range(0, len(text), 4))
