"""Every change by whom, when, from what to what: written by the database, changed by nobody."""

from datetime import date

import pytest
from django.core.management import call_command
from django.db import DatabaseError, connection, transaction
from django.test import Client

from calibration import audited, flags
from calibration.apps import check_seals
from calibration.models import DriftFlag, TolerancePolicy
from calibration.records import PointDraft
from fleet import auditing, registry
from fleet.acting import Actor, acting
from fleet.enrolling import Newcomers, enrol
from fleet.models import AccessToken, Change, Customer, Sensor
from tests.conftest import NOW, SYSTEM
from tests.desk import page, without_files


def last(table, **more):
    return Change.objects.filter(table=table, **more).latest("pk")


def test_entering_changing_and_removing_are_written_down(world):
    customer = world.customers["A1"]
    entered = Change.objects.get(table="fleet_customer", row=str(customer.pk))
    assert (entered.what, entered.before) == ("insert", None)
    assert entered.after["name"] == "Farm A1"
    assert (entered.dealer_id, entered.customer_id) == (world.dealers["A"].pk, customer.pk)
    with acting(Actor(world.users["managerA"].pk, "api")):
        registry.edit(
            customer, scope=SYSTEM, phone="+48 1", name="Farm \N{LATIN SMALL LETTER L WITH STROKE}"
        )
    changed = last("fleet_customer", row=str(customer.pk))
    assert changed.what == "update"
    assert changed.before == {"name": "Farm A1", "phone": "+48 555 A1"}
    assert changed.after == {"name": "Farm \N{LATIN SMALL LETTER L WITH STROKE}", "phone": "+48 1"}
    assert (changed.actor, changed.via) == (world.users["managerA"], "api")
    sensor = registry.register_sensor(
        scope=SYSTEM, dealer=world.dealers["A"], serial="S-SPARE", model=world.sensor_model
    )
    Sensor.objects.filter(pk=sensor.pk).delete()
    gone = last("fleet_sensor")
    assert (gone.what, gone.after) == ("delete", None)
    assert gone.before["serial"] == "S-SPARE"
    assert gone.actor is None  # the actor's block has ended


def test_raw_sql_and_bulk_statements_are_written_down_too(world):
    before = Change.objects.filter(table="fleet_machine").count()
    with connection.cursor() as cursor:
        cursor.execute("UPDATE fleet_machine SET name = 'x'")
    found = Change.objects.filter(table="fleet_machine").order_by("-pk")[:4]
    assert Change.objects.filter(table="fleet_machine").count() == before + 4
    assert {row.machine_id for row in found} == {row.pk for row in world.machines.values()}
    assert all(row.after == {"name": "x"} for row in found)
    with connection.cursor() as cursor:
        cursor.execute("UPDATE fleet_machine SET name = 'x'")  # nothing is another than it was
    assert Change.objects.filter(table="fleet_machine").count() == before + 4


