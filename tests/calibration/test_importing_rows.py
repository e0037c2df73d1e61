"""Rows to records: cells read strictly, records put together, every reason said at once."""

import hashlib
import uuid

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration import record_file
from calibration.importing.header import opened
from calibration.importing.rows import Reader
from calibration.importing.sequence import in_order
from calibration.record_file import escape, record_uuid, unescape
from fleet.models import Dealer
from tests.calibration.record_files import as_csv, record

NORTH = Dealer(code="NORTH", timezone="Europe/Warsaw")


def read(rows):
    with opened(as_csv(rows)) as sheet:
        return Reader(sheet, NORTH).records()


def reasons(rows) -> list[str]:
    return [f"{why.row} {why.column}: {why.reason}" for each in read(rows) for why in each.reasons]


@pytest.mark.parametrize(
    ("written", "value"),
    [("0", 0.0), ("-1.25", -1.25), ("+3", 3.0), (".5", 0.5), ("7.", 7.0), ("1e3", 1000.0),
     ("8000000.0625", 8000000.0625), ("-0.0", 0.0), ("1E-300", 1e-300), ("'-5", -5.0)],
)  # fmt: skip
def test_a_number_is_read_exactly(written, value):
    (one,) = read(record(points=[(0, 1), (100, written)]))
    assert not one.reasons
    assert one.points[1].reading == value


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("1,5", "decimal comma"),
        ("1.234,5", "decimal comma"),
        ("NaN", "not a number"),
        ("inf", "not a number"),
        ("-Infinity", "not a number"),
        ("1e400", "too large"),
        ("1e-400", "too small"),
        ("０１", "U+FF10 FULLWIDTH DIGIT ZERO"),  # noqa: RUF001 - the look-alike is the test
        ("1_000", "not a number"),
        ("0x1F", "not a number"),
        ("1 000", "not a number"),
        (" 5", "not a number"),
        ("5 daN", "not a number"),
        ("", "blank"),
        ("1" * 400, "too large"),
        ("True", "not a number"),
        ("−5", "U+2212 MINUS SIGN"),  # noqa: RUF001 - the look-alike is the test
    ],
)
@pytest.mark.parametrize("column", ["load", "reading"])
def test_what_is_no_number_is_refused(column, written, said):
    rows = record()
    rows[1] = rows[1] | {column: written}
    (why,) = reasons(rows)
    assert why.startswith(f"3 {column}: ")
    assert said in why
    assert "a number with a decimal point" in why


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"load_unit": "stone"}, "Accepted: N, daN, kN, kgf, kg, lbf, lb."),
        ({"load_unit": "dan"}, "Accepted: N, daN, kN, kgf, kg, lbf, lb."),
        ({"reading_unit": "counts"}, "count, mV/V, uV/V, mV, V, mA"),
        ({"pressure_unit": "at"}, "kPa, bar, MPa, psi"),
        ({"reason": "yearly"}, "commissioning, seasonal, replacement, repair, dispute"),
        ({"stage": "found"}, "as_found, as_left"),
        ({"direction": "sideways"}, "up, down"),
        ({"load_unit": ""}, "load_unit: It is blank. Accepted: N"),
        ({"sensor": ""}, "sensor: It is blank. Accepted: letters A-Z"),
        ({"performed_at": ""}, "performed_at: It is blank. Accepted: ISO 8601"),
        ({"performed_at": "10.03.2026"}, "performed_at: Not a date and time. Accepted: ISO 8601"),
        ({"removed_on": "2026-02-30"}, "no such day"),
        ({"installed_on": "2026-3-1"}, "Accepted: a day like 2026-03-28"),
        ({"note": "x" * 2001}, "at most 2000"),
        ({"technician": "E\x07wa"}, "Character 2 is U+0007"),
        ({"customer": "Farm A1 "}, "begins or ends with U+0020 SPACE"),
        ({"customer": "\N{NO-BREAK SPACE}Farm"}, "U+00A0 NO-BREAK SPACE"),
    ],
)
def test_a_value_that_is_not_known_is_refused_with_what_would_be(changes, said):
    assert any(said in why for why in reasons(record(**changes)))


@pytest.mark.parametrize(
    ("serial", "said"),
    [
        ("S-\N{CYRILLIC CAPITAL LETTER A}1", "Character 3 is U+0410 CYRILLIC CAPITAL LETTER A"),
        ("S-A1 ", "Character 5 is U+0020 SPACE"),
        (" S-A1", "Character 1 is U+0020 SPACE"),
        ("S-A1\N{NO-BREAK SPACE}", "Character 5 is U+00A0 NO-BREAK SPACE"),
        ("-A1", "Character 1 is U+002D HYPHEN-MINUS"),
        ("S" * 41, "It has 41 characters"),
        ("S\tA1", "Character 2 is U+0009 control character"),
    ],
)
@pytest.mark.parametrize("column", ["sensor", "machine"])
def test_a_serial_of_look_alikes_names_the_character(column, serial, said):
    why = reasons(record(**{column: serial}))
    assert why[0].startswith(f"2 {column}: {said}. Accepted: letters A-Z, digits")


@pytest.mark.parametrize(
    ("when", "said"),
    [
        ("2026-03-29T02:30:00", "skips this time"),  # Warsaw: 02:00 to 03:00 on that day
        ("2025-10-26T02:30:00", "shows this time twice"),
    ],
)
def test_the_hour_of_daylight_saving_needs_an_offset(when, said):
    assert any(said in why for why in reasons(record(performed_at=when)))
    assert not reasons(record(performed_at=f"{when}+01:00"))


