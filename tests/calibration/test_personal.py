"""A customer's personal data is given out whole and erased everywhere; records still verify."""

import io
import zipfile
from datetime import UTC, date, datetime
from urllib.parse import quote_plus

import openpyxl
import pytest
from django.contrib.admin.models import CHANGE, LogEntry
from django.contrib.contenttypes.models import ContentType
from django.db import connection

from calibration import digests, functional, personal, records
from calibration.models import (
    Calibration,
    Digest,
    DriftFlag,
    FlagFamily,
    ImportRun,
    KeptLook,
    SeasonPlan,
    Visit,
)
from calibration.receiving import keeping
from calibration.records import PointDraft
from calibration.verifying import verify
from fleet import registry
from fleet.errors import Forbidden, Invalid
from fleet.models import Blackout, Change, Customer, Erasure
from tests.calibration.test_checkpoints import unsealed
from tests.calibration.test_functional import draft as functional_draft
from tests.conftest import NOW, SYSTEM

NAME, EMAIL, PHONE, NICK = "Józef Źrebiec", "jozef@zrebiec.example", "+48 600 700 800", "Ziutek"
OLD_EMAIL = "stary@zrebiec.example"
FARM = 12.34567  # its latitude
WORDS = (
    NAME, EMAIL, PHONE, NICK, OLD_EMAIL, "zrebiec.example", "600 700 800", "Źrebiec", str(FARM),
)  # fmt: skip


def everything():
    """Return every value of every row of every table and every upload as text."""
    found = []
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names(cursor):
            cursor.execute(f'SELECT * FROM "{table}"')
            found += [(table, value) for row in cursor.fetchall() for value in row if value]
    found += [("uploads", file.read_bytes()) for file in keeping.path_of("").iterdir()]
    return [(table, _text(value)) for table, value in found]


def _text(value):
    if isinstance(value, memoryview | bytes):
        content = bytes(value)
        if zipfile.is_zipfile(io.BytesIO(content)):
            with zipfile.ZipFile(io.BytesIO(content)) as book:
                content = b"\n".join(book.read(name) for name in book.namelist())
        return content.decode("utf-8", "replace").casefold()
    text = str(value)
    return (
        text.encode().decode("unicode_escape", "replace") + text if "\\u" in text else text
    ).casefold()


def holding(words=WORDS):
    return sorted(
        {
            (table, word)
            for table, text in everything()
            for word in words
            if word.casefold() in text
        }
    )


@pytest.fixture(autouse=True)
def _folder(settings, tmp_path):
    settings.IMPORT_FOLDER = tmp_path / "uploads"


def workbook():
    book, out = openpyxl.Workbook(), io.BytesIO()
    book.active.append(["customer", NAME])
    book.save(out)
    return out.getvalue()


@pytest.fixture
def told(world):
    """Put the person's name wherever a name can get to."""
    customer, machine = world.customers["A1"], world.machines["A1"]
    registry.edit(customer, scope=SYSTEM, name=NAME, email=OLD_EMAIL, phone=PHONE)
    registry.edit(customer, scope=SYSTEM, email=EMAIL, latitude=FARM, longitude=-3.5)
    registry.edit(machine, scope=SYSTEM, name=f"{NICK}'s planter")
    world.season("A1", 2024, technician="K. Wrona", note="no names here")
    wrong = world.season(
        "A1", 2025, technician=NAME, note=f"{NAME.upper()} held the jack; cable chafed"
    ).calibration
    world.season(
        "A1",
        2025,
        supersedes=wrong,
        supersede_reason=f"{NICK} misread it",
        points=(PointDraft(0, 20000), PointDraft(100, 32000)),
    )
    functional.record_functional_test(
        functional_draft(world, note=f"call {PHONE} first"), scope=SYSTEM, now=NOW
    )
    world.season("A2", 2025, note="the neighbour's machine")
    Visit.objects.create(
        customer=customer,
        season=2027,
        planned_on=date(2027, 2, 1),
        due_on=date(2027, 3, 1),
        note=f"ring {NICK}, {PHONE}",
        updated_at=NOW,
    )
    Digest.objects.create(
        dealer=world.dealers["A"],
        day=date(2026, 4, 1),
        subject=f"due: {NAME}",
        body=f"M-A1 of {NAME}\nM-A2 of Farm A2",
        recipients=["desk@north.example"],
    )
    for name, content in (
        ("a.csv", f"customer\n{NAME}\n".encode()),
        ("b.xlsx", workbook()),
        ("c.csv", b"customer\nFarm A2\n"),
    ):
        kept = keeping.keep([content])
        ImportRun.objects.create(
            dealer=world.dealers["A"],
            file_name=name,
            sha256=kept.sha256,
            size=kept.size,
            status="checked",
            check_result={"names": {"customers": [NAME] if name != "c.csv" else []}},
            created_at=NOW,
        )
    flag = DriftFlag.objects.filter(sensor=world.sensors["A1"]).first()
    DriftFlag.objects.filter(pk=flag.pk).update(
        close_reason=f"{NICK} replaced it", status="closed", closed_by=world.users["managerA"]
    )
    Blackout.objects.create(
        customer=customer, first_day=date(2026, 5, 1), last_day=date(2026, 5, 9),
        reason=f"{NICK} is away",
    )  # fmt: skip
    SeasonPlan.objects.create(
        dealer=world.dealers["A"], planned_at=NOW, made_by="greedy", cost=1, greedy_cost=1,
        unplanned=[{"customer": customer.pk, "customer_name": NAME, "reason": "no day is free"}],
    )  # fmt: skip
    FlagFamily.objects.create(dealer=world.dealers["A"], cause=f"the jack of {NICK}", made_at=NOW)
    KeptLook.objects.create(
        person=world.users["managerA"], name="his", query=f"q={quote_plus(NAME)}"
    )
    KeptLook.objects.create(person=world.users["managerA"], name="mine", query="level=beyond")
    KeptLook.objects.create(person=world.users["admin"], name="hers", query=quote_plus(NAME))
    for row in (customer, Visit.objects.get(customer=customer), world.installations["A1"]):
        LogEntry.objects.create(
            user=world.users["managerA"],
            content_type=ContentType.objects.get_for_model(type(row)),
            object_id=str(row.pk),
            object_repr=f"{NAME}: {NICK}",
            action_flag=CHANGE,
            change_message="",
        )
    customer.refresh_from_db()
    return world


