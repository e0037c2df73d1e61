"""Loading a record file: created, stored, refused; again it adds nothing; a dry run tells all."""

import csv
import io
import uuid
from datetime import date

import pytest

from calibration.importing import naming, result
from calibration.models import Calibration, ReferenceStandard
from calibration.record_file import COLUMNS, REFUSED_BECAUSE, record_uuid
from fleet import registry
from fleet.errors import Forbidden, Malformed
from fleet.models import Customer, Installation, Machine, Sensor
from tests.calibration.record_files import as_csv, as_xlsx, load, new_sensor, reasons, record
from tests.conftest import NOW, SYSTEM


def everything():
    """Return what the register and the records hold, to see that nothing changed."""
    return [
        list(model.objects.order_by("pk").values())
        for model in (Customer, Machine, Sensor, Installation, Calibration)
    ]


# ── What is stored ───────────────────────────────────────────────────────────


def test_a_record_is_stored_as_it_is_typed(world):
    typed = record(points=[(0, 18234.5), (110, 25410)], load_unit="kgf", note='a\r\nb, "c"')
    outcome = load(world, typed)
    assert (outcome.records, outcome.stored, outcome.refused) == (1, 1, 0)
    stored = Calibration.objects.get()
    assert stored.pk == record_uuid("one", dealer_code="NORTH")
    assert (stored.load_unit, stored.technician, stored.note) == ("kgf", "Ewa", 'a\r\nb, "c"')
    assert stored.performed_at.isoformat() == "2026-03-10T08:00:00+00:00"
    assert stored.reference == world.references["A"]
    assert stored.installation == world.installations["A1"]
    assert list(stored.points.values_list("load", "reading")) == [(0, 18234.5), (110, 25410)]
    assert stored.judgement.verdict  # it went through the one write path


def test_what_is_unknown_is_created_and_listed(world):
    outcome = load(world, new_sensor("x", "4063"))
    assert outcome.to_dict()["created"] == {
        "customers": 1, "machines": 1, "sensors": 1, "installations": 1,
    }  # fmt: skip
    assert outcome.created["installations"] == [
        "4063 on M-NEW at row 3 from 2026-03-10 (inferred)"
    ]
    sensor = Sensor.objects.get(serial="4063")
    assert (sensor.lot, sensor.model, sensor.dealer) == (
        "L9",
        world.sensor_model,
        world.dealers["A"],
    )
    assert sensor.installations.get().machine.customer.name == "Farm new"


def test_the_oldest_record_says_since_when_a_sensor_is_there(world):
    rows = new_sensor("late", "4063", performed_at="2026-03-01")
    load(world, rows + new_sensor("early", "4063", performed_at="2024-02-28T23:30:00Z"))
    installation = Sensor.objects.get(serial="4063").installations.get()
    # Half past eleven at night in UTC is the 29th in Warsaw.
    assert (installation.installed_on, installation.start_is_inferred) == (date(2024, 2, 29), True)


def test_a_still_older_record_moves_an_inferred_start_back(world):
    load(world, new_sensor("late", "4063", performed_at="2026-03-01"))
    outcome = load(world, new_sensor("early", "4063", performed_at="2022-03-01"))
    installation = Sensor.objects.get(serial="4063").installations.get()
    assert installation.installed_on == date(2022, 3, 1)
    assert outcome.stored == 1
    assert "moved back to 2022-03-01" in outcome.changed[0]
    assert Calibration.objects.filter(installation=installation).count() == 2


def test_a_start_that_is_known_does_not_move(world):
    outcome = load(world, record(performed_at="2019-12-31T12:00"))
    assert outcome.refused == 1
    assert (
        "2 performed_at: The sensor was installed at this position on 2020-01-01"
        in reasons(outcome)[0]
    )
    assert not Calibration.objects.exists()


def test_serials_and_customers_are_one_whatever_their_case(world):
    outcome = load(world, record(sensor="s-a1", machine="m-a1", customer="FARM A1"))
    assert (outcome.stored, sum(map(len, outcome.created.values()))) == (1, 0)


def test_a_record_without_a_machine_creates_a_sensor_only(world):
    bench = {"customer": "", "machine": "", "machine_model": "", "position": ""}
    outcome = load(world, new_sensor("x", "4063", **bench))
    assert outcome.stored == 1
    assert {kind: len(names) for kind, names in outcome.created.items() if names} == {"sensors": 1}


def test_a_tag_comes_with_a_new_sensor(world):
    tag = {
        "tag_zero_reading": 20000, "tag_span_reading": 30000, "tag_span_load": 100,
        "tag_load_unit": "daN",
    }  # fmt: skip
    load(world, new_sensor("x", "4063", **tag))
    assert Sensor.objects.get(serial="4063").tag_span_reading == 30000
    half = new_sensor("y", "4064", position="row 5", **(tag | {"tag_span_load": ""}))
    (why,) = reasons(load(world, half))
    assert "tag_span_load: It is blank beside the rest of a tag" in why


