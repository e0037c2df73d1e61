"""Notes to customers, the languages of e-mails, and what a clock that jumps does to them.

The catalogue is read with gettext of Python's standard library, and compared with what `polib`
makes of its source.
"""

import ast
import gettext
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polib
import pytest
import time_machine
from django.core import mail
from django.core.mail.backends.locmem import EmailBackend
from django.core.management import call_command

from calibration import due
from calibration import reminders as package
from calibration.models import CustomerNote, Digest, Reminder, Visit
from calibration.planning import appointments, plan_visits
from calibration.reminders import send_reminders
from tests import translations
from tests.calibration.test_reminders import Dead, Killed, Lost, backend

NOON = datetime(2027, 2, 1, 11, 0, tzinfo=UTC)  # 12:00 in Warsaw


@pytest.fixture
def planned(world):
    """Return a world in which A's two customers have a visit, and the dealer tells them."""
    due.catch_up(now=NOON)
    dealer = world.dealers["A"]
    dealer.tells_customers = True
    dealer.save()
    plan_visits(now=NOON, dealer=dealer)
    Reminder.objects.update(last_told_on=date(2027, 2, 1))  # the digest is another matter
    Reminder.objects.update(due_on=date(2027, 8, 1))
    return world


def send(world, now=NOON):
    return send_reminders(now=now, dealer=world.dealers["A"])


def crash(world, settings):
    """Send, and die between sending and marking; return what went out."""
    works = settings.EMAIL_BACKEND
    backend(settings, Lost)
    with pytest.raises(Killed):
        send(world)
    settings.EMAIL_BACKEND = works
    (told,) = mail.outbox
    return told


# ── Notes ─────────────────────────────────────────────────────────────────────
def test_a_customer_is_told_once_what_is_due_why_and_when(planned):
    assert send(planned).notes == 2
    assert sorted(message.to[0] for message in mail.outbox) == [
        "a1@farm.example",
        "a2@farm.example",
    ]
    (message,) = [each for each in mail.outbox if each.to == ["a1@farm.example"]]
    assert message.subject == "Nordfeld Service: calibration of your machines on 2027-02-02"
    assert "- M-A1: 2 sensors overdue since 2020-01-01: never calibrated here" in message.body
    assert "on 2027-02-02." in message.body
    assert "M-A2" not in message.body
    page = message.alternatives[0].content
    assert page.startswith("<!doctype html>")
    assert "<td>M-A1</td>" in page
    for minutes in (1, 60, 180):
        assert send(planned, NOON + timedelta(minutes=minutes)).notes == 0
    assert len(mail.outbox) == 2
    soon = NOON + timedelta(minutes=1)
    assert CustomerNote.objects.filter(sent_at__gte=NOON, sent_at__lt=soon).count() == 2


class Slow(EmailBackend):
    """A mail server that takes its time."""

    TAKES = timedelta(milliseconds=50)

    def send_messages(self, messages):
        time.sleep(self.TAKES.total_seconds())
        return super().send_messages(messages)


def test_each_letter_of_a_round_says_when_it_was_sent_itself(planned, settings):
    backend(settings, Slow)
    Reminder.objects.update(last_told_on=None, due_on=NOON.date())  # a digest, too
    result = send(planned)
    assert (result.sent, result.notes) == (1, 2)
    first = Digest.objects.get().sent_at
    moments = [first, *CustomerNote.objects.order_by("pk").values_list("sent_at", flat=True)]
    for number, moment in enumerate(moments, start=1):
        assert moment - NOON >= number * Slow.TAKES


def test_nobody_is_told_where_the_dealer_does_not_want_it(planned):
    planned.dealers["A"].tells_customers = False
    planned.dealers["A"].save()
    assert send(planned).notes == 0
    assert mail.outbox == []


def test_a_visit_that_moved_is_told_again_and_one_that_is_off_too(planned):
    send(planned)
    visit = Visit.objects.get(customer=planned.customers["A1"])
    visit.planned_on = date(2027, 2, 5)
    visit.save()
    Visit.objects.filter(customer=planned.customers["A2"]).update(status="cancelled")
    assert send(planned, NOON + timedelta(hours=1)).notes == 2
    assert "2027-02-05" in mail.outbox[-1].subject
    assert "that visit is called off" in mail.outbox[-2].body
    assert send(planned, NOON + timedelta(days=5)).notes == 0


