"""`?fields=`: of every list and every row, what was asked for and nothing else."""

import csv
import io

import pytest

from api.urls import RESOURCES
from tests.api.conftest import V1, refused

NAMES = [views.resource for views in RESOURCES]


@pytest.mark.parametrize("resource", NAMES)
def test_lists_and_rows_show_what_was_asked_for(resource, admin, rows):
    listed = admin.get(f"{V1}{resource}/").json()["results"]
    if not listed:
        assert admin.get(f"{V1}{resource}/?fields=id").json()["results"] == []
        return
    names = sorted(listed[0])[:2][::-1]
    sparse = admin.get(f"{V1}{resource}/?fields={','.join(names)}").json()["results"]
    assert sparse == [{name: row[name] for name in names} for row in listed]
    assert list(sparse[0]) == names
    where = f"{V1}{resource}/{listed[0]['id']}/"
    assert admin.get(f"{where}?fields={names[0]}").json() == {names[0]: listed[0][names[0]]}


@pytest.mark.parametrize("resource", NAMES)
def test_a_field_that_there_is_not_is_told_which_there_are(resource, admin, rows):
    problem = refused(admin.get(f"{V1}{resource}/?fields=id,color"), 400, "/?/fields")
    (error,) = problem["errors"]
    assert error["value"] == "color"
    assert "id" in error["accepted"]


@pytest.mark.parametrize("resource", NAMES)
def test_a_list_takes_the_names_of_the_fields_that_it_has(resource, admin, rows):
    listed = admin.get(f"{V1}{resource}/").json()["results"]
    (error,) = refused(admin.get(f"{V1}{resource}/?fields=-"), 400)["errors"]
    told = set(error["accepted"].removeprefix("some of ").split(", "))
    assert {name for row in listed for name in row} == told or not listed


def test_what_only_one_row_is_told_with_is_asked_of_one_row(tech, rows):
    where = f"{V1}calibrations/"
    refused(tech.get(f"{where}?fields=id,figures,explain"), 400, "/?/fields")
    one = tech.get(f"{where}{rows['calibrations']['A']}/?fields=explain,figures").json()
    assert set(one) == {"explain", "figures"}


def test_of_one_row_too(tech, rows):
    where = f"{V1}sensors/{rows['sensors']['A']}/"
    refused(tech.get(f"{where}?fields=serial,"), 400, "/?/fields")
    refused(tech.get(f"{where}?fields="), 400, "/?/fields")
    assert set(tech.get(f"{where}?fields=serial,serial").json()) == {"serial"}


def test_exports_hold_the_columns_that_were_asked_for(tech, rows):
    answer = tech.get(f"{V1}calibrations/?format=csv&fields=sensor_serial,fit.slope")
    table = list(csv.reader(io.StringIO(b"".join(answer).decode())))
    assert table[0] == ["sensor_serial", "fit.slope"]
    assert {len(row) for row in table} == {2}
    assert len(table) == 3
    refused(tech.get(f"{V1}calibrations/?format=csv&fields=fit"), 400, "/?/fields")
