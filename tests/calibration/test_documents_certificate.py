"""The calibration certificate: what ISO/IEC 17025:2017, 7.8 asks of a report."""

import json
import re
from datetime import date

import numpy as np
import pytest

from calibration import documents, readout
from calibration.admin import wording
from calibration.models import ReferenceStandard, TolerancePolicy
from calibration.records import PointDraft
from fleet import registry
from fleet.errors import NotFound
from tests.calibration.documents_text import pages, text_of
from tests.conftest import NOW, SYSTEM
from tests.shared_world import upon_the_world

RUN = (
    PointDraft(0, 20010), PointDraft(50, 24720), PointDraft(100, 29410),
    PointDraft(50, 24700, "down"),
)  # fmt: skip
LINK = "https://spanbook.example.org/calibrations/1"


@upon_the_world
def measured(world):
    """A cell's second season: four points, with a reference, conditions and a note."""
    TolerancePolicy.objects.create(setpoints=[50, 100], load_unit="daN")
    world.season("A1", 2025)
    reference = world.references["A"]
    reference.kind, reference.certificate, reference.serial = "weight", "OBN 2025/17", "W-3"
    reference.valid_until = date(2027, 1, 31)
    reference.save()
    calibration = world.season(
        "A1",
        2026,
        points=RUN,
        reference=reference,
        technician="Zofia Wrona",
        note="windy",
        temperature_c=11.5,
        hydraulic_pressure=0.0,
        pressure_unit="bar",
    ).calibration
    return world, calibration


def data_of(measured, scope="techA", link=""):
    world, calibration = measured
    return documents.certificate_data(calibration, scope=world.scopes[scope], now=NOW, link=link)


def test_every_item_of_the_clause_is_there(measured):
    """ISO/IEC 17025:2017, 7.8.2.1, 7.8.4.1 and 7.8.6.2 (from memory of the standard)."""
    world, calibration = measured
    pdf = documents.certificate(calibration, scope=world.scopes["techA"], now=NOW, link=LINK)
    text = text_of(pdf)
    clause = {
        "a title": "Calibration certificate",
        "who measured": "Nordfeld Service (NORTH)",
        "where": "calibrated in its place on the machine",
        "unique identification, on every page": f"certificate {calibration.pk}",
        "the end is seen": f"page 1 of {pages(pdf)}",
        "the customer": "Farm A1",
        "the method": "least squares",
        "the item": "S-A1",
        "the date of receipt": "not received",
        "the date of performance": "2026-03-10 10:00 +0100",
        "the date of issue": "2026-04-10 14:00 +0200",
        "results relate to the items only": "relate to the item below only",
        "results with units": "count/daN",
        "uncertainty": "U = k u",
        "conditions": "11.5 °C",
        "metrological traceability": "OBN 2025/17, valid until 2027-01-31",
        "as found or as left": "as found",
        "conformity": "beyond",
        "the decision rule": "Decision rule: Tolerance of the change",
        "how it led to the verdict": "The greater chance",
        "an opinion is marked as such": "an opinion",
        "who authorises": "Authorised by",
        "copy whole only": "Copy it whole or not at all",
        "no accreditation is claimed": "This is not an accredited laboratory's certificate",
        "who": "Zofia Wrona",
    }
    text = text.replace("\N{RIGHT SINGLE QUOTATION MARK}", "'")
    missing = [item for item, words in clause.items() if words not in text]
    assert missing == []
    assert calibration.digest in text
    assert calibration.digest[:12] in text


def test_the_digits_are_those_of_the_answer(measured):
    world, calibration = measured
    fit = readout.calibration_answer(calibration, world.scopes["techA"])["fit"]
    slope, offset = data_of(measured)["results"]["line"]
    assert slope["value"]["text"] == readout.rounded(fit["slope"], fit["u_slope"])
    assert offset["value"]["text"] == readout.rounded(fit["offset"], fit["u_offset"])
    k = {name: float(line["k"]) for name, line in (("slope", slope), ("offset", offset))}
    for line, name in ((slope, "slope"), (offset, "offset")):
        u = fit[f"u_{name}"]
        assert line["expanded"]["value"] == pytest.approx(k[name] * u, rel=2e-3)
    assert slope["value"]["unit"] == slope["u"]["unit"] == "count/daN"