def test_a_visit_that_is_called_off_is_told_once_and_one_that_nobody_knew_of_is_not(planned):
    known, unknown = (Visit.objects.get(customer=planned.customers[key]) for key in ("A1", "A2"))
    appointments.change(unknown, now=NOON, planned_on=date(2027, 4, 5))  # outside the lead days
    assert send(planned).notes == 1
    for visit in (known, unknown):
        appointments.change(visit, now=NOON, status=Visit.Status.CANCELLED)
    assert send(planned, NOON + timedelta(hours=1)).notes == 1
    off = mail.outbox[-1]
    assert off.to == ["a1@farm.example"]
    assert off.subject == "Nordfeld Service: no calibration of your machines on 2027-02-02"
    assert "that visit is called off" in off.body
    assert "M-A1" not in off.body + off.alternatives[0].content
    assert "<table>" not in off.alternatives[0].content
    assert send(planned, NOON + timedelta(hours=2)).notes == 0
    appointments.change(known, now=NOON, status=Visit.Status.PLANNED)
    assert send(planned, NOON + timedelta(hours=3)).notes == 1
    assert "would like to calibrate" in mail.outbox[-1].body


def test_a_visit_that_moved_there_and_back_is_told_of_its_day_again(planned):
    visit = Visit.objects.get(customer=planned.customers["A1"])
    days = (visit.planned_on, date(2027, 2, 5), visit.planned_on)
    for hour, day in enumerate(days):
        appointments.change(visit, now=NOON, planned_on=day)
        send(planned, NOON + timedelta(hours=hour))
    mine = [each for each in mail.outbox if each.to == ["a1@farm.example"]]
    assert [each.subject[-10:] for each in mine] == [str(day) for day in days]
    assert len({each.message()["Message-ID"] for each in mine}) == 3


def test_a_visit_that_is_called_off_after_its_day_is_nobodys_news(planned):
    send(planned)
    visit = Visit.objects.get(customer=planned.customers["A1"])
    appointments.change(visit, now=NOON, status=Visit.Status.CANCELLED)
    assert send(planned, NOON + timedelta(days=2)).notes == 0


def test_a_visit_that_is_called_off_on_its_day_is_told_that_morning(planned):
    send(planned)
    visit = Visit.objects.get(customer=planned.customers["A1"])
    night = datetime(2027, 2, 1, 20, 30, tzinfo=UTC)  # nobody is written to at night
    appointments.change(visit, now=night, status=Visit.Status.CANCELLED)
    assert send(planned, night).notes == 0
    assert send(planned, datetime(2027, 2, 2, 6, 30, tzinfo=UTC)).notes == 1


def test_a_visit_that_moves_away_is_told_at_once_however_far(planned):
    send(planned)
    visit = Visit.objects.get(customer=planned.customers["A1"])
    appointments.change(visit, now=NOON, planned_on=date(2027, 4, 20))
    assert send(planned, NOON + timedelta(hours=1)).notes == 1
    assert mail.outbox[-1].subject.endswith("on 2027-04-20")
    appointments.change(visit, now=NOON, planned_on=date(2027, 2, 1))  # today
    assert send(planned, NOON + timedelta(hours=2)).notes == 1
    assert send(planned, NOON + timedelta(hours=3)).notes == 0


def test_a_note_that_may_have_gone_out_is_taken_back_when_its_visit_is(planned, settings):
    told = crash(planned, settings)
    visit = Visit.objects.get(customer__email=told.to[0])
    appointments.change(visit, now=NOON, status=Visit.Status.CANCELLED)
    send(planned, NOON + timedelta(minutes=11))
    mine = [each for each in mail.outbox if each.to == told.to]
    assert len(mine) == 2
    assert "that visit is called off" in mine[1].body


def test_a_letter_that_is_sent_again_is_the_same_though_the_visit_was_confirmed(planned, settings):
    told = crash(planned, settings)
    visit = Visit.objects.get(customer__email=told.to[0])
    appointments.change(visit, now=NOON, status=Visit.Status.CONFIRMED)
    send(planned, NOON + timedelta(minutes=11))
    again = [each.message()["Message-ID"] for each in mail.outbox if each.to == told.to]
    assert again == [told.message()["Message-ID"]] * 2


