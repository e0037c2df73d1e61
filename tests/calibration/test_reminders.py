"""Digests: once a dealer and day, however often it is called; late rather than lost."""

import smtplib
import threading
from datetime import UTC, date, datetime, timedelta
from html.parser import HTMLParser
from itertools import pairwise

import pytest
from django.core import mail
from django.core.mail.backends.locmem import EmailBackend
from django.db import connection

from calibration import due
from calibration.models import Digest, DueState, Reminder
from calibration.planning import plan_visits
from calibration.reminders import delivery, send_reminders
from fleet import registry
from fleet.models import User
from tests.conftest import SYSTEM, build_world
from tests.side_by_side import at_once

DAY = date(2027, 2, 1)
NOON = datetime(2027, 2, 1, 11, 0, tzinfo=UTC)  # 12:00 in Warsaw


class Dead(EmailBackend):
    """A mail server that does not answer."""

    def send_messages(self, messages):
        raise ConnectionRefusedError(111, "Connection refused")


class Refusing(EmailBackend):
    """A mail server that wants nothing of it."""

    def send_messages(self, messages):
        raise smtplib.SMTPRecipientsRefused({"desk@north.example": (550, b"unknown")})


class Killed(BaseException):
    """What a process does not survive."""


class Lost(EmailBackend):
    """The message goes out, and the worker dies before it can say so."""

    def send_messages(self, messages):
        super().send_messages(messages)
        raise Killed


def backend(settings, which):
    settings.EMAIL_BACKEND = f"{which.__module__}.{which.__qualname__}"


@pytest.fixture
def waiting(world):
    """Return a world in which A's sensors are due: two overdue, one soon, one far off."""
    due.catch_up(now=NOON)
    for which, day in {
        "A1": DAY - timedelta(days=10),
        "A1b": DAY - timedelta(days=3),
        "A2": DAY + timedelta(days=30),
        "A2b": DAY + timedelta(days=31),
    }.items():
        for model in (DueState, Reminder):
            model.objects.filter(sensor=world.sensors[which]).update(due_on=day)
    Reminder.objects.filter(sensor__dealer=world.dealers["B"]).delete()
    return world


def send(world, now=NOON):
    return send_reminders(now=now, dealer=world.dealers["A"])


def told(world):
    return {
        name
        for name, sensor in world.sensors.items()
        if Reminder.objects.filter(sensor=sensor, last_told_on__isnull=False).exists()
    }


# ── What is told ──────────────────────────────────────────────────────────────
def test_a_digest_tells_what_is_due_within_the_lead_days(waiting):
    assert send(waiting).sent == 1
    (message,) = mail.outbox
    assert message.to == ["desk@north.example"]
    assert message.subject == "Nordfeld Service: 2 machines to calibrate, 1 overdue"
    assert "Farm A1, machine M-A1\n  2 sensors overdue since 2027-01-22" in message.body
    assert "Farm A2, machine M-A2\n  1 sensor due on 2027-03-03" in message.body
    assert "Farm B" not in message.body
    assert told(waiting) == {"A1", "A1b", "A2"}
    digest = Digest.objects.get()
    assert (digest.day, digest.attempts) == (DAY, 1)
    assert NOON <= digest.sent_at < NOON + timedelta(minutes=1)
    assert digest.body == message.body


def test_it_says_when_a_visit_is_planned(waiting):
    plan_visits(now=NOON, dealer=waiting.dealers["A"])
    send(waiting)
    assert "visit planned on 2027-02-02" in mail.outbox[0].body


def test_what_was_told_is_told_again_after_a_week(waiting):
    Reminder.objects.filter(sensor=waiting.sensors["A2b"]).update(due_on=DAY + timedelta(days=90))
    send(waiting)
    for days in range(1, 7):
        assert send(waiting, NOON + timedelta(days=days)).sent == 0
    assert send(waiting, NOON + timedelta(days=7)).sent == 1
    assert "2 machines" in mail.outbox[1].subject


def test_what_has_become_overdue_is_told_at_once(waiting):
    Reminder.objects.filter(sensor=waiting.sensors["A2b"]).update(due_on=DAY + timedelta(days=90))
    Reminder.objects.filter(sensor=waiting.sensors["A2"]).update(due_on=DAY + timedelta(days=2))
    send(waiting)
    # The 3rd: the due day itself; nothing new.
    assert [send(waiting, NOON + timedelta(days=days)).sent for days in (1, 2, 3, 4)] == [
        0,
        0,
        1,
        0,
    ]
    assert mail.outbox[1].subject == "Nordfeld Service: 1 machine to calibrate, 1 overdue"


def test_nothing_due_is_no_mail(waiting):
    Reminder.objects.update(due_on=DAY + timedelta(days=31))
    result = send(waiting)
    assert (result.sent, result.already, result.failed) == (0, 0, [])
    assert not Digest.objects.exists()


def test_a_sensor_that_was_removed_since_is_nobodys_errand(waiting):
    for which in ("A1", "A1b", "A2"):
        registry.remove_sensor(
            scope=SYSTEM, installation=waiting.installations[which], removed_on=date(2027, 1, 30)
        )
    assert send(waiting).sent == 0


