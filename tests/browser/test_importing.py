"""A record file on the desk, with a real worker beside it: checked, looked at, stored, once.

The file is the shipped example of the record format; three of its records are spoilt here.
"""

import csv
import io
import re
from pathlib import Path
from typing import Any

from tests.browser.driving import BROWSER, Visitor

pytestmark = BROWSER

EXAMPLE = Path(__file__).parents[2] / "fixtures" / "demo_records.csv"
SPOILT = {  # record -> column, what stands there, what is said about it
    "ZM-2024-11": ("load_unit", "stone", "unit"),
    "ZM-2024-12": ("reading", "24x73", "number"),
    "ZM-2025-13": ("performed_at", "2099-03-11T08:45:00", "future"),
}
MANY = 4000  # records, which keep a worker busy while the page is read and clicked
Rows = list[dict[str, str]]


def example() -> Rows:
    with EXAMPLE.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def spoilt() -> tuple[Rows, Rows]:
    """Return all rows of the file, and those of the records with something wrong in them."""
    rows, done = example(), set()
    for row in rows:
        key = row["record_id"]
        if key in SPOILT and (key not in done or SPOILT[key][0] != "reading"):
            row[SPOILT[key][0]] = SPOILT[key][1]
            done.add(key)
    return rows, [row for row in rows if row["record_id"] in SPOILT]


def as_csv(rows: Rows) -> bytes:
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]))
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode()


def upload(visitor: Visitor, content: bytes, *, dealer: str = "") -> None:
    visitor.go("/admin/calibration/importrun/add/")
    if dealer:  # who manages one dealer finds it chosen
        mine = visitor.page.locator("#id_dealer option", has_text=dealer).get_attribute("value")
        visitor.page.select_option("#id_dealer", mine)
    file = {"name": "past.csv", "mimeType": "text/csv", "buffer": content}
    visitor.page.set_input_files("#id_file", file)
    visitor.click("Upload and check")


def sums(visitor: Visitor) -> dict[str, int]:
    """Return how many records came to what, as the page says it."""
    pairs: Any = visitor.page.eval_on_selector_all(
        ".sums div", "all => all.map(one => one.innerText.split('\\n'))"
    )
    return {what: int(count) for what, count in pairs}


def wait(visitor: Visitor, words: str) -> None:
    """Wait until the page has shown itself anew."""
    visitor.page.locator("#content-main", has_text=words).wait_for(timeout=90_000)


def test_a_file_with_three_bad_records_is_checked_looked_at_and_stored_once(visit, worker):
    visitor, (rows, bad) = visit("halina"), spoilt()
    page, total = visitor.page, len({row["record_id"] for row in rows})
    upload(visitor, as_csv(rows))
    assert "Waiting for the worker" in page.inner_text("[data-says]")
    assert page.get_by_role("progressbar", name="How far it is").is_visible()
    visitor.holds()
    worker()
    wait(visitor, "Refused rows")
    visitor.holds()
    new = total - len(SPOILT)
    assert sums(visitor) == {
        "Records": total, "Would be stored": new, "Already there": 0, "Refused": 3
    }  # fmt: skip
    beside_one_another(visitor)
    every_reason_is_said(visitor)
    assert rows_of(refused_file(visitor)) == bad
    visitor.click(f"Store {new} records at Klonowiec Siewniki, leave out 3")
    wait(visitor, "The good records are stored.")
    visitor.holds()
    assert sums(visitor)["Stored"] == new
    assert rows_of(refused_file(visitor)) == bad
    shown_on_the_sensors_page(visitor)
    upload(visitor, as_csv(rows))
    wait(visitor, "There is nothing new in this file to store.")
    assert sums(visitor) == {
        "Records": total, "Would be stored": 0, "Already there": new, "Refused": 3
    }  # fmt: skip
    assert page.get_by_role("button", name="Store").count() == 0
    visitor.click("Drop this file")
    wait(visitor, "Nothing of the file is stored.")
    shown_on_the_sensors_page(visitor)