def test_a_note_to_nobody_does_not_wait_for_ever(planned, settings):
    backend(settings, Dead)
    send(planned)
    planned.customers["A1"].email = ""
    planned.customers["A1"].save()
    send(planned, NOON + timedelta(hours=1))
    waiting = CustomerNote.objects.values_list("visit__customer__name", flat=True)
    assert list(waiting) == ["Farm A2"]
    send(planned, NOON + timedelta(days=9))
    assert not CustomerNote.objects.exists()


def test_a_visit_outside_the_lead_days_waits(planned):
    Visit.objects.update(planned_on=date(2027, 3, 4))  # 31 days
    assert send(planned).notes == 0
    assert send(planned, NOON + timedelta(days=1)).notes == 2


def test_a_customer_without_a_usable_address_is_left_out(planned):
    customer = planned.customers["A1"]
    for address in ("", "a1@farm.example\nBcc: thief@example.com"):
        customer.email = address
        customer.save()
        send(planned)
    assert {each.to[0] for each in mail.outbox} == {"a2@farm.example"}


def test_a_dead_mail_server_leaves_a_visible_backlog_and_loses_nothing(planned, settings):
    works = settings.EMAIL_BACKEND
    backend(settings, Dead)
    result = send(planned)
    assert (result.notes, len(result.failed)) == (0, 2)
    assert result.failed[0].reason.startswith("note to Farm A1: ConnectionRefusedError")
    assert set(CustomerNote.objects.values_list("attempts", "sent_at")) == {(1, None)}
    waiting = send(planned, NOON + timedelta(seconds=30))
    assert "tried once, next after 2027-02-01 11:01 UTC" in waiting.failed[0].reason
    settings.EMAIL_BACKEND = works
    assert send(planned, NOON + timedelta(minutes=1)).notes == 2
    assert not CustomerNote.objects.exclude(last_error="").exists()


def test_a_note_that_was_never_sent_and_is_out_of_date_is_taken_back(planned, settings):
    works = settings.EMAIL_BACKEND
    backend(settings, Dead)
    send(planned)
    Visit.objects.update(planned_on=date(2027, 2, 5))
    settings.EMAIL_BACKEND = works
    assert send(planned, NOON + timedelta(hours=2)).notes == 2
    assert set(CustomerNote.objects.values_list("planned_on", flat=True)) == {date(2027, 2, 5)}


def test_a_crash_after_sending_makes_one_duplicate_with_the_same_id(planned, settings):
    crash(planned, settings)
    send(planned, NOON + timedelta(minutes=11))
    first = [m.message()["Message-ID"] for m in mail.outbox if m.to == mail.outbox[0].to]
    assert len(first) == 2
    assert first[0] == first[1]
    assert len(mail.outbox) == 3


# ── Languages ─────────────────────────────────────────────────────────────────
def test_mails_are_written_in_the_dealers_language(planned):
    dealer = planned.dealers["A"]
    dealer.language = "de"
    dealer.save()
    Reminder.objects.filter(sensor__dealer=dealer).update(
        last_told_on=None, due_on=date(2027, 1, 22)
    )
    result = send(planned)
    assert (result.sent, result.notes) == (1, 2)
    digest = next(each for each in mail.outbox if each.to == ["desk@north.example"])
    assert digest.subject == "Nordfeld Service: 2 Maschinen zu kalibrieren, 2 überfällig"
    assert "2 Sensoren überfällig seit 2027-01-22: hier nie kalibriert" in digest.body
    assert "Besuch geplant am 2027-02-02" in digest.body
    page = digest.alternatives[0].content
    assert '<html lang="de">' in page
    assert "<th>Fällig</th>" in page
    note = next(each for each in mail.outbox if each.to == ["a1@farm.example"])
    assert note.subject == "Nordfeld Service: Kalibrierung Ihrer Maschinen am 2027-02-02"
    # The language is the letter's own: nobody else is answered in it afterwards.
    planned.dealers["A"].language = "en"
    planned.dealers["A"].save()
    Digest.objects.all().delete()
    Reminder.objects.update(last_told_on=None)
    send(planned)
    assert "to calibrate" in mail.outbox[-1].subject