# ── Once ──────────────────────────────────────────────────────────────────────
def test_however_often_it_is_called_it_is_sent_once(waiting):
    results = [send(waiting, NOON + timedelta(minutes=n)) for n in range(0, 300, 30)]
    assert [result.sent for result in results] == [1] + [0] * 9
    assert all(result.already == 1 for result in results[1:])
    assert len(mail.outbox) == 1


def test_three_days_away_is_one_digest_with_everything(waiting):
    Reminder.objects.filter(sensor=waiting.sensors["A2b"]).update(due_on=DAY + timedelta(days=32))
    assert send(waiting, NOON + timedelta(days=3)).sent == 1
    assert told(waiting) == {"A1", "A1b", "A2", "A2b"}
    assert len(mail.outbox) == 1


def test_the_clock_set_back_an_hour_over_midnight_sends_nothing_twice(waiting):
    dealer = waiting.dealers["A"]
    dealer.timezone = "Pacific/Apia"  # its midnight is at 11:00 UTC
    dealer.save()
    morning = datetime(2027, 2, 1, 17, 30, tzinfo=UTC)  # 2 February, 06:30
    assert send(waiting, morning).sent == 1
    assert send(waiting, morning - timedelta(hours=1)).sent == 0
    assert send(waiting, morning - timedelta(hours=12)).sent == 0  # the day before
    assert send(waiting, morning).sent == 0
    assert len(mail.outbox) == 1


# ── Quiet hours ───────────────────────────────────────────────────────────────
@pytest.mark.parametrize(
    ("zone", "now", "sent"),
    [
        ("Pacific/Apia", datetime(2027, 2, 1, 16, 59, tzinfo=UTC), 0),  # 05:59
        ("Pacific/Apia", datetime(2027, 2, 1, 17, 0, tzinfo=UTC), 1),  # 06:00
        ("Pacific/Pitcairn", datetime(2027, 2, 2, 3, 59, tzinfo=UTC), 1),  # 19:59
        ("Pacific/Pitcairn", datetime(2027, 2, 2, 4, 0, tzinfo=UTC), 0),  # 20:00
        # Warsaw goes forward on 2027-03-28: six o'clock comes at 04:00 UTC, not at 05:00.
        ("Europe/Warsaw", datetime(2027, 3, 27, 4, 30, tzinfo=UTC), 0),
        ("Europe/Warsaw", datetime(2027, 3, 28, 4, 30, tzinfo=UTC), 1),
        # And back on 2027-10-31: eight in the evening comes at 19:00 UTC, not at 18:00.
        ("Europe/Warsaw", datetime(2027, 10, 30, 18, 30, tzinfo=UTC), 0),
        ("Europe/Warsaw", datetime(2027, 10, 31, 18, 30, tzinfo=UTC), 1),
    ],
)
def test_nobody_is_written_to_at_night(waiting, zone, now, sent):
    dealer = waiting.dealers["A"]
    dealer.timezone = zone
    dealer.save()
    assert send(waiting, now).sent == sent
    assert len(mail.outbox) == sent


def test_the_day_of_a_digest_is_the_dealers(waiting):
    dealer = waiting.dealers["A"]
    dealer.timezone = "Pacific/Apia"
    dealer.save()
    send(waiting, datetime(2028, 2, 28, 20, 0, tzinfo=UTC))
    assert Digest.objects.get().day == date(2028, 2, 29)  # a leap day


# ── Trouble ───────────────────────────────────────────────────────────────────
@pytest.mark.parametrize("server", [Dead, Refusing])
def test_a_mail_server_that_fails_loses_nothing(waiting, settings, server):
    works = settings.EMAIL_BACKEND
    backend(settings, server)
    result = send(waiting)
    assert result.sent == 0
    assert result.failed[0].dealer == waiting.dealers["A"]
    digest = Digest.objects.get()
    assert (digest.attempts, digest.sent_at) == (1, None)
    assert digest.last_error == result.failed[0].reason != ""
    assert told(waiting) == set()

    settings.EMAIL_BACKEND = works
    assert send(waiting, NOON + timedelta(minutes=1)).sent == 1
    digest.refresh_from_db()
    assert (digest.attempts, digest.last_error) == (2, "")
    assert told(waiting) == {"A1", "A1b", "A2"}


def test_the_pause_between_attempts_grows_to_an_hour(waiting, settings):
    backend(settings, Dead)
    morning, attempts = datetime(2027, 2, 1, 5, 0, tzinfo=UTC), []
    for minute in range(6 * 60):
        before = Digest.objects.filter(attempts__gt=len(attempts)).count()
        result = send(waiting, morning + timedelta(minutes=minute))
        assert len(result.failed) == 1  # always visible, also while it waits
        assert before == 0
        if Digest.objects.filter(attempts__gt=len(attempts)).exists():
            attempts.append(minute)
    pauses = [later - earlier for earlier, later in pairwise(attempts)]
    assert pauses[:6] == [1, 2, 4, 8, 16, 32]
    assert set(pauses[6:]) == {60}


