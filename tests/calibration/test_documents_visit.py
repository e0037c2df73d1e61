"""The visit sheet and the cab card."""

import io
import json
import zipfile
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from calibration import documents, readout
from calibration.documents.typesetting import typeset
from calibration.models import DriftFlag, DueState
from calibration.records import PointDraft
from fleet import registry
from fleet.errors import Invalid, NotFound
from fleet.models import Customer
from tests.calibration.documents_text import pages, text_of
from tests.conftest import NOW, SYSTEM
from tests.shared_world import upon_the_world

LOST = (PointDraft(0, 20010), PointDraft(100, 29410))  # 6 % less signal than the season before


def positions(data):
    return {one["position"]: one for machine in data["machines"] for one in machine["positions"]}


@upon_the_world
def visited(world):
    """Customer A1: row 1 steady, row 8 lost sensitivity; both measured in two seasons."""
    for which in ("A1", "A1b"):
        world.season(which, 2024)
    world.season("A1", 2025)
    world.season("A1b", 2025, points=LOST)
    return world


def sheet(world, scope="techA", customer="A1"):
    return documents.visit_sheet_data(
        world.customers[customer], scope=world.scopes[scope], now=NOW
    )


def test_it_shows_the_numbers_of_the_answer(visited):
    newest = visited.sensors["A1b"].calibrations.order_by("-performed_at").first()
    answer = readout.calibration_answer(newest, visited.scopes["techA"])
    last = positions(sheet(visited))["row 8"]["last"]
    assert last["calibration"] == answer["id"]
    assert (last["performed_on"], last["season"], last["verdict"]) == (
        "2025-03-10",
        2025,
        "beyond",
    )
    fit = answer["fit"]
    assert last["slope"]["value"] == fit["slope"] == pytest.approx(94.0)
    assert last["slope"]["text"] == readout.rounded(fit["slope"], fit["u_slope"])
    assert last["offset"]["text"] == readout.rounded(fit["offset"], fit["u_offset"])
    assert last["slope"]["unit"] == "count/daN"


def test_the_expected_range_lies_around_the_last_numbers(visited):
    """Default tolerance 3 % of slope, 2 % of the rated 200 daN: 4 daN, 400 counts."""
    expected = positions(sheet(visited))["row 1"]["expected"]
    low, high = expected["slope"]["from"], expected["slope"]["to"]
    assert (low + high) / 2 == pytest.approx(100.0)
    assert 3.0 <= (high - low) / 2 < 3.0 * 1.2
    zero, span = expected["readings"]
    assert (zero["load"], span["load"]) == (0.0, 100.0)
    assert zero["from"] == pytest.approx(expected["offset"]["from"])
    assert zero["from"] < 20000 - 400 < 20000 + 400 < zero["to"]
    assert 500.0 <= (span["to"] - span["from"]) / 2 < 500.0 * 1.2  # hypot(400, 300) and noise


WRONG = (PointDraft(0, 20700), PointDraft(100, 30007))  # of 20070, digits transposed


def cab_lines(world):
    data = documents.cab_card_data(
        world.machines["A1"], scope=world.scopes["techA"], now=NOW, link=""
    )
    return {line["position"]: line for card in data["cards"] for line in card}


def test_numbers_in_doubt_are_shown_and_the_ones_before_them_expected(visited):
    before = positions(sheet(visited))["row 1"]
    assert before["last"]["doubt"] is None
    assert before["expected"]["performed_on"] == "2025-03-10"
    wrong = visited.season("A1", 2026, points=WRONG).calibration
    one = positions(sheet(visited))["row 1"]
    assert one["last"]["calibration"] == str(wrong.pk)
    assert one["last"]["doubt"]["code"] == "digits_transposed"
    assert one["expected"] == before["expected"]
    text = text_of(pdf_of(visited))
    assert "In doubt: not to be compared with." in text
    assert "around the numbers of 2025-03-10" in text


def test_the_cab_card_prints_what_is_in_the_console_and_says_that_it_is_in_doubt(visited):
    visited.season("A1", 2026, points=WRONG)
    line = cab_lines(visited)["row 1"]
    assert line["slope"]["value"] == pytest.approx(93.07)
    assert line["performed_on"] == "2026-03-10"
    assert line["doubt"]["code"] == "digits_transposed"
    card = text_of(documents.cab_card(visited.machines["A1"], scope=SYSTEM, now=NOW))
    assert "In doubt: probably measured or typed wrongly" in card
    right = visited.season(
        "A1", 2026, performed_at=datetime(2026, 3, 11, 9, 0, tzinfo=UTC),
        points=(PointDraft(0, 20008), PointDraft(100, 30011)),
    ).calibration  # fmt: skip
    assert cab_lines(visited)["row 1"]["doubt"] is None
    assert positions(sheet(visited))["row 1"]["expected"]["calibration"] == str(right.pk)