def test_a_moment_without_offset_is_the_dealers_clock():
    (one,) = read(record(performed_at="2026-07-01T09:00"))
    assert one.said.performed_at.isoformat() == "2026-07-01T09:00:00+02:00"


def test_every_reason_of_a_record_is_said_at_once():
    bad = record(
        load_unit="stone", sensor="S A\N{CYRILLIC SMALL LETTER A}", points=[("x", 1), (1, "y")]
    )
    columns = [why.split(":")[0] for why in reasons(bad)]
    assert columns == ["2 sensor", "2 load_unit", "2 load", "3 sensor", "3 load_unit", "3 reading"]


def test_rows_of_a_record_need_not_stand_together():
    one, other = record("one"), record("two", sensor="S-A1b")
    first, second = read([one[0], other[1], one[1], other[0]])
    assert (first.name, first.rows, [p.load for p in first.points]) == ("one", [2, 4], [0, 100])
    assert (second.name, second.rows, [p.load for p in second.points]) == ("two", [3, 5], [100, 0])


def test_rows_of_a_record_that_contradict_each_other_are_refused():
    rows = record()
    rows[1] = rows[1] | {"technician": "Jan", "temperature_c": "12"}
    remedy = "Accepted: the same in every row of a record, or blank."
    assert reasons(rows) == [
        f"3 technician: Another row of the same record says 'Ewa'. {remedy}",
        f"3 temperature_c: Another row of the same record says '11.5'. {remedy}",
    ]


def test_a_blank_cell_says_what_the_others_of_its_record_say():
    rows = record(temperature_c="11.50")
    rows[1] = dict.fromkeys(rows[1], "") | {"record_id": "one", "load": "100", "reading": "30000"}
    rows.append(rows[1] | {"load": 200, "reading": 40000, "temperature_c": "11.5"})
    (one,) = read(rows)
    assert not one.reasons
    assert one.said.temperature_c == 11.5
    assert len(one.points) == 3
    (turned,) = read(rows[::-1])
    assert turned.said == one.said


def test_blank_words_have_their_defaults():
    (one,) = read(record(reason="", stage="", direction=""))
    assert (one.said.reason, one.said.stage) == ("seasonal", "as_found")
    assert {point.direction for point in one.points} == {"up"}


def test_a_row_without_a_record_is_refused_by_itself():
    rows = [*record(), *record("")]
    assert [each.name for each in read(rows) if each.reasons] == ["", ""]
    assert "4 record_id: It is blank. Accepted: a UUID, or any text" in reasons(rows)[0]


def test_a_record_without_end_is_not_kept_whole():
    (one,) = read(record(points=[(i, i) for i in range(3000)]))
    assert len(one.points) < 1100
    assert len(one.rows) == 3000


# ── Names of records ─────────────────────────────────────────────────────────


def test_a_text_is_mapped_as_rfc_9562_says():
    """RFC 9562, 5.5: SHA-1 of name space and name, then version 5 and variant 10 in their bits."""
    digest = bytearray(
        hashlib.sha1(record_file.NAMESPACE.bytes + b"NORTH:1", usedforsecurity=False).digest()[:16]
    )
    digest[6] = digest[6] & 0x0F | 0x50
    digest[8] = digest[8] & 0x3F | 0x80
    assert record_uuid("1", dealer_code="NORTH") == uuid.UUID(bytes=bytes(digest))


def test_the_mapping_never_changes():
    """Kept as a constant: files that were loaded once must find their records in ten years."""
    assert str(record_uuid("1", dealer_code="NORTH")) == "0b26aa4e-3e4b-5628-abfd-7477e06f59b6"
    assert record_uuid("1", dealer_code="SOUTH") != record_uuid("1", dealer_code="NORTH")


def test_a_uuid_is_itself_in_either_case():
    key = uuid.UUID("0b9a6c1e-1d2c-4b3a-8f00-0123456789ab")
    assert {record_uuid(text, dealer_code="N") for text in (str(key), str(key).upper())} == {key}
    rows = [*record(str(key))[:1], *record(str(key).upper())[1:]]
    assert len(read(rows)) == 1


# ── Order ────────────────────────────────────────────────────────────────────


def order(rows) -> list[str]:
    return [each.name for each in in_order(read(rows), "NORTH")]


def test_records_are_stored_oldest_first():
    rows = [
        *record("c", performed_at="2026-03-03"), *record("a", performed_at="2024-03-01"),
        *record("b", performed_at="2024-03-01T01:00"),
    ]  # fmt: skip
    assert order(rows) == ["a", "b", "c"]


def test_a_corrected_record_is_stored_before_its_correction():
    rows = [
        *record("new", performed_at="2024-03-01", supersedes="old", supersede_reason="typo"),
        *record("old", performed_at="2024-03-02"), *record("x", performed_at="2024-02-01"),
    ]  # fmt: skip
    assert order(rows) == ["x", "old", "new"]


def test_records_that_correct_each_other_in_a_ring_are_refused():
    with opened(as_csv([*record("a", supersedes="b"), *record("b", supersedes="a")])) as sheet:
        found = list(in_order(Reader(sheet, NORTH).records(), "NORTH"))
    assert len(found) == 2
    assert any("in a ring" in why.reason for each in found for why in each.reasons)


# ── Cells that a spreadsheet would take for a formula ────────────────────────


@given(st.text())
def test_escaping_is_undone_exactly(text):
    assert unescape(escape(text)) == text
    assert not escape(text).startswith(("=", "+", "-", "@", "\t", "\r"))


@pytest.mark.parametrize("text", ["O'Neil", "'quoted'", "plain", "", "'"])
def test_harmless_text_is_left_alone(text):
    assert escape(text) == unescape(text) == text
