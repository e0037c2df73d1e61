"""From data to PDF: what is typed is never markup, the same data give the same bytes."""

from datetime import UTC, datetime

import pytest

from calibration.documents import typesetting
from fleet.errors import Invalid
from tests.side_by_side import at_once

NOW = datetime(2026, 4, 10, 12, tzinfo=UTC)
HOSTILE = '#panic("x") $x^2$ *b* _i_ `raw` @ref <label> \\ #import "/etc/passwd": * "]) { \x00 播'


def card(name=HOSTILE):
    return {
        "issued_on": "2026-04-10",
        "dealer": {"name": name},
        "machine": {"serial": name, "name": name, "model": name},
        "cards": [[]],
        "link": "",
        "qr": "",
    }


def test_what_is_typed_is_never_markup():
    assert typesetting.typeset("cab_card", card(), now=NOW, paper="a4").startswith(b"%PDF-1.7")


def test_the_same_data_give_the_same_bytes_on_every_thread():
    def work(number):
        name = f"M {number % 3}"
        return name, typesetting.typeset("cab_card", card(name), now=NOW, paper="a4")

    found = at_once(9, work)
    assert len(found) == 9
    by_name = {name: {pdf for other, pdf in found if other == name} for name, _ in found}
    assert {name: len(pdfs) for name, pdfs in by_name.items()} == {"M 0": 1, "M 1": 1, "M 2": 1}


def test_it_claims_archival_and_accessible_form():
    """PDF/A identification: ISO 19005-2, 6.6.4; PDF/UA: ISO 14289-1, 5 (from memory)."""
    pdf = typesetting.typeset("cab_card", card(), now=NOW, paper="letter")
    assert b"<pdfaid:part>2</pdfaid:part>" in pdf
    assert b"<pdfaid:conformance>A</pdfaid:conformance>" in pdf
    assert b"<pdfuaid:part>1</pdfuaid:part>" in pdf


@pytest.mark.parametrize(("paper", "points"), [("a4", (595.3, 841.9)), ("letter", (612, 792))])
def test_both_papers_have_their_size(paper, points):
    """ISO 216: A4 is 210 mm x 297 mm; US Letter is 8.5 in x 11 in; a point is 1/72 in."""
    import re

    pdf = typesetting.typeset("cab_card", card("M"), now=NOW, paper=paper)
    box = re.search(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", pdf)
    assert box is not None
    assert tuple(map(float, box.groups())) == pytest.approx(points, abs=0.1)


def test_an_unknown_paper_is_refused_with_what_there_is():
    with pytest.raises(Invalid, match="a4 or letter"):
        typesetting.typeset("cab_card", card(), now=NOW, paper="legal")


def test_a_qr_code_is_drawn_for_a_link_of_any_length_we_make():
    svg = typesetting.qr_svg("https://spanbook.example.org/" + "x" * 200)
    assert svg.startswith("<svg")
    assert "path" in svg