def test_where_no_numbers_are_believed_none_are_expected(world):
    """A first calibration that does not fit its tag, with a zero under load."""
    sensor = world.sensors["A1"]
    sensor.tag_zero_reading, sensor.tag_span_reading = 20010.0, 30020.0
    sensor.tag_span_load, sensor.tag_load_unit = 100.0, "daN"
    sensor.save()
    world.season("A1", 2025, points=(PointDraft(0, 26000), PointDraft(100, 30000)))
    one = positions(sheet(world))["row 1"]
    assert one["last"]["doubt"]["code"] == "preloaded_zero"
    assert one["expected"] is None
    text = text_of(pdf_of(world))
    assert "No numbers before these" in text
    assert "Tag: 20010 at 0, 30020 at 100" in text


def test_a_flag_comes_with_its_likely_cause_and_check(visited):
    (flag,) = positions(sheet(visited))["row 8"]["flags"]
    assert (flag["kind"], flag["level"]) == ("slope", "beyond")
    assert flag["says"] == "slope changed by -6.00 %, tolerance 3 %"
    assert flag["on"] == "2025-03-10"
    assert flag["likely"]["says"]
    assert flag["likely"]["check"]
    assert positions(sheet(visited))["row 1"]["flags"] == []


def test_cautions_and_steps_say_what_can_hurt(visited):
    """Common practice of the trade, no source."""
    data = sheet(visited)
    cautions, steps = " ".join(data["cautions"]), " ".join(data["steps"])
    for words in ("operator's manual", "local codes", "licensed", "locks", "takes minutes"):
        assert words in cautions
    for words in ("neutral", "bleed", "hanging", "Not too tall", "must not tilt"):
        assert words in steps
    assert steps.index("Zero:") < steps.index("Span:")


def test_positions_and_machines_stand_in_the_order_of_the_work(visited):
    customer = visited.customers["A1"]
    for serial, position, due in (("S-10", "row 10", "2026-06-01"), ("S-2", "row 2", None)):
        machine = registry.register_machine(
            scope=SYSTEM, customer=customer, model=visited.machine_model, serial=f"M-{serial}"
        )
        for number in ("row 10", "row 9", position):
            if machine.installations.filter(position=number).exists():
                continue
            sensor = registry.register_sensor(
                scope=SYSTEM,
                dealer=visited.dealers["A"],
                serial=f"{serial}-{number[4:]}",
                model=visited.sensor_model,
            )
            registry.install_sensor(
                scope=SYSTEM,
                sensor=sensor,
                machine=machine,
                position=number,
                installed_on=date(2025, 1, 1),
            )
        DueState.objects.filter(sensor__installations__machine=machine).delete()
        if due:
            DueState.objects.create(
                sensor=machine.installations.get(position="row 9").sensor,
                due_on=due,
                decided_by="interval",
            )
    machines = sheet(visited)["machines"]
    assert [(one["serial"], one["due"]) for one in machines] == [
        ("M-A1", "overdue"),
        ("M-S-10", "later"),
        ("M-S-2", ""),
    ]
    assert [one["position"] for one in machines[2]["positions"]] == ["row 2", "row 9", "row 10"]


def test_a_new_cell_shows_its_tag(world):
    sensor = world.sensors["A1"]
    sensor.tag_zero_reading, sensor.tag_span_reading = 20100.0, 30150.0
    sensor.tag_span_load, sensor.tag_load_unit = 100.0, "daN"
    sensor.save()
    one = positions(sheet(world))["row 1"]
    assert one["last"] is None
    assert one["expected"] is None
    assert one["sensor"]["tag"]["text"] == "20100 at 0, 30150 at 100 daN"
    assert "No calibration yet. Tag: 20100 at 0" in text_of(pdf_of(world))


def test_a_superseded_calibration_is_not_last_seasons(visited):
    wrong = visited.sensors["A1"].calibrations.order_by("-performed_at").first()
    right = visited.season(
        "A1",
        2025,
        points=(PointDraft(0, 20002), PointDraft(100, 30012)),
        supersedes=wrong,
        supersede_reason="a digit was misread",
    ).calibration
    last = positions(sheet(visited))["row 1"]["last"]
    assert last["calibration"] == str(right.pk)