def test_loading_again_adds_nothing(world):
    rows = [*record(), *new_sensor("x", "4063")]
    load(world, rows)
    before = everything()
    again = load(world, rows)
    assert (again.stored, again.already_there, again.refused) == (0, 2, 0)
    assert everything() == before
    as_workbook = load(world, as_xlsx(rows))
    assert (as_workbook.already_there, as_workbook.refused) == (2, 0)


def test_the_same_id_with_other_content_is_refused(world):
    load(world, record())
    for changes in ({"technician": "Jan"}, {"points": [(0, 20000), (100, 30001)]},
                    {"sensor": "S-A1b"}, {"position": "row 9"}):  # fmt: skip
        outcome = load(world, record(**changes))
        assert outcome.refused == 1, changes
        assert "already names a record with other content" in reasons(outcome)[0]
    assert Calibration.objects.count() == 1


def test_an_id_of_another_dealer_is_refused_like_any_other(world):
    key = str(uuid.uuid4())
    world.season("B1", 2025, id=uuid.UUID(key))
    load(world, record("mine"))
    foreign = load(world, record(key))
    own = load(world, record("mine", technician="Jan"))
    assert [why.reason for why in foreign.reasons] == [why.reason for why in own.reasons]


# ── Moves and replacements ───────────────────────────────────────────────────


def spans(serial):
    rows = Installation.objects.filter(sensor__serial=serial).order_by("installed_on", "pk")
    return [(row.machine.serial, row.position, row.installed_on, row.removed_on) for row in rows]


def test_a_later_record_elsewhere_is_a_move(world):
    outcome = load(world, record(position="row 4", performed_at="2026-02-01T10:00"))
    assert outcome.stored == 1
    assert spans("S-A1") == [
        ("M-A1", "row 1", date(2020, 1, 1), date(2026, 2, 1)),
        ("M-A1", "row 4", date(2026, 2, 1), None),
    ]
    assert "removed on 2026-02-01" in outcome.changed[0]


def test_a_position_that_is_taken_is_refused(world):
    outcome = load(world, record(position="row 8"))
    assert "2 position: Sensor S-A1b sits there from 2020-01-01 on" in reasons(outcome)[0]
    assert spans("S-A1")[0][3] is None


@pytest.mark.parametrize("reason", ["replacement", "commissioning"])
def test_a_replacement_takes_the_other_sensor_off(world, reason):
    there = {"customer": "Farm A1", "machine": "M-A1", "position": "row 8"}
    outcome = load(world, new_sensor("x", "4063", reason=reason, **there))
    assert outcome.stored == 1
    assert spans("S-A1b") == [("M-A1", "row 8", date(2020, 1, 1), date(2026, 3, 10))]
    assert spans("4063") == [("M-A1", "row 8", date(2026, 3, 10), None)]


def test_nothing_is_moved_against_later_records(world):
    world.season("A1", 2026)
    older = load(world, record("x", position="row 4", performed_at="2025-03-10"))
    assert "has later records on machine M-A1 at row 1" in reasons(older)[0]
    assert spans("S-A1") == [("M-A1", "row 1", date(2020, 1, 1), None)]


def test_a_sensor_that_was_elsewhere_on_that_day_is_refused(world):
    load(world, record(position="row 4", performed_at="2024-02-01"))
    back = load(world, record("x", position="row 9", performed_at="2023-02-01"))
    assert "was on machine M-A1 at row 1 from 2020-01-01 to 2024-02-01" in reasons(back)[0]


def test_two_sensors_may_change_places_in_one_file(world):
    rows = [
        *record("a", position="row 8", reason="replacement", performed_at="2026-02-01T09:00"),
        *record("b", sensor="S-A1b", reason="replacement", performed_at="2026-02-01T10:00"),
    ]
    assert load(world, rows).stored == 2
    assert [spans(serial)[-1][1] for serial in ("S-A1", "S-A1b")] == ["row 8", "row 1"]


def test_days_that_the_file_gives_are_kept(world):
    days = {"installed_on": "2025-11-03", "removed_on": "2026-03-12"}
    outcome = load(world, new_sensor("x", "4063", **days))
    assert outcome.stored == 1
    row = Installation.objects.get(sensor__serial="4063")
    assert (row.installed_on, row.removed_on) == (date(2025, 11, 3), date(2026, 3, 12))
    assert not row.start_is_inferred
    other = load(world, new_sensor("y", "4063", **(days | {"installed_on": "2025-11-04"})))
    assert "installed_on: The register says 2025-11-03" in reasons(other)[0]
    impossible = load(world, new_sensor("z", "4064", installed_on="2026-03-11"))
    assert "It is after the record's day" in reasons(impossible)[0]


