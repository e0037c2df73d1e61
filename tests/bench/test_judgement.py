"""The figures that the judgement must reach, from the bench's own table."""

import pytest

from tests.bench.judgement import table


@pytest.fixture(scope="module")
def rows():
    return {row.figure: row for row in table()[0]}


@pytest.mark.parametrize(
    ("figure", "low", "high"),
    [
        ("detection at >= 1.5 tolerance, same reference", 0.99, 1.0),
        ("false flags at <= 0.5 tolerance, same reference", 0.0, 0.01),
        ("detection at >= 1.5 tolerance, reference changed", 0.90, 1.0),
        ("false flags at <= 0.5 tolerance, reference changed", 0.0, 0.04),
        ("detection at >= 1.5 tolerance, same reference, small spans", 0.99, 1.0),
        ("detection at >= 1.5 tolerance, reference changed, small spans", 0.90, 1.0),
        ("false flags at <= 0.5 tolerance, reference changed, small spans", 0.0, 0.04),
        ("95 % interval of the slope change covers, same reference", 0.94, 0.96),
        ("95 % interval of the slope change covers, reference changed", 0.94, 0.96),
        ("95 % interval of the zero change covers, same reference", 0.94, 0.96),
        ("cause of a surprising calibration, top-1", 0.90, 1.0),
        ("cause of a surprising calibration, top-2", 0.97, 1.0),
        ("crossing comes after the stated earliest day (said 0.90)", 0.88, 1.0),
    ],
)
def test_reaches(rows, figure, low, high):
    assert low <= rows[figure].ours <= high


def test_is_within_a_point_of_the_oracle_at_its_false_flags(rows):
    for figure, row in rows.items():
        if figure.startswith("detection"):
            assert row.ours >= row.oracle - 0.01, figure


def test_beats_the_plain_rule(rows):
    for figure, row in rows.items():
        if figure.startswith("false flags"):
            assert row.ours <= row.plain, figure