def test_numbers_from_before_the_cell_came_to_this_machine_say_so(visited):
    registry.remove_sensor(
        scope=SYSTEM, installation=visited.installations["A1"], removed_on=date(2025, 11, 1)
    )
    registry.remove_sensor(
        scope=SYSTEM, installation=visited.installations["A2"], removed_on=date(2025, 11, 1)
    )
    registry.install_sensor(
        scope=SYSTEM,
        sensor=visited.sensors["A1"],
        machine=visited.machines["A2"],
        position="row 1",
        installed_on=date(2025, 11, 1),
    )
    assert "row 1" not in positions(sheet(visited))
    assert positions(sheet(visited, customer="A2"))["row 1"]["last"]["elsewhere"] is True
    card = documents.cab_card_data(
        visited.machines["A2"], scope=visited.scopes["techA"], now=NOW, link=""
    )
    moved = next(line for line in card["cards"][0] if line["position"] == "row 1")
    assert (moved["slope"], moved["performed_on"]) == (None, "")


def test_the_units_are_those_that_were_typed(visited):
    """224.809 lbf are 1000 N: NIST SP 811, B.8 (1 lbf = 4.448 222 N)."""
    visited.season(
        "A1",
        2026,
        load_unit="lbf",
        points=(PointDraft(0, 20000), PointDraft(224.809, 30000)),  # 100 daN
    )
    one = positions(sheet(visited))["row 1"]
    assert one["last"]["slope"]["unit"] == "count/lbf"
    assert one["last"]["slope"]["value"] == pytest.approx(10000 / 224.809)
    low, high = (one["expected"]["offset"][end] for end in ("from", "to"))
    assert (high - low) / 2 == pytest.approx(409, abs=10)  # the same 4 daN in counts
    assert one["expected"]["readings"][1]["text"] == "224.809"


@pytest.mark.parametrize("scope", ["techB", "managerB"])
def test_another_dealer_finds_no_such_customer(visited, scope):
    with pytest.raises(NotFound):
        sheet(visited, scope)
    with pytest.raises(NotFound):
        documents.cab_card(visited.machines["A1"], scope=visited.scopes[scope], now=NOW)


def test_a_warranty_reviewer_sees_the_numbers_and_no_contact(visited):
    data = sheet(visited, "reviewer")
    assert "email" not in data["customer"]
    assert "phone" not in data["customer"]
    assert "a1@farm.example" not in json.dumps(data)
    assert positions(data)["row 8"]["last"]["verdict"] == "beyond"
    assert sheet(visited)["customer"]["phone"] == "+48 555 A1"


def test_after_a_resale_the_new_dealer_sees_the_numbers_and_not_the_former_owner(visited):
    visited.season("A1", 2026, technician="Zofia Wrona", note="key under the Farm A1 doormat")
    registry.transfer_machine(
        scope=SYSTEM, machine=visited.machines["A1"], customer=visited.customers["B1"]
    )
    data = json.dumps(sheet(visited, "techB", "B1"))
    assert "M-A1" in data
    for trace in ("Farm A1", "a1@farm", "Zofia", "doormat"):
        assert trace not in data
    assert "M-A1" not in json.dumps(sheet(visited))


def test_the_number_of_queries_does_not_grow(visited):
    def count():
        with CaptureQueriesContext(connection) as seen:
            sheet(visited)
        return len(seen)

    before = count()
    for number in range(4):
        machine = registry.register_machine(
            scope=SYSTEM,
            customer=visited.customers["A1"],
            model=visited.machine_model,
            serial=f"MORE-{number}",
        )
        for row in (1, 2):
            sensor = registry.register_sensor(
                scope=SYSTEM,
                dealer=visited.dealers["A"],
                serial=f"MORE-{number}-{row}",
                model=visited.sensor_model,
            )
            registry.install_sensor(
                scope=SYSTEM,
                sensor=sensor,
                machine=machine,
                position=f"row {row}",
                installed_on=date(2024, 1, 1),
            )
            visited.sensors["more"] = sensor
            visited.season("more", 2025)
    assert count() == before <= 14


def pdf_of(world, paper="a4"):
    return documents.visit_sheet(
        world.customers["A1"], scope=world.scopes["techA"], now=NOW, paper=paper
    )


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_pdf_says_it_all(visited, paper):
    pdf = pdf_of(visited, paper)
    assert pages(pdf) == 1
    assert pdf == pdf_of(visited, paper)
    text = text_of(pdf)
    for words in (
        "Farm A1",
        "+48 555 A1",
        "Machine M-A1",
        "row 8",
        "94.0 count/daN",
        "2025-03-10",
        "slope changed by -6.00 %",
        "Before anything else",
        "that takes minutes",
        "page 1 of 1",
        "zero again",
        "temperature",  # what the steps ask for has its place to be written
        "circuit pressure at zero",
        "Nordfeld Service",
    ):
        assert words in text