# ── What is refused ──────────────────────────────────────────────────────────


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"sensor": "NEW-1", "sensor_model": "LC-501"},
         "sensor_model: It is not known, and a file does not create it. Accepted: LC-500."),
        ({"sensor": "NEW-1", "sensor_model": ""}, "sensor_model: It is blank. Accepted: LC-500."),
        ({"machine": "NEW-1", "machine_model": "Unheard"},
         "machine_model: It is not known, and a file does not create it. Accepted: Ackerfurche"),
        ({"machine": "NEW-1", "customer": ""}, "customer: It is blank. Accepted: who owns"),
        ({"machine": ""}, "machine: It is blank"),
        ({"position": ""}, "position: It is blank. Accepted: machine and position, or neither."),
        ({"reference": "scale 2"},
         "reference: The dealer has no reference of that name. Accepted: scale 1, or blank."),
        ({"lot": "L2"}, "lot: The register says 'L1'. Accepted: the same, or blank"),
        ({"customer": "Farm A2"}, "customer: The machine is registered for 'Farm A1'"),
        ({"performed_at": "2027-03-01"}, "performed_at: In the future"),
        ({"points": [(0, 20000)]}, "A line needs two distinct loads, 1 given"),
        ({"points": [(50, 20000), (50, 30000)]}, "A line needs two distinct loads, 1 given"),
        ({"points": [(0, 20000), (100, 70000)]}, "3 reading: Off the converter's range"),
        ({"points": [(0, 30000), (100, 20000)]}, "the points may be swapped"),
        ({"temperature_c": 99}, "temperature_c: Out of reason. Accepted: -60 to 80."),
        ({"pressure_unit": ""}, "pressure_unit: Missing beside a pressure"),
        ({"reading_unit": "mV/V"}, "reading_unit: LC-500 reads in count. Accepted: count."),
        ({"supersedes": "zero"}, "supersedes: There is no such record, or it was refused"),
    ],
)  # fmt: skip
def test_a_bad_record_is_refused_and_stores_nothing(world, changes, said):
    before = everything()
    outcome = load(world, record(**changes))
    assert (outcome.refused, outcome.stored) == (1, 0)
    assert any(said in why for why in reasons(outcome)), reasons(outcome)
    assert everything() == before


def test_a_bad_record_leaves_nothing_and_the_others_go_in(world):
    rows = [
        *new_sensor("bad", "4063", points=[(0, 20000), (100, 99999)], customer="Nobody"),
        *record("good"),
    ]
    outcome = load(world, rows)
    assert (outcome.stored, outcome.refused) == (1, 1)
    assert not Sensor.objects.filter(serial="4063").exists()
    assert not Customer.objects.filter(name="Nobody").exists()
    assert not any(outcome.created.values())


def test_every_reason_is_said_whoever_finds_it(world):
    bad = record(
        points=[("1,5", 20000), (100, 70000)], reference="scale 9", lot="L2", temperature_c="400"
    )
    outcome = load(world, bad)
    assert [(why.row, why.column) for why in outcome.reasons] == [
        (2, "load"), (2, "lot"), (2, "reference"), (2, "temperature_c"), (3, "reading"),
    ]  # fmt: skip


def test_another_dealers_serial_is_refused_and_tells_nothing(world):
    foreign = load(world, record(sensor="S-B1", machine="M-B1"))
    text = " ".join(reasons(foreign))
    assert text.count(naming.ELSEWHERE) == 2
    assert "transfer it first" in text
    for secret in ("SOUTH", "Campo", "Farm B1", "LC-500", "2020"):
        assert secret not in text


def test_the_reference_of_another_dealer_is_not_known(world):
    ReferenceStandard.objects.create(dealer=world.dealers["B"], name="secret weights")
    (why,) = reasons(load(world, record(reference="secret weights")))
    assert "Accepted: scale 1, or blank" in why


def test_who_may_not_record_may_not_load(world):
    for name in ("techB", "managerB", "reviewer"):
        with pytest.raises(Forbidden):
            load(world, record(), scope=world.scopes[name])
    assert load(world, record(), scope=world.scopes["techA"]).stored == 1


def test_a_file_that_is_refused_whole_stores_nothing(world):
    before = everything()
    with pytest.raises(Malformed):
        load(world, as_csv(record()) + b'x,"never closed')
    assert everything() == before


# ── Corrections ──────────────────────────────────────────────────────────────