def test_rows_that_a_file_brings_are_written_down_with_who_loads_it(world):
    keys = [Customer.objects.latest("pk").pk + n for n in (1, 2)]
    rows = [Customer(pk=pk, dealer=world.dealers["A"], name=f"new {pk}") for pk in keys]
    with acting(Actor(world.users["managerA"].pk, "api")):
        enrol(Newcomers(customers=rows), dealer=world.dealers["A"], scope=SYSTEM)
    found = Change.objects.filter(table="fleet_customer", row__in=map(str, keys))
    assert {row.actor_id for row in found} == {world.users["managerA"].pk}
    assert len(found) == 2


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE fleet_change SET actor_id = 1",
        "UPDATE fleet_change SET after = NULL",
        "DELETE FROM fleet_change",
        "DELETE FROM fleet_erasure",
    ],
)
def test_the_trail_is_only_added_to(world, statement):
    from fleet.models import Erasure

    Erasure.objects.create(
        dealer=world.dealers["A"], customer=world.customers["A1"], erased_at=NOW, open=False
    )
    with (
        pytest.raises(DatabaseError, match="sealed"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement)


def test_secrets_are_not_written_down(world):
    person = world.users["techA"]
    person.set_password("another-long-password")
    person.save()
    changed = last("fleet_user")
    assert changed.before == changed.after == {"password": "(secret)"}
    before = Change.objects.count()
    person.last_login = NOW
    person.save(update_fields=["last_login"])
    assert Change.objects.count() == before  # signing in is no change of the register
    _, token = AccessToken.objects.create(user=person, name="tablet")
    made = last("fleet_accesstoken")
    assert made.row == str(person.pk)
    assert made.after["digest"] == made.after["token_key"] == "(secret)"
    assert made.after["name"] == "tablet"
    kept = AccessToken.objects.get(user=person)
    everything = str(list(Change.objects.values_list("before", "after")))
    for secret in (token, kept.digest, kept.token_key, person.password):
        assert secret not in everything


def test_what_a_person_decides_is_written_down_and_what_a_scan_does_is_not(world):
    turned = (PointDraft(0, 20000), PointDraft(100, 32000))
    world.season("A1", 2024)
    world.season("A1", 2025, points=turned)
    assert not Change.objects.filter(table="calibration_driftflag").exists()
    flag = DriftFlag.objects.filter(sensor=world.sensors["A1"]).earliest("pk")
    with acting(Actor(world.users["techA"].pk, "api")):
        flags.acknowledge(flag, user_id=world.users["techA"].pk, now=NOW)
    seen = last("calibration_driftflag")
    assert seen.after["acknowledged_by_id"] == world.users["techA"].pk
    assert (seen.sensor, seen.actor) == (world.sensors["A1"], world.users["techA"])
    assert not Change.objects.filter(table__in=["calibration_fit", "calibration_judgement"])


def test_rules_are_written_down(world):
    policy = TolerancePolicy.objects.create(dealer=world.dealers["A"], setpoints=[50])
    policy.slope_tolerance_pct, policy.setpoints = 4.0, [50, 100]
    policy.save()
    changed = last("calibration_tolerancepolicy")
    assert changed.after["slope_tolerance_pct"] == 4.0
    assert changed.dealer == world.dealers["A"]


def test_a_transaction_never_inherits_the_last_ones_actor(world):
    with acting(Actor(world.users["managerA"].pk, "api")), transaction.atomic():
        registry.edit(world.customers["A1"], scope=SYSTEM, phone="1")
        with transaction.atomic():
            registry.edit(world.customers["A2"], scope=SYSTEM, phone="2")
            transaction.set_rollback(True)
        with acting(Actor(world.users["admin"].pk, "desk")):
            registry.edit(world.customers["A1"], scope=SYSTEM, phone="3")
        registry.edit(world.customers["A1"], scope=SYSTEM, phone="4")
    registry.edit(world.customers["A1"], scope=SYSTEM, phone="5")
    rows = Change.objects.filter(table="fleet_customer", what="update").order_by("pk")
    said = [(row.after["phone"], getattr(row.actor, "username", None), row.via) for row in rows]
    assert said == [
        ("1", "managerA", "api"), ("3", "admin", "desk"), ("4", "managerA", "api"),
        ("5", None, ""),
    ]  # fmt: skip


def test_the_check_names_triggers_that_are_missing(world):
    auditing.remove(connection)
    assert [message.id for message in check_seals(["default"])] == ["calibration.E002"]
    auditing.install(connection, (*auditing.TABLES, *audited.TABLES))
    assert check_seals(["default"]) == []


def test_every_table_is_audited_or_said_not_to_be():
    """A new table has to say where it belongs: audited, sealed, derived or a log of its own."""
    from django.apps import apps

    from calibration.sealing import SEALED_TABLES

    derived = {
        "fit", "judgement", "duestate", "functionalverdict", "furthercompany", "lotcount",
        "lotlooks", "lotprior", "lotscounted", "packedhistory", "sensormodelnoise", "stalesensor",
        "uncountedsensor", "scanchunk", "scanrun", "visitline", "modelinterval", "seasonplan",
        "keptlook",
    }  # fmt: skip
    logs = {"reminder", "digest", "importrun", "event", "importrowoutcome", "customernote"}
    plain = {"fleet_acting", "fleet_changedseat"}
    known = {each.table for each in (*auditing.TABLES, *audited.TABLES)} | set(SEALED_TABLES)
    known |= {f"calibration_{name}" for name in derived | logs} | plain
    tables = {
        model._meta.db_table for app in ("fleet", "calibration")
        for model in apps.get_app_config(app).get_models()
    }  # fmt: skip
    assert tables - known == set()


# ── Through the doors ─────────────────────────────────────────────────────────
@pytest.fixture
def client_of(world):
    from rest_framework.test import APIClient

    def client(name):
        made = APIClient()
        _, token = world.users[name].auth_token_set.create(name="test")
        made.credentials(HTTP_AUTHORIZATION=f"Bearer {token}")
        return made

    return client


def test_every_write_of_the_api_is_its_persons(world, client_of):
    manager, admin = client_of("managerA"), client_of("admin")
    since = Change.objects.latest("pk").pk
    v1 = "/api/v1"
    made = manager.post(f"{v1}/customers/", {"name": "Neuhof", "email": "n@neuhof.example"})
    assert made.status_code == 201
    machine = manager.post(
        f"{v1}/machines/",
        {"customer": made.json()["id"], "model": world.machine_model.pk, "serial": "M-NEW"},
    )
    assert machine.status_code == 201, machine.content
    sensor = manager.post(
        f"{v1}/sensors/", {"serial": "S-NEW", "model": world.sensor_model.pk, "dealer": "NORTH"}
    )
    assert sensor.status_code == 201, sensor.content
    seat = manager.post(
        f"{v1}/installations/",
        {"sensor": "S-NEW", "machine": "M-NEW", "position": "row 1", "installed_on": "2026-01-05"},
    )
    assert seat.status_code == 201, seat.content
    calls = [
        manager.patch(f"{v1}/customers/{made.json()['id']}/", {"phone": "+48 9"}),
        manager.patch(f"{v1}/installations/{seat.json()['id']}/", {"removed_on": "2026-02-01"}),
        manager.post(f"{v1}/references/", {"name": "scale 9", "kind": "scale"}),
        manager.post(f"{v1}/policies/", {"dealer": "NORTH", "slope_tolerance_pct": 4}),
        manager.post(
            f"{v1}/machines/{machine.json()['id']}/transfer/",
            {"customer": world.customers["A1"].pk},
        ),
    ]
    assert [answer.status_code for answer in calls] == [200, 200, 201, 201, 200], [
        c.content for c in calls
    ]
    rows = Change.objects.filter(pk__gt=since)
    assert {row.actor_id for row in rows} == {world.users["managerA"].pk}
    assert {row.via for row in rows} == {"api"}
    assert {row.table for row in rows} >= {
        "fleet_customer", "fleet_machine", "fleet_sensor", "fleet_installation",
        "calibration_referencestandard", "calibration_tolerancepolicy",
    }  # fmt: skip
    since = Change.objects.latest("pk").pk
    assert (
        admin.patch(f"{v1}/machine-models/{world.machine_model.pk}/", {"rows": 12}).status_code
        == 200
    )
    changed = Change.objects.get(pk__gt=since)
    assert (changed.actor, changed.before, changed.after) == (
        world.users["admin"], {"rows": 8}, {"rows": 12},
    )  # fmt: skip


def test_what_the_desk_writes_is_its_persons(world, settings):
    without_files(settings)
    client = Client()
    client.force_login(world.users["managerA"])
    customer = world.customers["A1"]
    since = Change.objects.latest("pk").pk
    answer = client.post(
        page(Customer, "change", customer.pk),
        {
            "dealer": world.dealers["A"].pk,
            "name": "Farm A1",
            "email": "new@farm.example",
            "phone": "7",
        },
    )
    assert answer.status_code == 302, answer.content.decode()[:3000]
    changed = Change.objects.get(pk__gt=since)
    assert (changed.actor, changed.via) == (world.users["managerA"], "desk")
    assert changed.after == {"email": "new@farm.example", "phone": "7"}
    text = client.get(page(Change, "changelist") + f"?customer__id={customer.pk}").content.decode()
    assert "new@farm.example" in text
    assert "managerA" in text


def test_a_command_is_named(world, tmp_path):
    file = tmp_path / "setup.json"
    file.write_text('{"machine_models": [{"name": "Sämann 6", "kind": "planter", "rows": 6}]}')
    call_command("load_register", str(file), verbosity=0)
    made = last("fleet_machinemodel")
    assert (made.actor, made.via) == (None, "command load_register")


def test_the_api_filters_and_keeps_dealers_apart(world, client_of):
    sensor, machine = world.sensors["A1"], world.machines["A1"]
    with acting(Actor(world.users["techA"].pk, "api")):
        registry.remove_sensor(
            scope=SYSTEM, installation=world.installations["A1"], removed_on=date(2025, 1, 1)
        )
    manager = client_of("managerA")

    def asked(query):
        answer = manager.get(f"/api/v1/audit/?{query}")
        assert answer.status_code == 200, answer.content
        return answer.json()["results"]

    (removed,) = asked(f"sensor={sensor.pk}&what=update")
    assert removed["actor_name"] == "techA"
    assert removed["before"] == {"removed_on": None}
    assert removed["after"] == {"removed_on": "2025-01-01"}
    assert {row["table"] for row in asked(f"machine={machine.pk}")} == {
        "fleet_machine", "fleet_installation",
    }  # fmt: skip
    assert [row["id"] for row in asked("actor_name=TECHA")] == [removed["id"]]
    assert asked(f"customer={world.customers['A1'].pk}&table=fleet_customer")
    assert asked("at_after=2200-01-01") == []
    assert {row["dealer"] for row in asked("page_size=500")} == {world.dealers["A"].pk}
    for role in ("techA", "reviewer"):
        assert client_of(role).get("/api/v1/audit/").status_code == 403
    everything = client_of("admin").get("/api/v1/audit/?page_size=500").json()["results"]
    assert {row["dealer"] for row in everything} >= {row.pk for row in world.dealers.values()} | {
        None
    }


@pytest.mark.django_db(transaction=True)
def test_nothing_of_who_acted_is_left_when_the_transaction_has_ended():
    from fleet.models import Acting, Dealer, User

    person = User.objects.create_user("one", password="x" * 12)
    with acting(Actor(person.pk, "api")):
        row = registry.clean_and_save(Dealer(code="ONE", name="One"))
        assert Acting.objects.count() == 0
    registry.edit(row, scope=SYSTEM, name="Two")
    said = Change.objects.filter(table="fleet_dealer").order_by("pk").values_list("actor", "via")
    assert list(said) == [(person.pk, "api"), (None, "")]
    # Outside of a transaction nobody is named rather than somebody else.
    with acting(Actor(person.pk, "api")):
        Dealer.objects.filter(pk=row.pk).update(name="Three")
    assert last("fleet_dealer").actor is None
