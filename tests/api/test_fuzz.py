"""The API keeps to its own description, whatever it is asked: schemathesis makes the requests.

The seed is fixed, so that a finding comes again; ``python -m tests.bench.fuzz_api`` asks more.
"""

import gc

import pytest
from django.core.signals import request_finished, request_started
from django.db import close_old_connections

from tests.bench.fuzz_api import fuzz, report

CASES, SEED = 1000, 20260402
# A request that is refused is logged, and here most are.
pytestmark = pytest.mark.filterwarnings("default")


@pytest.fixture
def one_connection():
    """Keep the test's transaction: a server that begins a request closes what is left open."""
    signals = (request_started, request_finished)
    for signal in signals:
        signal.disconnect(close_old_connections)
    yield
    for signal in signals:
        signal.connect(close_old_connections)


def test_no_answer_is_an_error_of_ours_or_not_declared(
    world, rows, caplog, settings, one_connection
):
    settings.ALLOWED_HOSTS = ["localhost"]
    caplog.set_level("CRITICAL", "django.request")
    tokens = {
        name: world.users[name].auth_token_set.create(name="fuzz")[1]
        for name in ("reviewer", "techA", "managerA", "admin")
    }
    known = {resource: list(keys.values()) for resource, keys in rows.items()}
    found = fuzz(tokens, cases=CASES, seed=SEED, known=known)
    gc.collect()  # what the client of the tests left open is closed here, and complains here
    assert not found.wrong, report(found)
    assert found.cases >= 0.8 * CASES
    good = sum(count for status, count in found.statuses.items() if 200 <= status < 300)
    assert good > 0.05 * found.cases, report(found)  # not all of it was refused at the door
