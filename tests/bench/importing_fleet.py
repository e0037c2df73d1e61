"""An invented fleet as a record file: sound sensors over some seasons, a few of them drifting."""

import csv
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from calibration.record_file import COLUMNS

DEALER, MACHINE_MODEL, SENSOR_MODEL, REFERENCE = "EAST", "Furche 8", "cell 2 kN", "frame 1"
SEASONS, ON_MACHINE, OF_CUSTOMER = 5, 8, 32  # sensors
_ZONE = ZoneInfo("Europe/Warsaw")
_LOADS = ("0", "60", "120")
_READINGS_PER_DAN, _ZERO = 100.0, 20_000.0
_SOUND_DRIFT, _DRIFTING, _LARGE_DRIFT = 0.003, 0.02, 0.06  # of the slope, a season


def register(*, make: bool = True) -> Any:
    """Enter dealer, models and reference, as `load_register` would; return the dealer."""
    from calibration.models import ReferenceStandard
    from fleet.models import Dealer, MachineModel, SensorModel

    if not make:
        return Dealer.objects.get(code=DEALER)
    dealer = Dealer.objects.create(
        code=DEALER, name="Ostfeld", timezone=_ZONE.key, load_unit="daN", season_start="03-20"
    )
    MachineModel.objects.create(name=MACHINE_MODEL, kind="planter", rows=8)
    SensorModel.objects.create(
        name=SENSOR_MODEL,
        rated_load=200.0,
        load_unit="daN",
        reading_min=0.0,
        reading_max=65_535.0,
        nominal_slope=_READINGS_PER_DAN,
        nominal_offset=_ZERO,
    )
    ReferenceStandard.objects.create(
        dealer=dealer, name=REFERENCE, kind="scale", relative_uncertainty_pct=0.5
    )
    return dealer


def rows(calibrations: int, *, seed: int = 4) -> Iterator[list[str]]:
    """Yield the rows of a record file in the order of the format's columns, visit by visit."""
    rng = np.random.default_rng(seed)
    sensors = -(-calibrations // SEASONS)
    slope = _READINGS_PER_DAN * rng.normal(1.0, 0.02, sensors)
    zero = _ZERO + rng.normal(0.0, 300.0, sensors)
    left = calibrations
    for season in range(SEASONS):
        spread = np.where(rng.random(sensors) < _DRIFTING, _LARGE_DRIFT, _SOUND_DRIFT)
        slope *= 1.0 + rng.normal(0.0, spread)
        noise = rng.normal(0.0, 20.0, (sensors, len(_LOADS)))
        for sensor in range(min(sensors, left)):
            head = _head(season, sensor)
            for load, error in zip(_LOADS, noise[sensor], strict=True):
                reading = zero[sensor] + slope[sensor] * float(load) + error
                yield [*head, load, "daN", f"{reading:.0f}", "count", "up", "11.5", "0", "bar", ""]
        left -= sensors


def _head(season: int, sensor: int) -> list[str]:
    machine = sensor // ON_MACHINE
    visit = datetime(2021 + season, 2, 1, 8, tzinfo=_ZONE) + timedelta(
        days=machine % 40, minutes=20 * (sensor % ON_MACHINE)
    )
    row = sensor % ON_MACHINE + 1
    return [
        f"{2021 + season}/{sensor}", f"Farm {sensor // OF_CUSTOMER}", f"M{machine:06}",
        MACHINE_MODEL, f"row {row}", f"S{sensor:07}", SENSOR_MODEL, f"lot {sensor // 500}",
        visit.isoformat(), "Ewa", "seasonal", "as_found", REFERENCE,
    ]  # fmt: skip


def write_csv(path: Path, calibrations: int) -> Path:
    """Write the fleet's record file as CSV."""
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\r\n")
        writer.writerow(COLUMNS)
        writer.writerows(rows(calibrations))
    return path


def write_xlsx(path: Path, calibrations: int) -> Path:
    """Write the fleet's record file as a workbook, numbers as numbers."""
    import openpyxl

    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet()
    sheet.append(list(COLUMNS))
    numeric = {COLUMNS.index(name) for name in ("load", "reading", "temperature_c")}
    for row in rows(calibrations):
        sheet.append(
            [float(cell) if at in numeric else cell or None for at, cell in enumerate(row)]
        )
    book.save(path)
    return path


def enter_fleet(calibrations: int) -> None:
    """Enter the customers, machines, sensors and installations that the file names."""
    from fleet.enrolling import Newcomers, enrol
    from fleet.models import (
        Customer,
        Dealer,
        Installation,
        Machine,
        MachineModel,
        Sensor,
        SensorModel,
    )
    from fleet.scope import Scope

    dealer = Dealer.objects.get(code=DEALER)
    kind, cell = MachineModel.objects.get(), SensorModel.objects.get()
    new = Newcomers()
    for sensor in range(-(-calibrations // SEASONS)):
        _, customer, machine, _, position, serial, _, lot, when, *_ = _head(0, sensor)
        if sensor % OF_CUSTOMER == 0:
            new.customers.append(Customer(pk=len(new.customers) + 1, dealer=dealer, name=customer))
        if sensor % ON_MACHINE == 0:
            key, owner = len(new.machines) + 1, new.customers[-1]
            new.machines.append(Machine(pk=key, customer=owner, model=kind, serial=machine))
        cell_row = Sensor(pk=sensor + 1, dealer=dealer, model=cell, serial=serial, lot=lot)
        new.sensors.append(cell_row)
        new.installations.append(
            Installation(
                pk=sensor + 1,
                sensor=cell_row,
                machine=new.machines[-1],
                position=position,
                installed_on=datetime.fromisoformat(when).date(),
            )
        )
    enrol(new, dealer=dealer, scope=Scope.system())