def beside_one_another(visitor: Visitor) -> None:
    """See that what is refused and what is accepted stand side by side."""
    refused, accepted = (
        visitor.page.get_by_role("region", name=f"{which} rows").bounding_box()
        for which in ("Refused", "Accepted")
    )
    assert refused["x"] + refused["width"] <= accepted["x"]
    assert refused["y"] == accepted["y"]


def every_reason_is_said(visitor: Visitor) -> None:
    said = visitor.page.get_by_role("region", name="Refused rows").locator("li")
    for key, (column, value, words) in SPOILT.items():
        reason = said.filter(has_text=f"record {key}").filter(has_text=f"column {column}").first
        assert value in reason.inner_text()
        assert words in reason.inner_text()
    good = visitor.page.get_by_role("region", name="Accepted rows").inner_text()
    assert "ZM-2023-11" in good
    assert not [key for key in SPOILT if key in good]


def refused_file(visitor: Visitor) -> str:
    with visitor.page.expect_download() as coming:
        visitor.tap("Refused rows (CSV)", "link")
    return Path(coming.value.path()).read_text(encoding="utf-8")


def rows_of(text: str) -> Rows:
    """Return the rows of a refused file as they stood in the file; each says why."""
    rows = list(csv.DictReader(io.StringIO(text)))
    assert all(row.pop("refused_because") for row in rows)
    return rows


def shown_on_the_sensors_page(visitor: Visitor) -> None:
    """See the good records of one sensor on its page, each once; not the refused one."""
    visitor.go("/admin/fleet/sensor/?q=KP25-19111")
    visitor.click("KP25-19111", "link")
    table = visitor.page.get_by_role("region", name="All calibrations")
    days = table.locator("tbody th").all_inner_texts()
    good = [row for row in example() if row["sensor"] == "KP25-19111" and row["load"] == "0"]
    kept = [row["performed_at"][:10] for row in good if row["record_id"] not in SPOILT]
    assert sorted(days) == sorted(kept)
    visitor.holds()


def many(count: int) -> bytes:
    """Return a file of records that have nothing to do with one another, each of a new sensor."""
    first, second = example()[:2]
    own = ("record_id", "customer", "machine", "sensor")
    return as_csv(
        [row | dict.fromkeys(own, f"NEW-{n}") for n in range(count) for row in (first, second)]
    )


def test_an_administrator_sees_how_far_it_is_and_stops_it(visit, worker):
    visitor = visit("adela")
    page = visitor.page
    upload(visitor, b"", dealer="KLON")
    assert "The file is empty" in visitor.beside("file")
    assert "KLON" in page.locator("#id_dealer option:checked").inner_text()
    visitor.holds()
    upload(visitor, many(MANY), dealer="KLON")
    worker()
    page.wait_for_selector("progress[value]", timeout=60_000)
    said = page.inner_text("[data-says]")
    found = re.fullmatch(
        r"checking records: ([0-9,]+) of ([0-9,]+) \((\d+) %\)", said, re.IGNORECASE
    )
    assert found, said
    done, total, share = (int(number.replace(",", "")) for number in found.groups())
    assert total == MANY
    assert share == 100 * done // total < 100
    visitor.click("Cancel")
    wait(visitor, "Nothing of the file is stored.")
    visitor.holds()


def test_an_administrator_is_told_why_a_file_cannot_be_read_and_stores_another(visit, worker):
    visitor = visit("adela")
    worker()
    upload(visitor, as_csv(example()).replace(b"record_id", b"record", 1), dealer="KLON")
    wait(visitor, "The file could not be checked")
    assert "record_id" in visitor.page.inner_text("#content-main")
    visitor.holds()
    mended = [row | {"record_id": f"late-{row['record_id']}"} for row in example()[:4]]
    upload(visitor, as_csv(mended), dealer="KLON")
    visitor.click("Store 2 records at Klonowiec Siewniki")
    wait(visitor, "The good records are stored.")