def test_names_in_three_scripts_come_out_as_typed(visited):
    Customer.objects.filter(pk=visited.customers["A1"].pk).update(
        name="Gospodarstwo Żółć · Ферма Їжак · Αγρόκτημα *#x* 播"
    )
    assert "Gospodarstwo Żółć · Ферма Їжак · Αγρόκτημα *#x* □" in text_of(pdf_of(visited))


def test_a_customer_without_machines_gets_a_sheet_too(world):
    empty = registry.register_customer(scope=SYSTEM, dealer=world.dealers["A"], name="New Farm")
    pdf = documents.visit_sheet(empty, scope=world.scopes["techA"], now=NOW)
    assert pages(pdf) == 1
    assert "no machine on record" in text_of(pdf)


def test_a_wrong_paper_is_refused_before_anything_is_read(world, django_assert_num_queries):
    with django_assert_num_queries(0), pytest.raises(Invalid, match="a4 or letter"):
        pdf_of(world, "a5")


def test_the_cab_card_holds_the_numbers_and_no_name(visited):
    scope = visited.scopes["techA"]
    data = documents.cab_card_data(visited.machines["A1"], scope=scope, now=NOW, link="")
    assert [line["slope"]["text"] for line in data["cards"][0]] == ["100.0", "94.0"]
    assert "Farm A1" not in json.dumps(data)
    pdf = documents.cab_card(
        visited.machines["A1"], scope=scope, now=NOW, link="https://spanbook.example.org/m/1"
    )
    assert pages(pdf) == 1
    text = text_of(pdf)
    assert "Machine M-A1" in text
    assert "moved beyond its tolerance" in text


def test_many_rows_go_on_several_cards():
    line = {
        "position": "row",
        "serial": "S",
        "due_on": "",
        "slope": None,
        "offset": None,
        "performed_on": "",
        "verdict": "",
        "doubt": None,
    }
    data = {
        "issued_on": "2026-04-10",
        "dealer": {"name": "Nordfeld"},
        "link": "",
        "qr": "",
        "machine": {"serial": "M", "name": "", "model": "Ackerfurche 24"},
        "cards": [[line] * 8] * 3,
    }
    assert pages(typeset("cab_card", data, now=NOW, paper="a4")) == 2
    assert pages(typeset("cab_card", data, now=NOW, paper="letter")) == 2


def test_the_day_is_the_dealers(visited):
    late = datetime(2026, 4, 10, 23, 30, tzinfo=UTC)  # already the 11th in Warsaw
    data = documents.visit_sheet_data(visited.customers["A1"], scope=replace(SYSTEM), now=late)
    assert data["issued_on"] == "2026-04-11"


def test_flags_of_two_seasons_stand_newest_first_and_a_shared_cause_is_printed_once(visited):
    visited.season("A1b", 2026, points=(PointDraft(0, 20010), PointDraft(100, 28850)))
    first, second = positions(sheet(visited))["row 8"]["flags"]
    assert (first["on"], second["on"]) == ("2026-03-10", "2025-03-10")
    text = text_of(pdf_of(visited))
    assert text.index(first["says"]) < text.index(second["says"])
    same = first["likely"]["code"] == second["likely"]["code"]
    assert text.count(second["likely"]["says"]) == 1
    assert (first["likely"]["says"] == second["likely"]["says"]) == same


def test_what_is_late_is_not_said_to_be_beyond_its_tolerance(world):
    for kind in ("overdue", "slope"):
        DriftFlag.objects.create(
            sensor=world.sensors["A2"], kind=kind, level="beyond", magnitude=45, tolerance=0,
            opened_at=NOW,
        )  # fmt: skip
    text = text_of(documents.visit_sheet(world.customers["A2"], scope=SYSTEM, now=NOW))
    assert "overdue 2026-04-10: 45 days past its due day" in text
    assert "beyond 2026-04-10: slope changed by +45.00 %" in text


def test_many_sheets_at_once_are_each_the_same_as_alone(world):
    """Read together, laid out one by one: the bytes do not tell."""
    world.season("A1", 2025)
    scope = world.scopes["managerA"]
    links = {world.customers[which].pk: f"http://desk.example/{which}" for which in ("A1", "A2")}
    packed = documents.visit_sheets(links, scope=scope, now=NOW)
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        assert len(archive.namelist()) == 2
        for which in ("A1", "A2"):
            customer = world.customers[which]
            alone = documents.visit_sheet(customer, scope=scope, now=NOW, link=links[customer.pk])
            assert archive.read(f"visit-sheet-{customer.pk}.pdf") == alone


def test_another_dealers_customer_is_left_out_of_many(world):
    foreign = {world.customers["B1"].pk: ""}
    packed = documents.visit_sheets(foreign, scope=world.scopes["managerA"], now=NOW)
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        assert archive.namelist() == []