def erase(world, **changes):
    call = {"scope": world.scopes["managerA"], "now": NOW, "confirm": NAME, "also": [NICK]}
    return personal.erase(world.customers["A1"], **(call | changes))


def test_nothing_of_the_person_is_left_in_any_table_and_every_record_verifies(told):
    assert {word for _, word in holding()} == set(WORDS)
    measured = list(
        Calibration.objects.order_by("pk").values_list("pk", "digest", "content_digest")
    )
    erased = erase(told)
    assert holding() == []
    assert erased.kept == []
    assert [look.name for look in KeptLook.objects.all()] == ["mine"]
    assert list(verify(now=NOW)) == []
    assert (
        list(Calibration.objects.order_by("pk").values_list("pk", "digest", "content_digest"))
        == measured
    )
    assert erased.counts["calibration"] == 2
    assert erased.counts["functional test"] == 1
    assert erased.counts["uploaded file"] == 2
    customer = Customer.objects.get(pk=told.customers["A1"].pk)
    assert (customer.name, customer.email, customer.phone) == (
        f"erased customer {customer.pk}",
        "",
        "",
    )
    kept = Calibration.objects.get(sensor=told.sensors["A1"], chain_number=2)
    assert kept.note == f"{personal.ERASED} held the jack; cable chafed"
    assert kept.technician == personal.ERASED
    # What is not the person's stays: other words, other customers, other files.
    assert (
        Calibration.objects.get(sensor=told.sensors["A1"], chain_number=1).technician == "K. Wrona"
    )
    assert "M-A2 of Farm A2" in Digest.objects.get().body
    others = keeping.path_of(ImportRun.objects.get(file_name="c.csv").sha256)
    assert others.read_bytes() == b"customer\nFarm A2\n"
    assert Customer.objects.get(pk=told.customers["A2"].pk).name == "Farm A2"


def test_the_trail_says_that_something_was_erased_by_whom_and_not_what(told):
    erase(told)
    erasure = Erasure.objects.get()
    assert (erasure.erased_by, erasure.open) == (told.users["managerA"], False)
    assert erasure.counts["customer"] == 1
    changed = Change.objects.filter(table="fleet_customer", row=str(erasure.customer_id)).latest(
        "pk"
    )
    assert changed.before["name"] == personal.ERASED
    assert changed.after["name"] == f"erased customer {erasure.customer_id}"


def test_a_salt_is_what_keeps_erased_words_from_being_guessed(told):
    row = Calibration.objects.get(sensor=told.sensors["A1"], chain_number=2)
    said = [getattr(row, name) for name in digests.WORDS]
    assert len(row.words_salt) == 32
    erase(told)
    row.refresh_from_db()
    assert row.words_salt == ""
    assert row.words_digest not in {digests.words_digest("", *said), ""}


@pytest.mark.parametrize(
    "tampering",
    [
        "UPDATE calibration_calibrationpoint SET reading = reading + 1 WHERE number = 2",
        "UPDATE calibration_calibration SET words_digest = '0' WHERE words_digest <> ''",
        "UPDATE calibration_calibration SET reason = 'repair' WHERE words_digest <> ''",
    ],
)
def test_an_erased_record_still_shows_that_it_was_altered(told, tampering):
    erase(told)
    unsealed(tampering)
    assert any("content" in finding.what for finding in verify(now=NOW))


