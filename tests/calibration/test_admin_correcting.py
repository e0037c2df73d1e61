"""The form of a correction after a resale: the numbers go along, the former dealer's words stay.

What it leaves out is what the API leaves out of the record.
"""

import pytest

from calibration import readout
from calibration.models import Calibration
from fleet.access import scope_of
from fleet.models import Membership, Role
from tests.calibration.lives import resell
from tests.desk import page, signed_in, without_files

SECRETS = ("K. Wrona", "call Mrs. Former")


@pytest.fixture(autouse=True)
def _desk(settings):
    without_files(settings)


@pytest.fixture
def record(world):
    return world.season(
        "A1", 2026, technician=SECRETS[0], note=SECRETS[1], reference=world.references["A"]
    ).calibration


def correction(world, name, record):
    return signed_in(world.users[name]).get(page(Calibration, "add"), {"corrects": record.pk})


def started(answer) -> tuple[str, str, int | None]:
    start = answer.context["form"].initial
    return start["technician"], start["note"], start["reference"] and start["reference"].pk


def told(world, name, record) -> tuple[str, str, int | None]:
    said = readout.calibration_answer(record, scope_of(world.users[name]))
    return said["technician"], said["note"], said["reference"]


def test_the_dealer_who_wrote_it_finds_its_words_and_reference(world, record):
    answer = correction(world, "techA", record)
    assert started(answer) == (*SECRETS, world.references["A"].pk)
    assert started(answer) == told(world, "techA", record)


def test_after_a_resale_the_buyer_finds_the_numbers_only(world, record):
    resell(world, "A1", "B1")
    answer = correction(world, "techB", record)
    assert answer.context["rows"].initial[1]["reading"] == "30000"
    assert started(answer) == ("", "", None) == told(world, "techB", record)
    assert not any(secret in answer.content.decode() for secret in SECRETS)
    assert started(correction(world, "admin", record)) == (*SECRETS, world.references["A"].pk)


def test_who_belongs_to_both_dealers_finds_everything(world, record):
    resell(world, "A1", "B1")
    both = world.users["techB"]
    Membership.objects.create(user=both, dealer=world.dealers["A"], role=Role.TECHNICIAN)
    answer = correction(world, "techB", record)
    assert started(answer) == (*SECRETS, world.references["A"].pk) == told(world, "techB", record)
