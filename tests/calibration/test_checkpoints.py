"""Signed checkpoints: what a chain of digests cannot show by itself, one kept elsewhere does."""

import base64
import json
from datetime import UTC, datetime
from io import StringIO
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import connection
from hypothesis import given
from hypothesis import strategies as st

from calibration import checkpoints, digests, functional, merkle, sealing
from calibration.models import Calibration
from calibration.signing import PrivateKey, PublicKey
from calibration.verifying import verify
from tests.calibration.test_functional import draft as functional_draft
from tests.conftest import NOW, SYSTEM

GOLDEN = Path(__file__).parents[2] / "fixtures" / "golden" / "rfc6962"


@pytest.mark.golden
def test_the_tree_has_the_published_roots():
    """See fixtures/golden/rfc6962/SOURCE.md."""
    published = json.loads((GOLDEN / "expected.json").read_text())
    leaves = [bytes.fromhex(leaf) for leaf in published["leaves"]]
    assert merkle.root([]).hex() == published["empty"]
    for count, expected in enumerate(published["roots"], start=1):
        assert merkle.root(leaves[:count]).hex() == expected


def by_the_letter(leaves):
    """RFC 6962, 2.1, as it is written: split at the greatest power of two below n."""
    if len(leaves) == 1:
        return merkle.hashlib.sha256(b"\x00" + leaves[0]).digest()
    split = 1
    while split * 2 < len(leaves):
        split *= 2
    left, right = by_the_letter(leaves[:split]), by_the_letter(leaves[split:])
    return merkle.hashlib.sha256(b"\x01" + left + right).digest()


@given(st.lists(st.binary(max_size=4), min_size=1, max_size=70))
def test_the_tree_is_that_of_the_recursion(leaves):
    assert merkle.root(leaves) == by_the_letter(leaves)


@pytest.mark.golden
def test_signatures_are_those_of_the_standard():
    """RFC 8032, 7.1, test 2: the secret key, its public key, one byte and its signature."""
    secret = "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb"
    public = "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c"
    signature = (
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
        "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
    )
    key = PrivateKey(Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret)))
    assert key.public.raw.hex() == public
    assert key.sign(b"\x72").hex() == signature
    assert key.public.signed(b"\x72", bytes.fromhex(signature))
    assert not key.public.signed(b"\x73", bytes.fromhex(signature))


@pytest.fixture
def key(tmp_path):
    return PrivateKey.make(tmp_path / "key.pem")


@pytest.fixture
def recorded(world):
    for year in (2024, 2025, 2026):
        world.season("A1", year)
        world.season("A2", year)
    functional.record_functional_test(functional_draft(world), scope=SYSTEM, now=NOW)
    return world


@pytest.fixture
def kept(recorded, key, tmp_path):
    """Return a checkpoint that was written to a file and read again."""
    file = tmp_path / "kept.json"
    made = checkpoints.make(recorded.dealers["A"], key, now=NOW)
    file.write_text(json.dumps(made.document()))
    return checkpoints.Checkpoint.read(file.read_bytes())


def unsealed(statement, *values):
    """Change what is sealed, as somebody who owns the database could."""
    with connection.cursor() as cursor:
        for name in sorted(sealing.present(connection)):
            table = name.rsplit("_no_", 1)[0]
            where = f" ON {table}" if connection.vendor == "postgresql" else ""
            cursor.execute(f"DROP TRIGGER {name}{where}")
        cursor.execute(statement, values)
    sealing.install(connection)


def rewrite(sensor):
    """Compute a sensor's whole chain anew, so that it agrees with itself."""
    previous = digests.START
    for row in Calibration.objects.filter(sensor=sensor).order_by("chain_number"):
        content = digests.content_digest(row, row.points.all(), dealer_code=row.dealer.code)
        digest = digests.chained(
            previous, number=row.chain_number, content=content, recorded_at=row.recorded_at,
            by=row.recorded_by_id,
        )  # fmt: skip
        unsealed(
            "UPDATE calibration_calibration SET content_digest = %s, digest = %s WHERE id = %s",
            content, digest, row.pk if connection.vendor == "postgresql" else row.pk.hex,
        )  # fmt: skip
        previous = digest