def said_in_code():
    """Every text that the code asks a translation for."""
    asked = set()
    for path in Path(package.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            name = getattr(getattr(node, "func", None), "id", "")
            if name in {"gettext", "gettext_lazy"}:
                asked.add((node.args[0].value,))
            elif name == "ngettext":
                asked.add((node.args[0].value, node.args[1].value))
    return asked


def test_every_text_is_translated_and_nothing_else_is():
    asked = said_in_code()
    assert len(asked) > 15
    assert [path.parts[-3] for path in translations.catalogues()] == ["de"]
    for path in translations.catalogues():
        entries = polib.pofile(str(path))
        known = {
            (entry.msgid, entry.msgid_plural) if entry.msgid_plural else (entry.msgid,)
            for entry in entries
            if entry.translated() and "fuzzy" not in entry.flags
        }
        assert known == asked
        for entry in entries:  # whatever a text fills in, its translation fills in too
            for words in [entry.msgstr, *entry.msgstr_plural.values()]:
                if words:
                    assert sorted(_holes(words)) == sorted(_holes(entry.msgid))


def _holes(text):
    return [part.split(")")[0] for part in text.split("%(")[1:]]


def test_the_compiled_catalogue_is_the_one_of_its_source():
    for path in translations.catalogues():
        compiled = path.with_suffix(".mo")
        assert compiled.read_bytes() == translations.compiled(path)
        with compiled.open("rb") as opened:
            catalogue = gettext.GNUTranslations(opened)
        assert catalogue.gettext("no visit planned") == "kein Besuch geplant"
        assert catalogue.ngettext("%(number)d sensor", "%(number)d sensors", 2) == (
            "%(number)d Sensoren"
        )


# ── Clocks ────────────────────────────────────────────────────────────────────
def run(moment):
    with time_machine.travel(moment, tick=False):
        call_command("send_reminders", "--dealer=NORTH", verbosity=0)


@pytest.mark.parametrize(
    ("zone", "moments"),
    [
        # New York goes forward on 2027-03-14, back on 2027-11-07; every hour of both days.
        ("America/New_York", [datetime(2027, 3, 14, 5, tzinfo=UTC), 23]),
        ("America/New_York", [datetime(2027, 11, 7, 4, tzinfo=UTC), 25]),
        ("Pacific/Tongatapu", [datetime(2027, 2, 9, 11, tzinfo=UTC), 24]),  # UTC+13
        ("Pacific/Pitcairn", [datetime(2027, 2, 9, 8, tzinfo=UTC), 24]),  # UTC-8
        ("UTC", [datetime(2028, 2, 29, 0, tzinfo=UTC), 24]),  # a leap day
    ],
)
def test_a_worker_that_calls_every_hour_of_a_day_sends_one_digest(world, zone, moments, capsys):
    dealer = world.dealers["A"]
    dealer.timezone = zone
    dealer.save()
    begin, hours = moments
    due.catch_up(now=begin)
    for hour in range(hours):
        run(begin + timedelta(hours=hour))
    assert len(mail.outbox) == 1
    digest = Digest.objects.get(dealer=dealer)
    assert digest.sent_at.astimezone(dealer.zone).hour == 6
    assert digest.day == begin.astimezone(dealer.zone).date()


def test_a_worker_that_was_away_for_three_days_tells_once_and_what_is_true_now(world, capsys):
    due.catch_up(now=NOON)
    run(NOON)
    Reminder.objects.filter(sensor=world.sensors["A1"]).update(
        last_told_on=None, due_on=date(2027, 2, 2)
    )
    run(NOON + timedelta(days=3))
    assert len(mail.outbox) == 2
    assert "overdue since 2027-02-02" in mail.outbox[1].body
    assert set(Digest.objects.values_list("day", flat=True)) == {
        date(2027, 2, 1),
        date(2027, 2, 4),
    }


def test_a_clock_that_is_set_back_an_hour_sends_nothing_twice(world, capsys):
    due.catch_up(now=NOON)
    for minutes in (0, 30, -30, -60, 5):
        run(NOON + timedelta(minutes=minutes))
    assert len(mail.outbox) == 1
