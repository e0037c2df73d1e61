"""A client that a general-purpose generator makes from our description signs in, posts and reads.

openapi-python-client writes the client into a temporary folder; nothing of it is ours.
"""

import importlib
import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from uuid import uuid4

import pytest
from drf_spectacular.generators import SchemaGenerator

from tests.conftest import PASSWORD, build_world

PACKAGE = "spanbook_client"


@pytest.fixture(scope="module")
def client_folder(tmp_path_factory):
    """Return the folder with the generated package."""
    folder = tmp_path_factory.mktemp("client")
    document = folder / "openapi.json"
    document.write_text(
        json.dumps(SchemaGenerator().get_schema(request=None, public=True), default=str)
    )
    settings = folder / "settings.yml"
    settings.write_text(
        f"package_name_override: {PACKAGE}\npost_hooks: []\ncontent_type_overrides:\n"
        # Documents, which the generator does not know to be bytes.
        + "".join(f"  application/{kind}: application/octet-stream\n" for kind in ("pdf", "zip"))
    )
    done = subprocess.run(
        [sys.executable, "-m", "openapi_python_client", "generate", "--meta", "none",
         "--path", str(document), "--config", str(settings),
         "--output-path", str(folder / PACKAGE)],
        capture_output=True, text=True, check=False, env=dict(os.environ, COLUMNS="200"),
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    # What the generator cannot make it leaves out, and says so.
    assert "Unable to" not in done.stdout + done.stderr, done.stdout + done.stderr
    assert "WARNING" not in done.stdout + done.stderr, done.stdout + done.stderr
    sys.path.insert(0, str(folder))
    yield folder
    sys.path.remove(str(folder))


def of(name: str):
    return importlib.import_module(f"{PACKAGE}.{name}")


@pytest.mark.django_db(transaction=True)
def test_it_signs_in_posts_and_reads_the_history(client_folder, live_server):
    world = build_world()
    models, api = of("models"), f"{PACKAGE}.api"
    begun = of("client").Client(base_url=live_server.url, raise_on_unexpected_status=True)
    who = models.TokenInputRequest(username="techA", password=PASSWORD, name="generated")
    sign_in = importlib.import_module(f"{api}.tokens.tokens_create")
    with begun as anybody:
        token = sign_in.sync(client=anybody, body=who).token
    signed_in = of("client").AuthenticatedClient(
        base_url=live_server.url, token=token, raise_on_unexpected_status=True
    )
    with signed_in as mine:
        post_and_read(mine, models, api, world)


def post_and_read(mine, models, api, world):
    key = uuid4()
    said = models.CalibrationInputRequest.from_dict(
        {
            "id": str(key), "sensor": "S-A1", "load_unit": "daN", "reading_unit": "count",
            "performed_at": datetime(2026, 3, 10, 9, tzinfo=UTC).isoformat(),
            "points": [{"load": 0.0, "reading": 20000.0}, {"load": 100.0, "reading": 30000.0}],
        }
    )  # fmt: skip
    create = importlib.import_module(f"{api}.calibrations.calibrations_create")
    made = create.sync_detailed(client=mine, body=said)
    assert made.status_code == 201
    assert made.parsed.id == key
    assert made.parsed.fit.slope == pytest.approx(100.0)
    assert create.sync_detailed(client=mine, body=said).status_code == 200
    history = importlib.import_module(f"{api}.sensors.sensors_history_retrieve").sync(
        client=mine, id=str(world.sensors["A1"].pk)
    )
    assert [one.id for one in history.calibrations] == [key]
    page = importlib.import_module(f"{api}.sensors.sensors_list").sync(
        client=mine, serial=["S-A1"]
    )
    assert page.results[0].latest.calibration == key
    # What is wrong with an input comes as the problem that is declared.
    said.points = []
    refused = create.sync_detailed(
        client=mine,
        body=models.CalibrationInputRequest.from_dict(said.to_dict() | {"id": str(uuid4())}),
    )
    assert refused.status_code == 422
    assert refused.parsed.code == "invalid"
    assert refused.parsed.errors[0].pointer == "/points"
