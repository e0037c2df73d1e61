"""Files, cells and units that nobody would send; a million: `python -m tests.bench.fuzz_files`."""

import io

import pytest

from tests.bench import fuzz_files
from tests.bench.fuzz_files import Tally, fuzz, read_cell, read_file
from tests.calibration.record_files import as_csv, as_xlsx, record


@pytest.mark.parametrize(
    ("kind", "inputs"), [("cells", 5000), ("units", 2000), ("csv", 1500), ("xlsx", 300)]
)
def test_everything_is_read_or_refused(kind, inputs):
    tally = fuzz(kind, inputs)
    assert tally.crashes == []
    assert tally.inputs >= inputs
    assert tally.refused
    assert tally.accepted  # it is not all refused at the door


def test_a_sound_file_is_among_what_is_read():
    for content in (as_csv(record()), as_xlsx(record())):
        read_file(content)


def test_a_crash_would_be_seen(monkeypatch):
    def broken(_cell):
        raise ZeroDivisionError("one day")

    monkeypatch.setitem(fuzz_files.TARGETS, "cells", (fuzz_files.TARGETS["cells"][0], broken, 50))
    tally = fuzz("cells", 50)
    assert tally.inputs == sum(tally.kinds.values())
    assert "ZeroDivisionError: one day" in tally.crashes[0]


def test_an_invariant_that_fails_is_a_crash(monkeypatch):
    monkeypatch.setattr(fuzz_files, "unescape", lambda text: text + "!")
    tally = Tally()
    with tally.of("x"):
        read_cell("x")
    assert tally.crashes


def test_a_refusal_is_none():
    tally = Tally()
    with tally.of(b""):
        read_file(io.BytesIO().getvalue())
    assert (tally.refused, tally.crashes) == (1, [])