def test_residuals_are_those_of_numpys_line(measured):
    """Equal weights at all points, so numpy.polyfit draws the same line."""
    loads = np.array([point.load for point in RUN])
    readings = np.array([point.reading for point in RUN])
    slope, offset = np.polyfit(loads, readings, 1)
    points = data_of(measured)["results"]["points"]
    found = [point["residual"]["value"] for point in points]
    assert found == pytest.approx((readings - offset - slope * loads).tolist(), abs=1e-8)
    in_load = [point["residual_load"]["value"] for point in points]
    assert in_load == pytest.approx((np.array(found) / slope).tolist())
    assert [point["direction"] for point in points] == ["up", "up", "up", "down"]


def test_what_the_operator_had_is_shown_at_the_setpoints(measured):
    """Old numbers in the console, 6 % less slope: at 100 shown, some 106 stand on the wheel."""
    steps = data_of(measured)["results"]["setpoints"]
    assert [step["setpoint"] for step in steps] == ["50 daN", "100 daN"]
    assert steps[1]["true_load"]["value"] == pytest.approx(10000 / 94.0, abs=0.2)


def test_a_first_calibration_makes_no_statement_of_conformity(world):
    calibration = world.season("A1", 2026).calibration
    scope = world.scopes["techA"]
    pdf = documents.certificate(calibration, scope=scope, now=NOW)
    text = text_of(pdf)
    assert "No statement of conformity is made" in text
    assert "nothing to compare it with" in text
    assert "the load was not compared with a standard" in text
    assert "Two points make the line exactly" in text


def tagged(world):
    """Return a first calibration off its tag by a little more than the tolerance of slope."""
    world.tag("A1", span_reading=29660.0)
    return world.season("A1", 2026).calibration


def test_a_first_calibration_is_printed_with_its_own_rule(world):
    """More than half a chance to be out, and within all the same: only E_n decides there."""
    row = tagged(world)
    answer = readout.calibration_answer(row, world.scopes["techA"])
    assert answer["against_expected"]["p_out_slope"] > answer["tolerance"]["flag_probability"]
    assert answer["verdict"] == "within"
    text = text_of(documents.certificate(row, scope=world.scopes["techA"], now=NOW))
    assert re.search("against the cell.s tag", text)
    assert "is above 2.5 in size; within, otherwise" in text
    assert "p of slope or offset is at least" not in text
    assert "history leads" not in text


def test_what_added_up_is_printed_where_it_made_the_verdict(world):
    """Small steps, none of them out: the rule names the sum, and the record its amount and day."""
    for year, gain in zip(range(2022, 2027), (0, 80, 180, 290, 410), strict=True):
        points = (PointDraft(0, 20000), PointDraft(100, 30000 + gain))
        row = world.season("A1", year, points=points).calibration
    told = documents.certificate_data(row, scope=world.scopes["techA"], now=NOW, link="")
    answer = readout.calibration_answer(row, world.scopes["techA"])
    now, limits = answer["against_expected"], answer["tolerance"]
    assert answer["verdict"] == "watch"
    assert max(now["p_out_slope"], now["p_out_offset"]) < limits["watch_probability"]
    first = readout.with_uncertainty(
        answer["against_first"]["slope_change_pct"],
        answer["against_first"]["u_slope_change_pct"],
        "%",
    )
    assert f"added up since 2022-03-10, slope +{first}," in told["conformity"]["reached"]
    assert "since the first calibration here lies beyond" in told["conformity"]["rule"]