def test_the_seals_stand_again_when_it_is_done(told):
    from django.db import DatabaseError, transaction

    erase(told)
    for change in ({"note": "x"}, {"performed_at": NOW}):
        with pytest.raises(DatabaseError, match="sealed"), transaction.atomic():
            Calibration.objects.update(**change)
    # Even while an erasure is open, only words may go.
    with transaction.atomic():
        Erasure.objects.create(
            dealer=told.dealers["A"], customer=told.customers["A1"], erased_at=NOW
        )
        Calibration.objects.filter(chain_number=1).update(note="")
        for change in ({"performed_at": NOW}, {"digest": "0"}, {"note": "x", "reason": "repair"}):
            with pytest.raises(DatabaseError, match="sealed"), transaction.atomic():
                Calibration.objects.update(**change)
        transaction.set_rollback(True)


def test_the_same_record_sent_again_is_still_the_same_and_brings_nothing_back(told):
    erase(told)
    row = Calibration.objects.get(sensor=told.sensors["A1"], chain_number=2)
    draft = told.draft(
        "A1", id=row.pk, performed_at=datetime(2025, 3, 10, 9, 0, tzinfo=UTC), technician=NAME,
        note=f"{NAME.upper()} held the jack; cable chafed",
    )  # fmt: skip
    again = records.record_calibration(draft, scope=SYSTEM, now=NOW)
    assert not again.created
    assert holding() == []


def test_a_record_of_version_1_keeps_its_words_and_is_named(told):
    row = Calibration.objects.get(sensor=told.sensors["A1"], chain_number=3)
    unsealed("UPDATE calibration_calibration SET words_salt = '' WHERE chain_number = 3")
    row.refresh_from_db()
    content = digests.content_digest(row, row.points.all(), dealer_code=row.dealer.code)
    unsealed(
        "UPDATE calibration_calibration SET content_digest = %s WHERE chain_number = 3", content
    )
    row.refresh_from_db()
    previous = Calibration.objects.get(sensor=row.sensor, chain_number=2).digest
    chained = digests.chained(
        previous, number=3, content=content, recorded_at=row.recorded_at, by=row.recorded_by_id
    )
    unsealed("UPDATE calibration_calibration SET digest = %s WHERE chain_number = 3", chained)
    assert list(verify(now=NOW)) == []
    erased = erase(told)
    assert erased.kept == [row.pk]
    assert {table for table, _ in holding()} == {"calibration_calibration"}
    assert list(verify(now=NOW)) == []


def test_it_is_given_out_whole(told):
    given = personal.personal_data(told.customers["A1"], scope=told.scopes["managerA"])
    assert given["customer"]["name"] == NAME
    assert given["customer"]["phone"] == PHONE
    assert [row["name"] for row in given["machines"]] == [f"{NICK}'s planter"]
    assert given["visits"][0]["note"] == f"ring {NICK}, {PHONE}"
    assert given["e_mails"][0]["lines"] == [f"M-A1 of {NAME}"]
    assert {row["note"] for row in given["records"]} >= {f"call {PHONE} first"}
    assert OLD_EMAIL in str(given["changes"])


def test_it_is_refused_where_it_must_be(told):
    before = Erasure.objects.count()
    for person in ("techA", "managerB", "reviewer"):
        with pytest.raises(Forbidden):
            erase(told, scope=told.scopes[person])
        with pytest.raises(Forbidden):
            personal.personal_data(told.customers["A1"], scope=told.scopes[person])
    with pytest.raises(Invalid, match="name"):
        erase(told, confirm="Somebody else")
    with pytest.raises(Invalid, match="Too short"):
        erase(told, also=["a"])
    assert Erasure.objects.count() == before
    assert Customer.objects.get(pk=told.customers["A1"].pk).name == NAME


def test_a_machine_that_was_sold_is_looked_at_too_and_the_buyer_keeps_his_name(told):
    buyer = told.customers["B1"]
    registry.transfer_machine(scope=SYSTEM, machine=told.machines["A1"], customer=buyer)
    erase(told)
    assert holding() == []
    assert Customer.objects.get(pk=buyer.pk).name == "Farm B1"


def test_over_the_api(told):
    from rest_framework.test import APIClient

    client = APIClient()
    _, token = told.users["managerA"].auth_token_set.create(name="test")
    client.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
    address = f"/api/v1/customers/{told.customers['A1'].pk}/personal-data/"
    assert client.get(address).json()["customer"]["email"] == EMAIL
    refused = client.post(f"{address}erase/", {"confirm": "nobody"})
    assert refused.status_code == 422
    done = client.post(f"{address}erase/", {"confirm": NAME, "also": [NICK]})
    assert done.status_code == 200, done.content
    assert done.json()["counts"]["customer"] == 1
    assert done.json()["kept"] == []
    assert holding() == []
