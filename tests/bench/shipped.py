"""The shipped path on simulated fleets: records in a database, a full scan, flags counted.

Run ``python -m tests.bench.shipped`` (``--dealers 3`` by default). The same fleets as
`tests.bench.judgement`, but through `record_many`, `run_scan` and the stored flags, in an SQLite
database of its own that is thrown away: what a dealer would get, not what the kernel could do.
"""

import argparse
import os
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench.fleets import Fleet, World, simulate

START = datetime(2020, 1, 20, 8, tzinfo=UTC)
SEED = 20260402


def main() -> None:
    """Print detection and false flags of the shipped path, with one and with two references."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--dealers", type=int, default=3)
    dealers = parser.parse_args().dealers
    with tempfile.TemporaryDirectory() as folder:
        os.environ["DATABASE_URL"] = f"sqlite:///{Path(folder) / 'bench.sqlite3'}"
        os.environ["DJANGO_SETTINGS_MODULE"] = "fleet.config.settings"
        import django
        from django.core.management import call_command

        django.setup()
        call_command("migrate", verbosity=0)
        print(f"{'fleet':24s} {'sensors':>8s} {'detected':>9s} {'false':>8s} {'plain false':>12s}")
        for name, world in (
            ("same reference", World(dealers=dealers)),
            ("reference changed", World(dealers=dealers, changed=True)),
        ):
            fleet = simulate(np.random.default_rng(SEED), world)
            flagged = _flagged(fleet, world, name.split()[0].upper())
            plain = _plain(fleet, world)
            sound = ~fleet.drifted
            print(
                f"{name:24s} {len(flagged):8d} {flagged[fleet.drifted].mean():9.4f} "
                f"{flagged[sound].mean():8.4f} {plain[sound].mean():12.4f}"
            )


def _plain(fleet: Fleet, world: World) -> Any:
    from tests.bench.judgement import plain_flags

    return plain_flags(fleet, world)


def _flagged(fleet: Fleet, world: World, prefix: str) -> Any:
    """Store the fleet, scan it, and return which sensors have an open flag beyond tolerance."""
    from calibration.models import DriftFlag
    from calibration.records import Recorded, record_many
    from calibration.scan import run_scan
    from fleet.scope import Scope

    now = START + timedelta(days=365 * world.seasons)
    sensors, drafts = _drafts(fleet, world, prefix)
    outcomes = record_many(drafts, scope=Scope.system(), now=now)
    assert all(isinstance(outcome, Recorded) for outcome in outcomes), outcomes[:1]
    run_scan(full=True, now=now)
    last = {drafts[i].id for i in fleet.last.tolist()}
    flags = DriftFlag.objects.filter(
        calibration_id__in=last, kind__in=["slope", "offset"], level="beyond"
    ).exclude(status="closed")
    beyond = set(flags.values_list("sensor_id", flat=True))
    return np.array([sensor.pk in beyond for sensor in sensors])


def _drafts(fleet: Fleet, world: World, prefix: str) -> tuple[list[Any], list[Any]]:
    import uuid

    from calibration.models import ReferenceStandard
    from calibration.records import CalibrationDraft, PointDraft
    from fleet.models import Dealer, Sensor, SensorModel

    series, count = fleet.series, len(fleet.series.rated_load)
    per_dealer = world.customers * world.sensors
    dealers = [
        Dealer.objects.create(code=f"{prefix}-{n}", name=f"Bench {n}", season_start="04-01")
        for n in range(world.dealers)
    ]
    references = [
        ReferenceStandard.objects.create(
            dealer=dealer, name=name, relative_uncertainty_pct=100.0 * u
        )
        for dealer in dealers
        for name, u in (("old", world.old_reference), ("new", world.new_reference))
    ]
    models = {
        rated: SensorModel.objects.get_or_create(
            name=f"Bench {rated:g}",
            rated_load=rated,
            load_unit="N",
            repeatability_pct=100.0 * world.repeatability,
        )[0]
        for rated in np.unique(series.rated_load).tolist()
    }
    sensors = Sensor.objects.bulk_create(
        Sensor(
            serial=f"{prefix}-{n}",
            dealer=dealers[n // per_dealer],
            model=models[float(series.rated_load[n])],
        )
        for n in range(count)
    )
    sensors = [Sensor.objects.select_related("model", "dealer").get(pk=s.pk) for s in sensors]
    drafts = []
    for i in range(series.size):
        sensor = sensors[int(series.segment[i])]
        rated = float(series.rated_load[series.segment[i]])
        per_newton = series.u_offset[i] / world.repeatability / rated
        span = np.sqrt(2.0) * world.repeatability * per_newton / series.u_slope[i] * rated
        zero = float(series.offset[i])
        drafts.append(
            CalibrationDraft(
                id=uuid.uuid5(uuid.NAMESPACE_OID, f"{prefix}-{i}"),
                sensor=sensor,
                performed_at=START + timedelta(days=float(series.day[i]), minutes=i % 400),
                load_unit="N",
                reading_unit="count",
                reference=references[int(series.reference[i])],
                points=(
                    PointDraft(0.0, zero),
                    PointDraft(float(span), zero + float(series.slope[i] * span)),
                ),
            )
        )
    return sensors, drafts


if __name__ == "__main__":
    main()