def test_a_correction_and_what_it_corrects_come_in_one_file(world):
    fixed = record("two", points=[(0, 20000), (100, 30100)], supersedes="one",
                   supersede_reason="misread")  # fmt: skip
    rows = [*fixed, *record()]
    assert load(world, rows).stored == 2
    assert Calibration.objects.get(supersedes__isnull=False).supersedes.technician == "Ewa"
    assert load(world, rows).already_there == 2


def test_a_correction_of_a_refused_record_is_refused(world):
    rows = [*record(load_unit="x"), *record("two", supersedes="one", supersede_reason="typo")]
    outcome = load(world, rows)
    assert outcome.refused == 2
    assert any("supersedes: There is no such record, or it was refused" in why
               for why in reasons(outcome))  # fmt: skip


# ── Dry run ──────────────────────────────────────────────────────────────────


def test_a_dry_run_says_what_a_load_would_do_and_does_nothing(world):
    rows = [
        *record(), *record(), *record("bad", reading_unit="V"), *new_sensor("x", "4063"),
        *new_sensor("y", "4063", performed_at="2025-01-01"),
        *record("move", position="row 4", performed_at="2026-04-01"),
    ]  # fmt: skip
    before = everything()
    tried = load(world, rows, dry_run=True)
    assert everything() == before
    done = load(world, rows)
    assert tried.to_dict() | {"dry_run": False} == done.to_dict()
    assert tried.totals() == f"dry run, nothing kept: {done.totals()}"
    assert (done.stored, done.refused) == (4, 1)


# ── Refused rows ─────────────────────────────────────────────────────────────


def test_refused_rows_load_once_they_are_corrected(world):
    rows = [
        *record("good"), *record("bad", lot="=L1", technician="-5"),
        *record("worse", points=[(0, 20000), (100, "3O000")]),
    ]  # fmt: skip
    outcome = load(world, as_csv(rows, columns=[*COLUMNS[::-1], REFUSED_BECAUSE]))
    out = io.StringIO()
    outcome.rejects.write(out)
    written = list(csv.DictReader(io.StringIO(out.getvalue(), newline="")))
    assert [row["record_id"] for row in written] == ["bad", "bad", "worse", "worse"]
    assert list(written[0]) == [*COLUMNS[::-1], REFUSED_BECAUSE]
    assert written[0]["lot"] == "'=L1"  # no spreadsheet takes it for a formula
    assert written[0]["technician"] == "-5"  # a number is none
    assert written[2][REFUSED_BECAUSE] == "its record is refused, see row 7"
    assert written[3][REFUSED_BECAUSE].startswith("reading: It is not a number. Accepted:")
    assert load(world, out.getvalue().encode()).refused == 2
    corrected = out.getvalue().replace("3O000", "30000").replace("'=L1", "L1")
    again = load(world, corrected.encode())
    assert (again.stored, again.refused) == (2, 0)


def test_refused_rows_of_a_workbook_are_written_as_they_are_read(world):
    rows = record(sensor=4063, sensor_model="nobody's", machine="", customer="", position="")
    outcome = load(world, as_xlsx(rows))
    (first, _second) = outcome.rejects.rows
    assert first[COLUMNS.index("sensor")] == "4063"
    assert first[COLUMNS.index("load")] == "0"


def test_a_workbook_that_begins_with_blank_rows_counts_them(world):
    rows = record(sensor_model="nobody's", sensor="NEW-1")
    moved = as_xlsx(rows, change=lambda sheet: sheet.insert_rows(1, amount=2))
    outcome = load(world, moved)
    assert [reason.row for reason in outcome.reasons] == [4]  # the header is the third


def test_an_accepted_file_has_no_refused_rows(world):
    rejects = load(world, record()).rejects
    assert (rejects.columns[-1], list(rejects.rows)) == (REFUSED_BECAUSE, [])


def test_progress_is_told_from_the_beginning_to_the_end(world):
    seen = []
    load(world, [*record(), *record("two")], progress=lambda *at: seen.append(at))
    assert seen == [(0, 2), (1, 2), (2, 2)]


def test_totals_read_as_a_sentence():
    outcome = result.ImportResult(records=3, stored=2, refused=1)
    outcome.created["sensors"] = ["a"]
    assert outcome.totals() == (
        "3 records: 2 stored, 0 already there, 1 refused; created 0 customers, 0 machines, "
        "1 sensor, 0 installations"
    )


def test_a_resold_machine_is_loaded_by_its_new_dealer_only(world):
    load(world, record())
    registry.transfer_machine(
        scope=SYSTEM, machine=world.machines["A1"], customer=world.customers["B1"]
    )
    assert naming.ELSEWHERE in " ".join(reasons(load(world, record("later"))))
    blank = {"reference": "", "customer": "Farm B1"}
    assert load(world, record("later", **blank), dealer="B", now=NOW).stored == 1
