"""Events and webhooks over HTTP: what is shown to whom, and what is shown once."""

from calibration.models import Event, Webhook
from tests.api.conftest import V1, calibration, refused

HOOKS = f"{V1}webhooks/"


def test_a_consumer_reads_on_from_where_it_was(tech, stranger, world):
    assert tech.post(f"{V1}calibrations/", calibration()).status_code == 201
    first = tech.get(f"{V1}events/").json()["results"]
    assert [each["kind"] for each in first] == ["calibration.judged"]
    last = first[-1]["number"]
    assert tech.get(f"{V1}events/?after={last}").json()["results"] == []
    late = calibration(performed_at="2025-03-10T09:00:00+01:00")
    assert tech.post(f"{V1}calibrations/", late).status_code == 201
    more = tech.get(f"{V1}events/?after={last}").json()["results"]
    assert more
    assert all(each["number"] > last for each in more)
    assert stranger.get(f"{V1}events/").json()["results"] == []
    refused(tech.get(f"{V1}events/?after=x"), 400, "/?/after")


def test_a_secret_is_shown_once(manager, world, settings):
    settings.WEBHOOK_NETWORKS = ["127.0.0.0/8"]
    made = manager.post(HOOKS, {"url": "http://127.0.0.1:9/x", "kinds": ["flag.opened"]})
    assert made.status_code == 201, made.content
    body = made.json()
    assert body["secret"].startswith("whsec_")
    where = f"{HOOKS}{body['id']}/"
    assert "secret" not in manager.get(where).json()
    assert body["secret"] not in manager.get(HOOKS).content.decode()
    rotated = manager.post(f"{where}rotate/").json()
    assert rotated["secret"] not in {"", body["secret"]}
    assert manager.post(f"{where}test/").status_code == 202
    assert manager.get(where).json()["backlog"] == 1
    assert manager.post(f"{where}replay/", {"after": 0}).json()["told"] == 0
    for never in (-1, 2**62, "1"):
        refused(manager.post(f"{where}replay/", {"after": never}), 422, "/after")
    assert manager.patch(where, {"active": False}).json()["active"] is False
    refused(manager.post(HOOKS, {"url": "http://127.0.0.1:9/x"}), 409)
    assert manager.delete(where).status_code == 204
    assert not Webhook.objects.exists()


def test_what_is_not_called_is_refused(manager, world):
    for url in ("https://127.0.0.1/", "http://example.org/", "x"):
        refused(manager.post(HOOKS, {"url": url}), 422, "/url")
    refused(manager.post(HOOKS, {"url": "https://127.0.0.1/", "kinds": ["noise"]}), 422)
    assert not Webhook.objects.exists()
    assert not Event.objects.exists()