def test_chances_and_setpoints_read_as_at_the_desk(world):
    """Never a certain cause; a setpoint of 50 kgf is 490.3 N on either."""
    TolerancePolicy.objects.create(setpoints=[50], load_unit="kgf")
    for year, span in ((2025, 30000), (2026, 29400)):
        points = (PointDraft(0, 20000), PointDraft(1000, span))
        row = world.season("A1", year, points=points, load_unit="N").calibration
    scope = world.scopes["techA"]
    answer = readout.calibration_answer(row, scope)
    told = documents.certificate_data(row, scope=scope, now=NOW, link="")
    assert [step["setpoint"] for step in told["results"]["setpoints"]] == ["490.3 N"]
    assert [step["setpoint"] for step in wording.setpoints_of(answer)] == ["490.3 N"]
    shares = [cause["share"] for cause in wording.causes_of(answer["causes"])]
    assert [cause["share"] for cause in told["causes"]] == shares
    assert {row["p_out"] for row in told["results"]["changes"]} >= {"over 99 %"}
    assert "100 %" not in text_of(documents.certificate(row, scope=scope, now=NOW))


def test_both_papers_the_same_bytes_twice(measured):
    world, calibration = measured
    for paper in ("a4", "letter"):
        made = [
            documents.certificate(
                calibration, scope=world.scopes["techA"], now=NOW, paper=paper, link=LINK
            )
            for _ in range(2)
        ]
        assert made[0] == made[1]
        assert 1 <= pages(made[0]) <= 2


def test_the_link_becomes_a_qr_code(measured):
    world, calibration = measured
    scope = world.scopes["techA"]
    with_link = documents.certificate(calibration, scope=scope, now=NOW, link=LINK)
    without = documents.certificate(calibration, scope=scope, now=NOW)
    alt = b"QR code that leads to"
    assert alt in with_link
    assert alt not in without
    assert LINK in text_of(with_link)


def test_who_may_not_see_the_record_finds_none(measured):
    with pytest.raises(NotFound):
        data_of(measured, "techB")


def test_a_reviewer_sees_the_numbers_and_nobodys_name(measured):
    told = json.dumps(data_of(measured, "reviewer"))
    for name in ("Farm A1", "Zofia", "windy"):
        assert name not in told
    assert "OBN 2025/17" in told
    assert data_of(measured, "reviewer")["results"] == data_of(measured)["results"]


def test_after_a_resale_neither_owner_is_named(measured):
    world, _ = measured
    registry.transfer_machine(
        scope=SYSTEM, machine=world.machines["A1"], customer=world.customers["B1"]
    )
    told = data_of(measured, "techB")
    for name in ("Farm A1", "Farm B1", "Zofia", "windy", "OBN 2025/17"):
        assert name not in json.dumps(told)
    assert told["reference"]["traceability"] == "to be asked for from the dealer"
    assert told["results"]["points"]


def test_a_superseded_record_says_so_in_front(measured):
    world, wrong = measured
    right = world.season(
        "A1",
        2026,
        points=(PointDraft(0, 20002), PointDraft(100, 30012)),
        supersedes=wrong,
        supersede_reason="a digit was misread",
    ).calibration
    text = text_of(documents.certificate(wrong, scope=world.scopes["techA"], now=NOW))
    assert f"Superseded by the record {right.pk}: a digit was misread" in text
    told = documents.certificate_data(wrong, scope=world.scopes["reviewer"], now=NOW, link="")
    assert told["superseded_by"] == str(right.pk)


def test_a_named_reference_of_the_dealer_is_told_with_its_share(measured):
    reference = data_of(measured)["reference"]
    assert reference["name"] == "scale 1, weights W-3"
    assert re.match(r"0\.5 % of the load \(k = 1\)", reference["u"])
    assert ReferenceStandard.objects.count() == 2


def test_reading_it_takes_a_fixed_number_of_queries(measured, django_assert_max_num_queries):
    with django_assert_max_num_queries(10):
        data_of(measured)
