"""The page behind a certificate's QR code: matches, altered, superseded, unknown; no more."""

import uuid
from pathlib import Path

import pytest
from django.core.cache import cache
from django.db import connection
from django.test import Client

from api import public
from calibration import matching
from calibration.checkpoints import Checkpoint
from calibration.documents import typesetting
from calibration.signing import PrivateKey
from tests.api.conftest import V1, calibration, refused
from tests.calibration.test_checkpoints import rewrite, unsealed


@pytest.fixture
def row(world):
    return world.season(
        "A1", 2026, technician="Zofia Kruk", note="Farm A1, gate code 4711"
    ).calibration


@pytest.fixture
def page():
    cache.clear()

    def ask(address):
        return Client().get(address)

    return ask


def test_a_certificates_address_says_that_the_record_matches(row, page):
    answer = page(matching.address_of(row))
    text = answer.content.decode()
    assert answer.status_code == 200
    assert "Matches" in text
    assert "2026-03-10" in text
    assert "S-A1"[-4:] in text
    for secret in ("Zofia", "Farm", "4711", "NORTH", "Nordfeld", "M-A1", "20000", "farm.example"):
        assert secret not in text


def test_a_longer_serial_shows_its_end_only(world, page):
    sensor = world.add_sensor("A-2291-7781")
    row = world.season("A-2291-7781", 2026).calibration
    text = page(matching.address_of(row)).content.decode()
    assert "7781" in text
    assert sensor.serial not in text


def test_it_is_guarded(row, page):
    answer = page(matching.address_of(row))
    assert answer["Content-Security-Policy"] == public.POLICY
    assert answer["Cache-Control"] == "no-store"
    assert answer["Referrer-Policy"] == "no-referrer"
    assert not answer.cookies
    assert "script" not in answer.content.decode()
    assert "style=" not in answer.content.decode()
    assert 'name="viewport"' in answer.content.decode()
    assert Client().post(matching.address_of(row)).status_code == 405


@pytest.mark.parametrize(
    "tampering",
    [
        "UPDATE calibration_calibrationpoint SET reading = reading + 1 WHERE number = 2",
        "UPDATE calibration_calibration SET note = 'x'",
        "UPDATE calibration_calibration SET recorded_at = performed_at",
    ],
)
def test_an_altered_record_is_named(row, page, tampering):
    unsealed(tampering)
    assert "Altered" in page(matching.address_of(row)).content.decode()


def test_a_rewritten_record_does_not_match_its_paper(world, row, page):
    printed = matching.address_of(row)
    unsealed("UPDATE calibration_calibration SET note = 'x'")
    rewrite(world.sensors["A1"])
    text = page(printed).content.decode()
    assert "Does not match" in text
    assert "2026-03-10" not in text  # who knows an id only is told nothing of the record


def test_a_record_whose_predecessor_is_gone_is_altered(world, row, page):
    later = world.season("A1", 2027).calibration
    assert "Matches" in page(matching.address_of(later)).content.decode()
    for table in ("fit", "judgement", "driftflag", "calibrationpoint"):
        unsealed(
            f"DELETE FROM calibration_{table} WHERE calibration_id = %s",
            row.pk if connection.vendor == "postgresql" else row.pk.hex,
        )
    unsealed("DELETE FROM calibration_calibration WHERE chain_number = 1")
    assert "Altered" in page(matching.address_of(later)).content.decode()


def test_a_superseded_record_leads_to_the_newer_one(world, row, page):
    newer = world.season(
        "A1", 2026, supersedes=row, supersede_reason="misread by Zofia"
    ).calibration
    text = page(matching.address_of(row)).content.decode()
    assert "Superseded" in text
    assert "Zofia" not in text
    assert f'href="{matching.address_of(newer)}"' in text
    assert "Matches" in page(matching.address_of(newer)).content.decode()


@pytest.mark.parametrize(
    "address",
    [
        f"/records/{uuid.uuid4()}/0123456789abcdef/", "/records/", "/records/x/y/",
        "/records/../../etc/", f"/records/{uuid.uuid4()}/",
    ],
)  # fmt: skip
def test_what_is_not_there_is_unknown(page, address, db):
    answer = page(address)
    assert answer.status_code == 404
    assert "Unknown" in answer.content.decode()


def test_a_wrong_digest_tells_nothing(row, page):
    text = page(f"/records/{row.pk}/{'0' * 16}/").content.decode()
    assert "Does not match" in text
    assert "2026" not in text


def test_too_many_questions_of_one_address_are_put_off(row, page):
    address = matching.address_of(row)
    answers = [page(address) for _ in range(2 * public.MOST + 2)]  # a minute may end meanwhile
    late = [answer for answer in answers if answer.status_code == 429]
    assert late
    assert 1 <= int(late[0]["Retry-After"]) <= public.SECONDS
    assert "Wait" in late[0].content.decode()
    assert answers[0].status_code == 200


def test_the_certificate_leads_there(tech, world, page, monkeypatch):
    asked = []
    drawn = typesetting.qr_svg

    def drawing(link):
        asked.append(link)
        return drawn(link)

    monkeypatch.setattr(typesetting, "qr_svg", drawing)
    stored = tech.post(f"{V1}calibrations/", calibration()).json()
    found = tech.get(f"{V1}calibrations/{stored['id']}/certificate/")
    assert found.status_code == 200
    address = f"/records/{stored['id']}/{stored['digest'][:16]}/"
    assert asked == [f"http://testserver{address}"]
    assert "Matches" in page(address).content.decode()


def test_a_manager_takes_a_checkpoint_over_the_api(manager, tech, world, settings, tmp_path):
    world.season("A1", 2026)
    address = f"{V1}dealers/{world.dealers['A'].pk}/checkpoint/"
    answer = manager.get(address)
    assert answer.status_code == 200
    taken = Checkpoint.read(answer.content)
    key = PrivateKey.read(Path(settings.CHECKPOINT_KEY_FILE)).public
    assert taken.faults(key) == []
    assert [chain.serial for chain in taken.chains] == ["S-A1"]
    assert tech.get(address).status_code == 403
    settings.CHECKPOINT_KEY_FILE = ""
    assert refused(manager.get(address), 409)["code"] == "not_set_up"