def whats(kept):
    return [(chain.serial, chain.kind, what) for chain, what in checkpoints.departures(kept)]


def test_a_checkpoint_names_every_chain_of_the_dealer_and_is_signed(kept, key, recorded):
    recorded.season("B1", 2026)
    said = [(chain.serial, chain.kind, chain.records) for chain in kept.chains]
    assert said == [
        ("S-A1", "calibration", 3), ("S-A1", "functional test", 1), ("S-A2", "calibration", 3),
    ]  # fmt: skip
    assert kept.faults(key.public) == []
    assert whats(kept) == []
    assert kept.document()["key"]["id"] == key.public.id


def test_records_that_came_later_are_fine(kept, recorded):
    when = datetime(2027, 3, 1, tzinfo=UTC)
    recorded.season("A1", 2027, performed_at=when)
    recorded.season("A1b", 2026)
    assert whats(kept) == []


def test_a_chain_that_was_rewritten_whole_is_found_by_the_checkpoint_alone(kept, recorded):
    unsealed(
        "UPDATE calibration_calibrationpoint SET reading = reading + 1 WHERE number = 2 AND "
        "calibration_id IN (SELECT id FROM calibration_calibration WHERE sensor_serial = 'S-A1')"
    )
    assert [finding.record for finding in verify(now=NOW) if "content" in finding.what]
    rewrite(recorded.sensors["A1"])
    assert [finding for finding in verify(now=NOW) if finding.kind == "calibration"] == []
    ((serial, kind, what),) = whats(kept)
    assert (serial, kind) == ("S-A1", "calibration")
    assert "rewritten" in what


def test_a_chain_that_was_cut_is_found(kept, recorded):
    for table in ("fit", "judgement", "driftflag", "calibrationpoint"):
        unsealed(
            f"DELETE FROM calibration_{table} WHERE calibration_id IN (SELECT id FROM "
            "calibration_calibration WHERE sensor_serial = 'S-A2' AND chain_number = 3)"
        )
    unsealed("UPDATE calibration_duestate SET last_calibration_id = NULL")
    unsealed(
        "DELETE FROM calibration_calibration WHERE sensor_serial = 'S-A2' AND chain_number = 3"
    )
    assert not [finding for finding in verify(now=NOW) if finding.kind == "calibration"]
    ((serial, _, what),) = whats(kept)
    assert serial == "S-A2"
    assert "2 records, the checkpoint has 3" in what


def test_a_sensor_that_was_taken_away_is_found(kept, recorded):
    unsealed("UPDATE fleet_sensor SET serial = 'S-GONE' WHERE serial = 'S-A2'")
    assert [(serial, what) for serial, _, what in whats(kept)] == [
        ("S-A2", "the sensor is not registered any more")
    ]


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"dealer": "SOUTH"}, "signature"),
        ({"at": "2027-01-01T00:00:00+00:00"}, "signature"),
        ({"root": "0" * 64}, "signature"),
        ({"signature": base64.b64encode(b"0" * 64).decode()}, "signature"),
        ({"chains": []}, "signature"),
    ],
)
def test_a_checkpoint_that_was_altered_is_not_trusted(kept, key, change, what):
    altered = checkpoints.Checkpoint.read(json.dumps(kept.document() | change).encode())
    assert any(what in fault for fault in altered.faults(key.public))


def test_an_altered_head_is_not_trusted(kept, key):
    said = kept.document()
    said["chains"][0][3] = "0" * 64
    altered = checkpoints.Checkpoint.read(json.dumps(said).encode())
    assert any("root" in fault for fault in altered.faults(key.public))


