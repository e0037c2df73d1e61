"""A record file on the desk: tried first, seen, then committed; what is refused says why."""

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from calibration.models import Calibration, ImportRun
from tests.calibration.record_files import as_csv, record
from tests.desk import page, signed_in, without_files


@pytest.fixture(autouse=True)
def _desk(settings):
    without_files(settings)


@pytest.fixture
def manager(world):
    return signed_in(world.users["managerA"])


def lines() -> bytes:
    """Return a good record, and one with a reading off the converter's range."""
    return as_csv(record("good") + record("bad", points=((0, 20000), (100, 99999))))


def upload(world, client, content: bytes, name: str = "past.csv", dealer: str = "A"):
    file = SimpleUploadedFile(name, content, "text/csv")
    data = {"dealer": world.dealers[dealer].pk, "file": file}
    return client.post(page(ImportRun, "add"), data)


def test_a_file_is_tried_then_committed(world, manager):
    answer = upload(world, manager, lines())
    assert answer.status_code == 302, answer.context["form"].errors
    run = ImportRun.objects.get()
    assert (run.status, run.result["stored"], run.result["refused"]) == ("tried", 1, 1)
    assert not Calibration.objects.exists()
    text = manager.get(answer.url).content.decode()
    assert "Store the 1 good record" in text
    assert "99999" in text
    refused = manager.get(reverse("admin:calibration_importrun_refused", args=[run.pk]))
    assert refused.content.decode().count("bad,") == 2
    for _ in range(2):
        door = reverse("admin:calibration_importrun_commit", args=[run.pk])
        assert manager.post(door).status_code == 302
        assert Calibration.objects.count() == 1
    run.refresh_from_db()
    assert run.status == "committed"


@pytest.mark.parametrize("content", [b"a,b\n1,2\n", b"\xff\xfe\x00", b"", lines()[:40]])
def test_a_file_that_cannot_be_read_is_refused_with_the_reason(world, manager, content):
    answer = upload(world, manager, content)
    if answer.status_code == 302:
        run = ImportRun.objects.get()
        assert run.status == "refused"
        assert run.result["reasons"]
        assert "Store the" not in manager.get(answer.url).content.decode()
    else:
        assert answer.context["form"].errors["file"]
    assert not Calibration.objects.exists()


def test_a_file_is_for_an_own_dealer(world, manager):
    answer = upload(world, manager, lines(), dealer="B")
    assert "dealer" in answer.context["form"].errors
    assert upload(world, signed_in(world.users["techA"]), lines()).status_code == 403
    assert not ImportRun.objects.exists()
