"""Sheets and archives, taken from the pages that offer them."""

import zipfile

import pytest

from tests.browser.driving import BROWSER

pytestmark = BROWSER


# Asked by the page itself: a click would open the browser's own viewer of PDFs.
BEGINNING = """link => fetch(link.href).then(answer => answer.arrayBuffer())
  .then(all => String.fromCharCode(...new Uint8Array(all, 0, 4)))"""


@pytest.mark.parametrize(
    ("path", "words", "begins"),
    [("calibration/calibration", "Certificate (PDF)", "%PDF"),
     ("fleet/sensor", "Dossier (ZIP)", "PK"),
     ("fleet/machine", "Card for the cab (PDF)", "%PDF"),
     ("fleet/customer", "Visit sheet, A4 (PDF)", "%PDF")],
)  # fmt: skip
def test_a_paper_is_taken_from_its_page(visit, path, words, begins):
    visitor = visit("jagoda")
    visitor.go(f"/admin/{path}/")
    with visitor.page.expect_navigation():
        visitor.page.locator("#result_list tbody th a").first.click()
    visitor.holds()
    link = visitor.page.get_by_role("link", name=words, exact=True)
    assert link.evaluate(BEGINNING).startswith(begins)


def test_a_reviewer_is_offered_no_visit_sheets(visit):
    visitor = visit("imre")
    visitor.go("/admin/fleet/customer/")
    visitor.holds()
    assert visitor.page.locator("#result_list tbody tr").count() > 1
    assert visitor.page.locator("select[name=action]").count() == 0


@pytest.mark.parametrize("name", ["jagoda", "halina", "adela"])
def test_the_sheets_of_chosen_customers_come_in_one_archive(visit, name):
    visitor = visit(name)
    page = visitor.page
    visitor.go("/admin/fleet/customer/")
    for number in range(2):
        page.locator("#result_list input.action-select").nth(number).check()
    page.select_option("select[name=action]", "sheets_chosen")
    visitor.holds()
    with page.expect_download() as coming:
        page.click("button[name=index]")
    with zipfile.ZipFile(coming.value.path()) as archive:
        sheets = [each for each in archive.namelist() if each.endswith(".pdf")]
    assert len(sheets) == 2
