"""What people read where there is nothing, where they may not, and where we failed."""

import uuid

import pytest
from django.conf import settings as real_settings
from django.core.exceptions import PermissionDenied, SuspiciousOperation
from django.db import connection
from django.http import Http404
from django.test import Client, RequestFactory
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.views import csrf, defaults
from rest_framework.test import APIClient

from calibration.models import Calibration
from fleet.config import pages
from fleet.models import Sensor
from tests.desk import page, signed_in, without_files


@pytest.fixture(autouse=True)
def _desk(settings):
    without_files(settings)


def framed(answer) -> str:
    """Assert the desk's look, its policy and a way on; return the page."""
    text = answer.content.decode()
    assert "spanbook/desk.css" in text
    assert f'href="{reverse("admin:index")}"' in text
    assert "style=" not in text
    assert answer["Content-Security-Policy"].startswith("default-src 'none'")
    assert answer["X-Request-ID"]
    return text


def test_absent_and_another_dealers_look_alike(world):
    client = signed_in(world.users["techA"])
    foreign = world.season("B1", 2025).calibration
    pairs = (
        (page(Sensor, "change", world.sensors["B1"].pk), page(Sensor, "change", 10**9)),
        (page(Calibration, "change", foreign.pk), page(Calibration, "change", uuid.uuid4())),
    )
    for theirs, absent in pairs:
        answers = [client.get(address) for address in (theirs, absent)]
        assert [answer.status_code for answer in answers] == [404, 404]
        texts = [framed(answer) for answer in answers]
        assert texts[0] == texts[1]
        assert "S-B1" not in texts[0]
        assert "whose rows you do not see" in texts[0]
    nowhere = framed(client.get("/nowhere/<script>"))
    assert nowhere == texts[0]


def test_what_a_role_does_not_do(world):
    answer = signed_in(world.users["reviewer"]).get(page(Calibration, "add"))
    assert answer.status_code == 403
    assert "Your role does not do this" in framed(answer)


def test_a_form_without_its_token(world):
    client = Client(enforce_csrf_checks=True)
    client.force_login(world.users["techA"])
    answer = client.post(page(Calibration, "add"), {"sensor": "S-A1"})
    assert answer.status_code == 403
    assert "what you typed is still in it" in framed(answer)


def test_our_own_failure_tells_its_number_and_nothing_of_it(world, monkeypatch):
    def breaks(*_, **__):
        raise RuntimeError("the secret inside of S-A1")

    monkeypatch.setattr("calibration.admin.sensors.sensor_page", breaks)
    client = Client(raise_request_exception=False)
    client.force_login(world.users["techA"])
    address = page(Sensor, "change", world.sensors["A1"].pk)
    answer = client.get(address, headers={"X-Request-ID": "number-to-tell-1"})
    assert answer.status_code == 500
    text = framed(answer)
    assert "number-to-tell-1" in text
    assert "secret" not in text
    assert "RuntimeError" not in text


def test_the_api_says_it_as_a_problem(world, monkeypatch):
    """RFC 9457, also where it was not asked for what."""

    def breaks(*_, **__):
        raise RuntimeError("the secret inside of S-A1")

    monkeypatch.setattr("calibration.readout.calibration_answer", breaks)
    kept = world.season("A1", 2026).calibration
    client = APIClient(raise_request_exception=False)
    client.force_authenticate(world.users["techA"])
    headers = {"X-Request-ID": "number-to-tell-2"}
    answer = client.get(f"/api/v1/calibrations/{kept.pk}/", headers=headers)
    assert answer.status_code == 500
    assert answer["Content-Type"] == "application/problem+json"
    said = answer.json()
    assert (said["code"], said["status"]) == ("failed", 500)
    assert said["request_id"] == headers["X-Request-ID"]
    assert "secret" not in answer.content.decode()


def test_no_error_page_asks_the_database(db):
    """They are shown when it is away; whoever is signed in does not matter to them."""
    assert not real_settings.DEBUG
    client = Client()
    request = RequestFactory().get("/admin/nowhere/")
    request.session = client.session
    request.user = None
    answers = [
        lambda: defaults.page_not_found(request, Http404("no")),
        lambda: defaults.permission_denied(request, PermissionDenied("no")),
        lambda: defaults.bad_request(request, SuspiciousOperation("no")),
        lambda: csrf.csrf_failure(request, "no"),
        lambda: pages.failed(request),
    ]
    with CaptureQueriesContext(connection) as seen:
        texts = [answer().content.decode() for answer in answers]
    assert len(seen) == 0
    assert len(set(texts)) == 5
    for text in texts:
        assert text.count("<h1>") == 1
        assert "spanbook/desk.css" in text


@pytest.mark.parametrize("host", ["M+$-", "another.example"])
def test_a_host_that_we_are_not_is_refused_in_the_words_of_who_asked(client, settings, host):
    settings.ALLOWED_HOSTS = ["testserver"]
    answer = client.get("/api/v1/sensors/", headers={"Host": host})
    assert answer.status_code == 400
    assert answer["Content-Type"] == "application/problem+json"
    assert answer.json()["errors"][0]["pointer"] == "/Host"
    assert client.get("/admin/", headers={"Host": host}).status_code == 400
