"""A teller that is overtaken stops; each address is claimed and signed by the clock."""

from datetime import timedelta

import pytest

from calibration import webhooks
from calibration.models import Event, Webhook
from tests.conftest import NOW


@pytest.fixture(autouse=True)
def _own_network(settings):
    settings.WEBHOOK_NETWORKS = ["127.0.0.0/8"]


@pytest.fixture
def hook(world):
    url = "http://127.0.0.1:9/told"
    return webhooks.enter(dealer=world.dealers["A"], url=url, kinds=[], by=None, now=NOW)[0]


def happen(world, count):
    for number in range(count):
        Event.objects.create(
            dealer=world.dealers["A"], kind=Event.Kind.FLAG_OPENED, at=NOW, subject=str(number)
        )


def test_a_replay_during_telling_is_not_lost(world, hook):
    happen(world, 3)
    sent = []

    def send(target, body, signed):
        sent.append(signed["webhook-id"])
        if len(sent) == 2:
            webhooks.replay(Webhook.objects.get(pk=hook.pk), 0)
        return 204

    assert webhooks.tell_addresses(now=NOW, send=send).sent == 1
    assert webhooks.tell_addresses(now=NOW, send=send).sent == 3
    assert sent == [*sent[:2], *sorted(set(sent))]


def test_a_replay_right_after_the_claim_is_not_lost(world, hook, monkeypatch):
    happen(world, 2)
    refresh = Webhook.refresh_from_db

    def overtaken(row, *args, **options):
        Webhook.objects.filter(pk=row.pk).update(claimed_until=None)
        refresh(row, *args, **options)

    monkeypatch.setattr(Webhook, "refresh_from_db", overtaken)
    assert webhooks.tell_addresses(now=NOW, send=lambda *_: 204).sent == 0


def test_who_tells_the_former_address_stops_and_does_not_switch_the_new_one_off(world, hook):
    happen(world, 2)
    called = []

    def send(target, body, signed):
        called.append(target.path)
        if len(called) == 1:
            webhooks.change(Webhook.objects.get(pk=hook.pk), url="http://127.0.0.1:9/new")
            return 410
        return 204

    webhooks.tell_addresses(now=NOW, send=send)
    assert Webhook.objects.get(pk=hook.pk).active
    assert webhooks.tell_addresses(now=NOW, send=send).sent == 2
    assert called == ["/told", "/new", "/new"]


def test_an_address_that_failed_meanwhile_waits(world, hook, monkeypatch):
    """Another worker tried it between our look at the list and our turn."""
    happen(world, 1)
    backlog = webhooks.backlog

    def tried(row):
        later = NOW + timedelta(hours=1)
        Webhook.objects.filter(pk=row.pk).update(attempts=1, next_attempt_at=later)
        return backlog(row)

    monkeypatch.setattr(webhooks, "backlog", tried)
    assert webhooks.tell_addresses(now=NOW, send=lambda *_: 204).sent == 0


def test_each_address_has_its_own_lease_and_its_own_time(world, hook, monkeypatch):
    """The first one took an hour; the second is signed, and claimed, by the clock."""
    other = "http://127.0.0.1:9/other"
    webhooks.enter(dealer=world.dealers["A"], url=other, kinds=[], by=None, now=NOW)
    happen(world, 1)
    passed, leases, times = [0.0], [], []
    monkeypatch.setattr("calibration.claiming.time.monotonic", lambda: passed[0])
    clocks = webhooks.Clock
    monkeypatch.setattr(webhooks, "Clock", lambda now: clocks(now, passed[0]))

    def send(target, body, signed):
        times.append(int(signed["webhook-timestamp"]))
        leases.append(
            max(
                Webhook.objects.exclude(claimed_until=None).values_list("claimed_until", flat=True)
            )
        )
        passed[0] += 3600.0
        return 204

    assert webhooks.tell_addresses(now=NOW, send=send).sent == 2
    assert times[1] - times[0] == 3600
    assert leases == [NOW + webhooks.LEASE, NOW + timedelta(hours=1) + webhooks.LEASE]
