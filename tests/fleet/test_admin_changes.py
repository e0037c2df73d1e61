"""The trail as a manager reads it: which thing, which field, from what to what; no key, no JSON
but the folded one; and nothing of those whom the reader may not see."""

from datetime import date, datetime
from html import unescape

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from calibration.models import TolerancePolicy, Visit
from calibration.planning import appointments
from fleet import registry
from fleet.admin.change_words import Trail
from fleet.models import Change, Membership
from tests.conftest import NOW, SYSTEM
from tests.desk import page, signed_in, without_files


@pytest.fixture(autouse=True)
def _desk(settings):
    without_files(settings)


def said(world, name="managerA", **asked) -> tuple[str, list[tuple[str, str, str]]]:
    """Return how the latest of these changes is told to a person."""
    row = Change.objects.filter(**asked).latest("pk")
    trail = Trail([row], world.scopes[name])
    return trail.thing(row), [(one["field"], one["from"], one["to"]) for one in trail.lines(row)]


def test_a_changed_field_is_named_with_its_values(world):
    registry.edit(world.customers["A1"], scope=SYSTEM, phone="+48 1", email="")
    thing, lines = said(world, table="fleet_customer", what="update")
    assert thing == "customer Farm A1"
    assert ("Phone", "+48 555 A1", "+48 1") in lines


def test_choices_yes_and_no_and_moments_are_words(world):
    registry.edit(world.dealers["A"], scope=SYSTEM, tells_customers=True, language="de")
    thing, lines = said(world, table="fleet_dealer", what="update")
    assert thing == "dealer Nordfeld Service"
    assert set(lines) == {("Tells customers", "no", "yes"), ("Language", "English", "Deutsch")}
    visit = Visit(
        customer=world.customers["A1"], season=2026, planned_on=date(2026, 4, 13),
        due_on=date(2026, 4, 13),
    )  # fmt: skip
    appointments.make(visit, now=NOW)
    later = datetime.fromisoformat("2026-04-13T10:00:00+02:00")
    appointments.edit(visit, now=later, status="done")
    thing, lines = said(world, table="calibration_visit", what="update")
    assert thing == "visit of customer Farm A1"
    assert ("Status", "planned", "done") in lines
    assert ("Done at", "nothing", "2026-04-13 08:00 +0000") in lines
    TolerancePolicy.objects.create(dealer=world.dealers["A"], slope_tolerance_pct=2.5)
    thing, lines = said(world, table="calibration_tolerancepolicy")
    assert ("Slope tolerance in %", "nothing", "2.5") in lines
    assert ("Dealer", "nothing", "Nordfeld Service") in lines
    assert not [field for field, *_ in lines if field in {"Id", "Number"}]


def test_a_changes_page_is_titled_in_words(world):
    registry.edit(world.customers["A1"], scope=SYSTEM, phone="+48 1")
    row = Change.objects.filter(table="fleet_customer", what="update").latest("pk")
    shown = signed_in(world.users["managerA"]).get(page(row, "change", row.pk))
    text = shown.content.decode()
    assert "<h1>Customer Farm A1 changed</h1>" in text
    assert f"fleet_customer {row.row}" not in text


def test_what_has_no_name_is_told_by_whose_it_is(world):
    registry.remove_sensor(
        scope=SYSTEM, installation=world.installations["A1"], removed_on=date(2026, 4, 1)
    )
    thing, lines = said(world, table="fleet_installation", what="update")
    assert thing == "installation of sensor S-A1, machine M-A1"
    assert lines == [("Removed on", "nothing", "2026-04-01")]
    Membership.objects.filter(user=world.users["techA"]).update(hours_per_day=6)
    assert said(world, table="fleet_membership", what="update")[1] == [("Hours per day", "8", "6")]
    Membership.objects.filter(user=world.users["techA"]).delete()
    asked = {"table": "fleet_membership", "what": "delete"}
    assert ("User", "techA", "nothing") in said(world, "admin", **asked)[1]
    left = ("User", f"number {world.users['techA'].pk}", "nothing")
    assert left in said(world, **asked)[1]  # who has left is none of the manager's people


def test_whom_the_reader_may_not_see_stays_a_number(world):
    buyer = world.customers["B1"]
    registry.transfer_machine(scope=SYSTEM, machine=world.machines["A1"], customer=buyer)
    asked = {"table": "fleet_machine", "what": "update"}
    assert said(world, "managerA", **asked)[1] == [("Customer", "Farm A1", f"number {buyer.pk}")]
    assert said(world, "admin", **asked)[1] == [("Customer", "Farm A1", "Farm B1")]
    client = signed_in(world.users["managerA"])
    text = client.get(page(Change, "changelist") + "?table=fleet_machine").content.decode()
    assert "Farm B1" not in text


def test_the_page_speaks_words_and_keeps_the_json_folded(world):
    registry.edit(world.customers["A1"], scope=SYSTEM, phone="<b>+48 1</b>")
    client = signed_in(world.users["managerA"])
    address = page(Change, "changelist")
    text = client.get(f"{address}?table=fleet_customer&what__exact=update").content.decode()
    assert "customer Farm A1" in text
    shown = "<li><strong>Phone</strong>: from +48 555 A1 to &lt;b&gt;+48 1&lt;/b&gt;</li>"
    assert shown in text
    before, _, rest = text.partition('<details class="kept">')
    assert "fleet_customer" not in before.partition('"field-who"')[2]
    assert '"phone": "+48 555 A1"' in unescape(rest)
    row = Change.objects.filter(table="fleet_customer", what="update").latest("pk")
    own = client.get(page(row, "change", row.pk)).content.decode()
    assert shown in own
    assert '<details class="kept">' in own
    found = client.get(f"{address}?q=S-A1").context["cl"].result_list
    assert {each.sensor_id for each in found} <= {world.sensors[name].pk for name in ("A1", "A1b")}
    assert found


def test_names_cost_no_query_for_each_row(world):
    client, address = signed_in(world.users["managerA"]), page(Change, "changelist")

    def cost() -> int:
        with CaptureQueriesContext(connection) as seen:
            assert client.get(address).status_code == 200
        return len(seen)

    cost()
    before = cost()
    for number in range(10):
        registry.edit(world.customers["A1"], scope=SYSTEM, phone=f"+48 {number}")
        registry.edit(world.sensors["A1"], scope=SYSTEM, lot=f"L{number}")
    assert cost() <= before <= 12