def test_what_a_day_could_not_deliver_is_in_the_next_days_digest(waiting, settings):
    works = settings.EMAIL_BACKEND
    backend(settings, Dead)
    send(waiting)
    settings.EMAIL_BACKEND = works
    assert send(waiting, NOON + timedelta(days=1)).sent == 1
    assert "2 machines" in mail.outbox[0].subject
    assert set(Digest.objects.filter(sent_at=None).values_list("day", flat=True)) == {DAY}


def test_a_crash_after_sending_makes_one_duplicate_at_worst(waiting, settings):
    works = settings.EMAIL_BACKEND
    backend(settings, Lost)
    with pytest.raises(Killed):
        send(waiting)
    settings.EMAIL_BACKEND = works
    assert send(waiting, NOON + timedelta(minutes=9)).sent == 0  # the lease still runs
    assert send(waiting, NOON + timedelta(minutes=11)).sent == 1
    assert send(waiting, NOON + timedelta(minutes=30)).sent == 0
    first, second = (message.message()["Message-ID"] for message in mail.outbox)
    assert first == second
    assert told(waiting) == {"A1", "A1b", "A2"}


def test_one_dealers_failure_keeps_nobody_else_waiting(waiting):
    waiting.dealers["A"].email = "nobody at all"
    waiting.dealers["A"].save()
    due.refresh([waiting.sensors["B1"].pk], now=NOON)
    result = send_reminders(now=datetime(2027, 2, 1, 13, 0, tzinfo=UTC))
    assert (result.sent, [dealer.code for dealer, _ in result.failed]) == (1, ["NORTH"])


# ── To whom ───────────────────────────────────────────────────────────────────
def test_without_an_address_the_service_managers_are_told(waiting):
    waiting.dealers["A"].email = ""
    waiting.dealers["A"].save()
    assert send(waiting).sent == 1
    assert mail.outbox[0].to == ["managerA@people.example"]


def test_with_nobody_to_tell_it_fails_visibly_and_is_told_later(waiting):
    waiting.dealers["A"].email = ""
    waiting.dealers["A"].save()
    User.objects.filter(username="managerA").update(email="")
    result = send(waiting)
    assert (result.sent, len(result.failed)) == (0, 1)
    assert "e-mail address" in result.failed[0].reason
    assert Digest.objects.get().last_error == result.failed[0].reason
    User.objects.filter(username="managerA").update(email="m@north.example")
    assert send(waiting).sent == 1


def test_somebody_who_left_is_not_told(waiting):
    waiting.dealers["A"].email = ""
    waiting.dealers["A"].save()
    User.objects.filter(username="managerA").update(is_active=False)
    assert send(waiting).sent == 0


def test_a_name_with_a_line_break_adds_no_header(waiting):
    dealer = waiting.dealers["A"]
    dealer.name = "Nord\r\nBcc: thief@example.com\x1b\u2028"
    dealer.save()
    assert send(waiting).sent == 1
    raw = mail.outbox[0].message()
    assert raw["Bcc"] is None
    assert raw["Subject"].startswith("Nord Bcc: thief@example.com: 2 machines")
    assert mail.outbox[0].recipients() == ["desk@north.example"]


def test_an_address_with_a_line_break_is_not_written_to(waiting):
    dealer = waiting.dealers["A"]
    dealer.email = "a@north.example\nBcc: thief@example.com"
    dealer.save()
    assert send(waiting).sent == 0
    assert mail.outbox == []


class Cells(HTMLParser):
    """Reads the cells of a table, and notes every tag."""

    def __init__(self):
        super().__init__()
        self.tags, self.cells = set(), []

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        if tag == "td":
            self.cells.append("")

    def handle_data(self, data):
        if self.cells:
            self.cells[-1] += data.strip()


def test_names_are_escaped_in_the_page(waiting):
    customer = waiting.customers["A1"]
    customer.name = "<script>alert(1)</script> & Söhne"
    customer.save()
    send(waiting)
    (page,) = mail.outbox[0].alternatives
    assert page.mimetype == "text/html"
    cells = Cells()
    cells.feed(page.content)
    assert "script" not in cells.tags
    assert cells.cells[0] == customer.name
    assert customer.name in mail.outbox[0].body


# ── Two at once ───────────────────────────────────────────────────────────────
@pytest.mark.postgresql
@pytest.mark.django_db(transaction=True)
def test_two_workers_send_one_digest(monkeypatch):
    if connection.vendor != "postgresql":
        pytest.skip("two connections that write at once are PostgreSQL's (DATABASE_URL)")
    world = build_world()
    due.catch_up(now=NOON)
    met, claim = threading.Barrier(2), delivery.claim

    def claim_together(*args):
        met.wait(10)
        return claim(*args)

    monkeypatch.setattr(delivery, "claim", claim_together)

    sent = at_once(2, lambda _: send_reminders(now=NOON, dealer=world.dealers["A"]).sent)
    assert sorted(sent) == [0, 1]
    assert len(mail.outbox) == 1
    assert Digest.objects.get().attempts == 1
