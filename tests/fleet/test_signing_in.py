"""The desk's door: lock-out, the second factor, and what the policy asks of whom."""

import base64
import re
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from axes.models import AccessAttempt, AccessLog
from django.contrib.sessions.models import Session
from django.core.cache import cache
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from django_otp import DEVICE_ID_SESSION_KEY

from fleet import guessing, second_factor
from fleet.models import AccessToken, User
from fleet.scope import Scope
from tests.authenticator import code
from tests.conftest import NOW, PASSWORD
from tests.desk import signed_in, without_files

LOGIN, OWN, TODAY = "/admin/login/", "/admin/second-factor/", "/admin/"


@pytest.fixture(autouse=True)
def _fresh(settings):
    without_files(settings)
    cache.clear()


@pytest.fixture
def locks(settings):
    settings.AXES_ENABLED = True


def sign_in(client, username="techA", password=PASSWORD, otp="", **more):
    form = {"username": username, "password": password, "otp": otp, "next": TODAY}
    return client.post(LOGIN, form, **more)


def enrol(person):
    key = second_factor.offered(person).bin_key
    with time_machine.travel(NOW):
        _, codes = second_factor.enrol(person, code(key), now=NOW)
    return key, codes


# ── The authenticator ─────────────────────────────────────────────────────────
@pytest.mark.golden
@pytest.mark.parametrize(
    ("seconds", "expected"),
    [(59, "94287082"), (1111111109, "07081804"), (1111111111, "14050471"),
     (1234567890, "89005924"), (2000000000, "69279037"), (20000000000, "65353130")],
)  # fmt: skip
def test_codes_are_those_of_the_standard(seconds, expected):
    """RFC 6238, appendix B, SHA-1; our oracle and the library that checks codes."""
    from django_otp.oath import totp

    key = b"12345678901234567890"
    assert code(key, seconds, digits=8) == expected
    with time_machine.travel(datetime.fromtimestamp(seconds, UTC), tick=False):
        assert f"{totp(key, step=30, digits=8):08d}" == expected


# ── Enrolling ─────────────────────────────────────────────────────────────────
def test_enrolling_by_the_page(world):
    person = world.users["managerA"]
    person.auth_token_set.create(name="given for the password")
    client = signed_in(person)
    shown = client.get(OWN)
    text = shown.content.decode()
    assert "data:image/svg+xml" in text
    assert "default-src 'none'" in shown["Content-Security-Policy"]
    assert " style=" not in text
    (spelled,) = re.findall(r"into it: <code>([A-Z2-7 ]+)</code>", text)
    key = base64.b32decode(spelled.replace(" ", ""))
    assert key == second_factor.offered(person).bin_key
    wrong = client.post(OWN, {"code": "000000" if code(key) != "000000" else "111111"})
    assert b"That is not the code" in wrong.content
    assert User.objects.get(pk=person.pk).second_factor_since is None
    done = client.post(OWN, {"code": code(key), "action": "enrol"})
    codes = re.findall(r"<code>([a-z2-7-]{19})</code>", done.content.decode())
    assert len(set(codes)) == 10
    assert client.get(TODAY).status_code == 200
    assert b"It is set up" in client.get(OWN).content
    assert not AccessToken.objects.exists()
    # Another browser of the same person began with the password alone: it is outside now.
    assert codes[0] not in client.get(OWN).content.decode()


def test_the_picture_holds_the_key(world):
    """The address in the QR code is that of the key URI format, without asking any server."""
    device = second_factor.offered(world.users["techA"])
    key = base64.b32encode(device.bin_key).decode()
    assert device.config_url.startswith("otpauth://totp/Spanbook%3AtechA?")
    assert f"secret={key}" in device.config_url


def test_other_browsers_must_sign_in_again_after_enrolling(world):
    person = world.users["techA"]
    other = signed_in(person)
    assert other.get(TODAY).status_code == 200
    enrol(person)
    assert other.get(TODAY).status_code == 302
    assert other.get(OWN).status_code == 302  # neither can it look at the codes or the key
    assert other.get("/api/v1/sensors/").status_code == 401