def test_another_signer_is_not_trusted_even_if_all_is_signed_again(recorded, kept, key, tmp_path):
    other = PrivateKey.make(tmp_path / "other.pem")
    forged = checkpoints.make(recorded.dealers["A"], other, now=NOW)
    assert forged.faults(other.public) == []
    assert any("not " + key.public.id in fault for fault in forged.faults(key.public))


# ── The commands ──────────────────────────────────────────────────────────────
def run(*call):
    out = StringIO()
    call_command(*call, stdout=out, stderr=out)
    return out.getvalue()


def test_the_commands_make_a_key_write_and_check(recorded, tmp_path):
    pem, file = tmp_path / "signing.pem", tmp_path / "north.json"
    told = run("checkpoint", "--new-key", str(pem))
    assert pem.stat().st_mode & 0o777 == 0o600
    public = told.split("public key")[1].split()[0]
    assert PublicKey.read(public) == PrivateKey.read(pem).public
    assert "3 chains" in run("checkpoint", "--dealer", "NORTH", str(file), "--key", str(pem))
    checked = run("verify", "--checkpoint", str(file), "--public-key", public)
    assert "All 3 chains continue" in checked
    assert "only that the file is whole" in " ".join(
        run("verify", "--checkpoint", str(file)).split()
    )
    rewrite(recorded.sensors["A1"])  # of the same content: the same digests
    assert "All 3 chains continue" in run("verify", "--checkpoint", str(file))
    unsealed("UPDATE calibration_calibration SET note = 'x' WHERE sensor_serial = 'S-A1'")
    rewrite(recorded.sensors["A1"])
    with pytest.raises(CommandError, match="1 findings") as failed:
        run("verify", "--checkpoint", str(file), "--public-key", public)
    assert failed.value.returncode == 1


def test_a_wrong_key_is_refused(recorded, tmp_path, settings):
    mine, other, file = tmp_path / "mine.pem", tmp_path / "other.pem", tmp_path / "north.json"
    run("checkpoint", "--new-key", str(mine))
    settings.CHECKPOINT_KEY_FILE = str(mine)
    run("checkpoint", "--dealer", "NORTH", str(file))
    assert "All 3 chains" in run("verify", "--checkpoint", str(file))  # our own key
    public = PrivateKey.make(other).public.text
    with pytest.raises(CommandError, match="not to be trusted") as refused:
        run("verify", "--checkpoint", str(file), "--public-key", public)
    assert refused.value.returncode == 1


@pytest.mark.parametrize(
    "call",
    [
        ("checkpoint", "--dealer", "NORTH"),
        ("checkpoint", "--dealer", "NOBODY", "x.json"),
        ("checkpoint", "--dealer", "NORTH", "x.json"),
        ("checkpoint", "--dealer", "NORTH", "x.json", "--key", "/nowhere/key.pem"),
        ("checkpoint", "--new-key", "/nowhere/key.pem"),
        ("verify", "--checkpoint", "/nowhere/kept.json"),
        ("verify", "--checkpoint", __file__),
    ],
)
def test_a_wrong_call_ends_with_2(world, call, settings):
    settings.CHECKPOINT_KEY_FILE = ""
    with pytest.raises(CommandError) as wrong:
        run(*call)
    assert wrong.value.returncode == 2


def test_a_key_file_is_never_written_over(tmp_path, db):
    pem = tmp_path / "signing.pem"
    run("checkpoint", "--new-key", str(pem))
    before = pem.read_bytes()
    with pytest.raises(CommandError, match="cannot be written"):
        run("checkpoint", "--new-key", str(pem))
    assert pem.read_bytes() == before


@given(st.recursive(
    st.none() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(
        st.sampled_from(["format", "dealer", "at", "chains", "root", "key", "signature"]), inner
    ),
))  # fmt: skip
def test_garbage_is_refused_in_words(said):
    with pytest.raises(checkpoints.Malformed):
        checkpoints.Checkpoint.read(json.dumps(said).encode())
