"""The bench of the import measures what it says: a small file, on PostgreSQL."""

import pytest
from django.db import connection

from calibration import verifying
from calibration.models import Calibration, CalibrationPoint, Judgement
from tests.bench import importing, importing_fleet
from tests.conftest import NOW


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor != "postgresql", reason="COPY is PostgreSQL's")
@pytest.mark.parametrize("known", [False, True])
def test_a_small_file_is_measured_and_left_as_it_was_loaded(tmp_path, capsys, known):
    importing_fleet.register()
    if known:
        importing_fleet.enter_fleet(100)
    figures = importing.measure(importing_fleet.write_csv(tmp_path / "fleet.csv", 100))
    assert figures["calibrations"] == 100
    assert 0 < figures["without_judging_vs_copy"] < figures["import_vs_copy"]
    assert f"created {0 if known else 1} customers" in capsys.readouterr().out.replace(
        "customer,", "customers,"
    )
    # The tables are emptied and filled again only in a transaction that is rolled back.
    assert (Calibration.objects.count(), CalibrationPoint.objects.count()) == (100, 300)
    assert Judgement.objects.count() == 100
    assert not list(verifying.verify(now=NOW))