def test_signing_in_needs_the_code_then(world):
    key, codes = enrol(world.users["techA"])
    client = Client()
    answer = sign_in(client)
    assert b"Give the code" in answer.content
    assert "_auth_user_id" not in client.session
    assert b"That is not the code" in sign_in(client, otp=codes[0][:-1] + "1").content
    # A wrong code makes the next one wait a moment.
    with time_machine.travel(datetime.now(UTC) + timedelta(minutes=2), tick=False):
        assert sign_in(client, otp=code(key)).status_code == 302
        assert client.get(TODAY).status_code == 200
        assert b"That is not the code" in sign_in(Client(), otp=code(key)).content  # once
        assert sign_in(Client(), otp=codes[0]).status_code == 302
        assert b"That is not the code" in sign_in(Client(), otp=codes[0]).content


def test_new_codes_and_removing_need_a_code(world):
    _, codes = enrol(world.users["techA"])
    client = Client()
    sign_in(client, otp=codes[0])
    for action in ("codes", "remove"):
        assert b"not the code" in client.post(OWN, {"code": "123", "action": action}).content
        cache.clear()
        world.users["techA"].staticdevice_set.update(throttling_failure_count=0)
        world.users["techA"].totpdevice_set.update(throttling_failure_count=0)
    fresh = client.post(OWN, {"code": codes[1], "action": "codes"}).content.decode()
    new = re.findall(r"<code>([a-z2-7-]{19})</code>", fresh)
    assert len(new) == 10
    assert b"not the code" in client.post(OWN, {"code": codes[2], "action": "codes"}).content
    world.users["techA"].staticdevice_set.update(throttling_failure_count=0)
    assert client.post(OWN, {"code": new[0], "action": "remove"}).status_code == 302
    assert DEVICE_ID_SESSION_KEY not in client.session  # the session rests on nothing that is gone
    assert User.objects.get(username="techA").second_factor_since is None
    assert sign_in(Client()).status_code == 302


def test_enrolling_twice_is_a_conflict(world):
    from fleet.errors import Conflict, Forbidden

    enrol(world.users["techA"])
    with pytest.raises(Conflict):
        second_factor.enrol(world.users["techA"], "000000", now=NOW)
    with pytest.raises(Forbidden):
        second_factor.remove(world.users["techA"], by=world.scopes["managerA"])
    second_factor.remove(world.users["techA"], by=Scope.system())


# ── The policy ────────────────────────────────────────────────────────────────
def test_cross_dealer_roles_enrol_before_anything_else(world, settings):
    settings.SECOND_FACTOR = "cross-dealer"
    for name in ("reviewer", "admin"):
        client = Client()
        assert sign_in(client, name).status_code == 302
        answer = client.get(reverse("admin:fleet_sensor_changelist"), follow=True)
        assert answer.redirect_chain[-1][0] == OWN
        assert b"Your role needs a second factor" in answer.content
        assert client.post(reverse("admin:fleet_sensor_add"), {}).status_code == 302
        key = second_factor.offered(world.users[name]).bin_key
        client.post(OWN, {"code": code(key), "action": "enrol"})
        assert client.get(reverse("admin:fleet_sensor_changelist")).status_code == 200
    assert signed_in(world.users["managerA"]).get(TODAY).status_code == 200


def test_nobody_without_a_place_sees_the_page(world):
    assert Client().get(OWN).status_code == 302
    stray = User.objects.create_user("stray", password=PASSWORD, is_staff=True)
    assert signed_in(stray).get(OWN).status_code == 302
    assert signed_in(stray).post(OWN, {"code": "1"}).status_code == 302
    client = Client(enforce_csrf_checks=True)
    client.force_login(world.users["techA"])
    assert client.post(OWN, {"code": "1"}).status_code == 403


def test_who_lost_everything_is_helped_by_a_command(world, capsys):
    enrol(world.users["techA"])
    call_command("reset_second_factor", "techA")
    assert "is removed" in capsys.readouterr().out
    assert sign_in(Client()).status_code == 302
    for username, status in (("techA", 1), ("nobody", 2)):
        with pytest.raises(CommandError) as refused:
            call_command("reset_second_factor", username)
        assert refused.value.returncode == status


def test_an_administrator_removes_it_at_the_desk(world):
    from tests.desk import page

    enrol(world.users["techA"])
    data = {"action": "remove_second_factor",
            "_selected_action": [world.users[name].pk for name in ("techA", "techB")]}  # fmt: skip
    signed_in(world.users["managerA"]).post(page(User, "changelist"), data)
    assert User.objects.get(username="techA").second_factor_since == NOW
    answer = signed_in(world.users["admin"]).post(page(User, "changelist"), data, follow=True)
    assert b"1 row without a second factor now" in answer.content
    assert User.objects.get(username="techA").second_factor_since is None


