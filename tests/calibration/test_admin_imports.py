"""A record file on the desk: checked by the worker, seen, then committed; refusals say why."""

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from calibration import receiving
from calibration.claiming import Clock
from calibration.models import Calibration, ImportRun
from tests.calibration.record_files import as_csv, record
from tests.conftest import NOW
from tests.desk import page, signed_in, without_files


@pytest.fixture(autouse=True)
def _desk(settings, tmp_path):
    without_files(settings)
    settings.IMPORT_FOLDER = tmp_path / "uploads"
    settings.REDIS_URL = ""  # the worker's part is done here, when a test says so


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


def work():
    receiving.work_off(clock=Clock(NOW))


def door(name: str, run: ImportRun) -> str:
    return reverse(f"admin:calibration_importrun_{name}", args=[run.pk])


def test_a_file_is_checked_then_committed(world, manager):
    answer = upload(world, manager, lines())
    assert answer.status_code == 302, answer.context["form"].errors
    run = ImportRun.objects.get()
    waiting = manager.get(answer.url).content.decode()
    assert "Waiting for the worker" in waiting
    assert 'http-equiv="refresh"' in waiting  # inside noscript: the page goes on without script
    assert manager.get(door("progress", run)).json()["under_way"] is True
    work()
    assert manager.get(door("progress", run)).json() == {
        "under_way": False, "status": "checked", "percent": 100,
        "says": "checking records: 2 of 2",
    }  # fmt: skip
    text = manager.get(answer.url).content.decode()
    assert "Store 1 record at Nordfeld Service, leave out 1" in text
    assert "99999" in text
    assert "<script>" not in text
    assert "style=" not in text.replace('rel="stylesheet', "")
    assert not Calibration.objects.exists()
    content = b"".join(manager.get(door("refused", run)).streaming_content)
    assert content.count(b"bad,") == 2
    assert manager.post(door("commit", run), {"sha256": "0" * 64}).status_code == 302
    run.refresh_from_db()
    assert run.status == "checked"  # another content
    for _ in range(2):
        assert manager.post(door("commit", run), {"sha256": run.sha256}).status_code == 302
        work()
        assert Calibration.objects.count() == 1
    assert "The good records are stored." in manager.get(answer.url).content.decode()


@pytest.mark.parametrize("content", [b"a,b\n1,2\n", b"\xff\xfe\x00", lines()[:40]])
def test_a_file_that_cannot_be_read_says_why(world, manager, content):
    answer = upload(world, manager, content)
    work()
    run = ImportRun.objects.get()
    assert run.status == "failed"
    text = manager.get(answer.url).content.decode()
    assert "could not be checked" in text
    assert "Store " not in text
    assert not Calibration.objects.exists()


def test_an_empty_and_a_too_large_file_are_refused_at_the_field(world, manager, settings):
    assert upload(world, manager, b"").context["form"].errors["file"]
    settings.IMPORT_LARGEST = 300
    errors = upload(world, manager, lines()).context["form"].errors["file"]
    assert "300 bytes" in errors[0]
    # What is larger by far is not even read.
    answer = manager.post(page(ImportRun, "add"), CONTENT_LENGTH=str(2**30))
    assert answer.status_code == 413
    assert b"300 bytes" in answer.content
    assert not ImportRun.objects.exists()


def test_a_file_is_cancelled(world, manager):
    answer = upload(world, manager, lines())
    run = ImportRun.objects.get()
    assert manager.get(door("cancel", run)).status_code == 405
    assert manager.post(door("cancel", run)).status_code == 302
    work()
    assert "Nothing of the file is stored" in manager.get(answer.url).content.decode()


def test_more_rows_than_a_page_are_paged_side_by_side(world, manager):
    many = [row for n in range(40) for row in record(f"bad{n}", points=((0, 1), (0, 1)))]
    answer = upload(world, manager, as_csv(many + record("good")))
    work()
    first = manager.get(answer.url)
    assert first.context["refused"]["more"] == first.context["refused"]["rows"][-1].row
    after = first.context["refused"]["more"]
    second = manager.get(answer.url, {"refused_after": after})
    assert second.context["refused"]["rows"][0].row == after + 1
    assert manager.get(answer.url, {"refused_after": "x"}).status_code == 200


def test_a_file_is_for_an_own_dealer(world, manager):
    answer = upload(world, manager, lines(), dealer="B")
    assert "dealer" in answer.context["form"].errors
    assert upload(world, signed_in(world.users["techA"]), lines()).status_code == 403
    assert not ImportRun.objects.exists()
    upload(world, manager, lines())
    run = ImportRun.objects.get()
    stranger = signed_in(world.users["managerB"])
    assert stranger.get(page(ImportRun, "change", run.pk)).status_code == 404
    for name in ("progress", "refused"):
        assert stranger.get(door(name, run)).status_code == 404
