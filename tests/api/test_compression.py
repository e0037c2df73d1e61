"""Bodies packed with gzip (RFC 1952) in both directions; what cannot be unpacked is told."""

import gzip
import json

import pytest

from calibration.models import Calibration
from tests.api.conftest import V1, calibration, refused

PATH = f"{V1}calibrations/"
JSON = "application/json"


def packed(client, body, encoding="gzip", kind=JSON, path=PATH):
    headers = {"Content-Encoding": encoding}
    return client.generic("POST", path, body, content_type=kind, headers=headers)


def content(value):
    return json.dumps(value).encode()


def test_what_was_sent_packed_is_stored(tech, world):
    body = gzip.compress(content([calibration(sensor=name) for name in ("S-A1", "S-A2")]))
    answer = packed(tech, body, path=f"{PATH}batch/")
    assert [item["status"] for item in answer.json()["results"]] == [201, 201]
    assert packed(tech, content(calibration(sensor="S-A1b")), "identity").status_code == 201


def test_several_members_are_one_body(tech, world):
    text = content(calibration())
    assert packed(tech, gzip.compress(text[:40]) + gzip.compress(text[40:])).status_code == 201


def test_what_is_not_gzip_is_refused(tech, world):
    whole = gzip.compress(content(calibration()))
    for body in (b"", b"nonsense", whole[:-5], whole[:12], whole + b"more", content({})):
        refused(packed(tech, body), 400)
    assert not Calibration.objects.exists()


@pytest.mark.parametrize("encoding", ["br", "deflate", "gzip, gzip", "zstd"])
def test_another_encoding_is_told_what_is_read(tech, world, encoding):
    answer = packed(tech, b"x", encoding)
    assert refused(answer, 415)["code"] == "unsupported_encoding"
    assert answer["Accept-Encoding"] == "gzip"


def test_where_no_body_is_read_none_is_refused(tech, world):
    for encoding in ("br", "gzip"):
        assert tech.get(PATH, headers={"Content-Encoding": encoding}).status_code == 200


def test_forms_are_not_read_packed(tech, world):
    refused(packed(tech, gzip.compress(b"a=b"), kind="application/x-www-form-urlencoded"), 415)


@pytest.mark.parametrize("size", [2_000, 50_000_000])
def test_a_small_body_that_becomes_a_large_one_is_not_unpacked(tech, world, settings, size):
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 1_500
    refused(packed(tech, gzip.compress(b" " * size)), 413)
    assert not Calibration.objects.exists()


def test_answers_are_packed_for_whoever_accepts_it(tech, world):
    for name in ("S-A1", "S-A2", "S-A1b"):
        assert tech.post(PATH, calibration(sensor=name)).status_code == 201
    plain = tech.get(PATH)
    assert not plain.has_header("Content-Encoding")
    answer = tech.get(PATH, headers={"Accept-Encoding": "gzip"})
    assert answer["Content-Encoding"] == "gzip"
    assert "Accept-Encoding" in answer["Vary"]
    assert json.loads(gzip.decompress(answer.content)) == plain.json()
    assert len(answer.content) < len(plain.content) / 3


def test_exports_are_packed_as_they_stream(tech, world):
    assert tech.post(PATH, calibration()).status_code == 201
    plain = b"".join(tech.get(f"{PATH}?format=csv"))
    answer = tech.get(f"{PATH}?format=csv", headers={"Accept-Encoding": "gzip"})
    assert answer.streaming
    assert gzip.decompress(b"".join(answer)) == plain


def test_documents_and_secrets_are_left_as_they_are(tech, world, nobody):
    made = tech.post(PATH, calibration()).json()
    accepts = {"Accept-Encoding": "gzip"}
    paper = tech.get(f"{PATH}{made['id']}/certificate/", headers=accepts)
    assert not paper.has_header("Content-Encoding")
    listed = tech.get(f"{V1}tokens/", headers=accepts)
    assert not listed.has_header("Content-Encoding")