# ── How much may be sent ──────────────────────────────────────────────────────
@pytest.mark.parametrize(
    ("path", "who", "megabytes", "refused"),
    [(LOGIN, None, 6, True), (LOGIN, None, 1, False),
     ("/admin/calibration/importrun/add/", None, 6, True),
     ("/admin/calibration/importrun/add/", "managerA", 6, False),
     ("/admin/fleet/sensor/add/", "managerA", 6, True)],
)  # fmt: skip
def test_a_form_brings_little_and_an_import_a_file(world, path, who, megabytes, refused):
    from django.core.files.uploadedfile import SimpleUploadedFile

    client = signed_in(world.users[who]) if who else Client(enforce_csrf_checks=refused)
    client.cookies["csrftoken"] = "c" * 32  # so that the form is read to look for the same there
    file = SimpleUploadedFile("x.csv", b"x" * (megabytes * 2**20))
    answer = client.post(path, {"file": file})
    assert (answer.status_code in {400, 413}) is refused, answer.status_code


# ── Lock-out ──────────────────────────────────────────────────────────────────
def test_guessing_at_the_desk_is_locked_with_a_page(world, locks, settings):
    client = Client()
    for _ in range(settings.AXES_FAILURE_LIMIT - 1):
        assert sign_in(client, password="guess").status_code == 200
    for answer in (sign_in(client, password="guess"), sign_in(client)):
        assert answer.status_code == 429
        assert b"Too many tries failed" in answer.content
        assert 0 < int(answer["Retry-After"]) <= 15 * 60
        assert "default-src 'none'" in answer["Content-Security-Policy"]
    assert sign_in(client, "managerA").status_code == 302  # another name from there
    assert sign_in(Client(), REMOTE_ADDR="192.0.2.7").status_code == 302  # the owner, elsewhere
    with time_machine.travel(datetime.now(UTC) + timedelta(minutes=16)):
        assert sign_in(Client()).status_code == 302


def test_one_lock_for_both_doors(world, locks, settings):
    client = Client()
    for _ in range(settings.AXES_FAILURE_LIMIT):
        sign_in(client, password="guess")
    answer = client.post(
        "/api/v1/tokens/", {"username": "techA", "password": PASSWORD}, "application/json"
    )
    assert answer.status_code == 429
    assert answer["Content-Type"] == "application/problem+json"


def test_many_names_from_one_address_are_slowed_down(world, locks):
    client = Client()
    statuses = [sign_in(client, f"name{n}", "guess").status_code for n in range(25)]
    assert statuses[:20] == [200] * 20
    assert set(statuses[20:]) == {429}


def test_wrong_codes_lock_like_wrong_passwords(world, locks, settings):
    enrol(world.users["techA"])
    client = Client()
    for _ in range(settings.AXES_FAILURE_LIMIT):
        answer = sign_in(client, otp="aaaa-bbbb")
    assert answer.status_code == 429
    assert "_auth_user_id" not in client.session


def test_nothing_secret_is_kept_of_an_attempt(world, locks):
    from axes.models import AccessAttempt

    sign_in(Client(), password="a-mistyped-password", otp="765432")
    kept = AccessAttempt.objects.get()
    assert "a-mistyped-password" not in f"{kept.post_data}{kept.get_data}"
    assert "765432" not in kept.post_data


def test_what_nobody_looks_at_any_more_is_forgotten(db):
    """Sign-ins are kept for 90 days, failures as long as they lock, sessions until they end."""
    now = timezone.now()
    kept, gone = timedelta(days=89), timedelta(days=91)
    for name, age in (("kept", kept), ("gone", gone)):
        log = AccessLog.objects.create(username=name, ip_address="192.0.2.7")
        AccessLog.objects.filter(pk=log.pk).update(attempt_time=now - age)
    for name, age in (("kept", timedelta(minutes=14)), ("gone", timedelta(hours=1))):
        tried = AccessAttempt.objects.create(
            username=name, ip_address="192.0.2.7", failures_since_start=3
        )
        AccessAttempt.objects.filter(pk=tried.pk).update(attempt_time=now - age)
    for name, end in (("kept", now + kept), ("gone", now - kept)):
        Session.objects.create(session_key=name, session_data="", expire_date=end)
    assert guessing.forget_old(now=now) == 2
    for model, column in (
        (AccessLog, "username"), (AccessAttempt, "username"), (Session, "session_key")
    ):  # fmt: skip
        assert list(model.objects.values_list(column, flat=True)) == ["kept"]
