"""A sensor's dossier for warranty: its whole life as PDF, tables, data and digests, in one ZIP."""

import io
import json
import zipfile
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from calibration import readout
from calibration.documents import plots, seals, tables, typesetting
from calibration.documents.certificate_data import causes, results
from calibration.documents.flag_words import Kind, flag_words
from calibration.documents.wording import change, dealer_facts, local_day, local_minute, quantity
from calibration.readout.phrases import typed
from fleet.errors import NotFound
from fleet.models import Dealer, Sensor
from fleet.scope import Scope

EARLIEST_ZIP_YEAR = 1980
PERSONAL = {"close_reason", "family_cause", "assigned_to", "assigned_at"}


def dossier(
    sensor: Sensor, *, scope: Scope, now: datetime, paper: str = "a4", link: str = ""
) -> bytes:
    """Return the ZIP: dossier.pdf, two CSV files, history.json, digests.txt and README.txt.

    It names no owner of any machine, and nobody's contact data; free text that another dealer
    wrote is left out as everywhere.
    """
    typesetting.paper_size(paper)
    row = (
        Sensor.objects.visible_to(scope).select_related("model", "dealer").filter(pk=sensor.pk)
    ).first()
    if row is None:
        raise NotFound("There is no such sensor.")
    life = _without_people(readout.sensor_history(row, scope))
    records = seals.record_lines(row, scope)
    data = dossier_data(row, life, records, now=now)
    data |= {"link": link, "qr": typesetting.qr_svg(link) if link else ""}
    places = life["installations"]
    models = {place["machine_serial"]: place["machine_model_name"] for place in places}
    files = {
        "dossier.pdf": typesetting.typeset("dossier", data, now=now, paper=paper),
        "calibrations.csv": tables.calibrations_csv(life["calibrations"], life["sensor"], models),
        "functional_tests.csv": tables.functional_csv(life["functional_tests"]),
        "history.json": (json.dumps(life, indent=1, ensure_ascii=False) + "\n").encode(),
    }
    files["digests.txt"] = seals.digests_file(row, records, files)
    files["README.txt"] = seals.readme(
        serial=row.serial, issued_at=data["issued_at"], dealer=row.dealer.name
    )
    return _zipped(files, now)


def _without_people(value: Any) -> Any:
    """Return the history without the machines' owners and without what people said of flags.

    Both may name somebody who has nothing to do with the claim.
    """
    if isinstance(value, dict):
        return {
            name: _without_people(item)
            for name, item in value.items()
            if not name.startswith("customer") and name not in PERSONAL
        }
    return [_without_people(item) for item in value] if isinstance(value, list) else value


def _zipped(files: Mapping[str, bytes], now: datetime) -> bytes:
    """Return a ZIP whose bytes depend on the files and `now` only."""
    at = (max(now.year, EARLIEST_ZIP_YEAR), now.month, now.day, now.hour, now.minute, now.second)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            entry = zipfile.ZipInfo(name, date_time=at)
            entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
            entry.create_system = 3
            archive.writestr(entry, content)
    return out.getvalue()


def dossier_data(
    sensor: Sensor, life: Mapping[str, Any], records: list[dict[str, Any]], *, now: datetime
) -> dict[str, Any]:
    """Return what the dossier's PDF shows."""
    dealer, zone = sensor.dealer, sensor.dealer.zone
    dates = {answer["id"]: local_minute(answer["performed_at"], dealer)
             for answer in (*life["calibrations"], *life["functional_tests"])}  # fmt: skip
    judged = {answer["id"]: answer["against_expected"] for answer in life["calibrations"]}
    return {
        "issued_on": local_day(now, dealer),
        "issued_at": local_minute(now, dealer),
        "dealer": dealer_facts(dealer),
        "sensor": {
            "serial": sensor.serial,
            "model": sensor.model.name,
            "lot": sensor.lot,
            "rated": f"{typed(sensor.model.rated_load)} {sensor.model.load_unit}",
            "tag": _tag(life["sensor"]["tag"], sensor.model.reading_unit),
        },
        "installations": life["installations"],
        "plots": plots.histories(life, zone),
        "seasons": [_season(row, judged[row["calibration"]]) for row in life["seasons"]],
        "calibrations": [_calibration(answer, dates) for answer in life["calibrations"]],
        "functional_tests": [_test(answer, dates) for answer in life["functional_tests"]],
        "flags": [_flag(flag, dates, dealer) for flag in life["flags"]],
        "due": life["due"],
        "records": records,
    }


def _tag(tag: Mapping[str, Any] | None, reading_unit: str) -> str:
    if tag is None:
        return ""
    return (
        f"{typed(tag['zero_reading'])} at 0, {typed(tag['span_reading'])} {reading_unit} at "
        f"{typed(tag['span_load'])} {tag['load_unit']}"
    )


def _season(row: Mapping[str, Any], judged: Mapping[str, Any]) -> dict[str, Any]:
    """Return a season's last numbers and the changes that its verdict rests on."""
    load, reading = row["load_unit"], row["reading_unit"]
    return {
        "season": row["season"],
        "segment": row["segment"],
        "verdict": row["verdict"],
        "slope": quantity(row["slope"], row["u_slope"], f"{reading}/{load}"),
        "offset": quantity(row["offset"], row["u_offset"], reading),
        "slope_change": change(
            judged.get("slope_change_pct"), judged.get("u_slope_change_pct"), "%"
        ),
        "offset_change": change(judged.get("offset_change"), judged.get("u_offset_change"), load),
    }


def _calibration(answer: Mapping[str, Any], dates: Mapping[str, str]) -> dict[str, Any]:
    return {
        "performed_at": dates[answer["id"]],
        "points": [
            f"{typed(point['load'])}: {typed(point['reading'])}"
            + (" (down)" if point["direction"] == "down" else "")
            for point in answer["points"]
        ],
        "temperature": typed(answer["conditions"]["temperature_c"]),
        "pressure": typed(answer["conditions"]["hydraulic_pressure"]),
        "pressure_unit": answer["conditions"]["pressure_unit"],
        "results": results(answer),
        "causes": causes(answer, 3),
        "superseded_on": dates.get(answer["superseded_by"] or "", ""),
        **{
            name: answer[name]
            for name in (
                "id", "reason", "stage", "machine_serial", "position", "technician", "note",
                "reference_name", "load_unit", "reading_unit", "verdict", "digest",
                "supersede_reason",
            )
        },
    }  # fmt: skip


def _test(answer: Mapping[str, Any], dates: Mapping[str, str]) -> dict[str, Any]:
    steps = [
        {name: value if isinstance(value, str) else typed(value) for name, value in step.items()}
        for step in answer["steps"]
    ]
    return {
        "performed_at": dates[answer["id"]],
        "steps": steps,
        "superseded_on": dates.get(answer["superseded_by"] or "", ""),
        **{
            name: answer[name]
            for name in (
                "id", "machine_serial", "position", "technician", "note", "load_unit",
                "pressure_unit", "verdict", "digest", "findings",
            )
        },
    }  # fmt: skip


def _flag(flag: Mapping[str, Any], dates: Mapping[str, str], dealer: Dealer) -> dict[str, str]:
    """Return a flag with its days at the dealer: measured and opened are days apart at times."""
    record = flag["calibration"] or flag["functional_test"] or ""
    return {
        "measured_on": dates.get(record, "")[:10],
        "opened_on": local_minute(flag["opened_at"], dealer)[:10],
        "kind": Kind(flag["kind"]).label,
        "level": flag["level"],
        "status": flag["status"],
        "says": flag_words(flag["kind"], flag["magnitude"], flag["tolerance"]),
    }
