"""The compose file: what it starts is what the README says, and none of it runs as root."""

from pathlib import Path

import pytest
import yaml

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def services():
    return yaml.safe_load((ROOT / "docker-compose.yml").read_text())["services"]


def test_the_services_and_their_commands(services):
    assert set(services) == {"database", "broker", "migrate", "web", "worker", "beat"}
    readme = (ROOT / "README.md").read_text()
    for name, command in (
        ("web", "gunicorn fleet.config.wsgi"),
        ("worker", "celery --app fleet.config.celery worker"),
        ("beat", "celery --app fleet.config.celery beat"),
    ):
        assert services[name]["command"].startswith(command)
        assert command in readme


def test_what_lasts_has_a_health_check_and_nothing_of_ours_is_privileged(services):
    for name in ("database", "broker", "web", "worker"):
        assert services[name]["healthcheck"]["test"]
    for name in ("migrate", "web", "worker", "beat"):
        service = services[name]
        assert service["read_only"]
        assert service["cap_drop"] == ["ALL"]
        assert "USER spanbook" in service["build"]["dockerfile_inline"]


def test_no_secret_stands_in_it(services):
    for service in services.values():
        for key, value in (service.get("environment") or {}).items():
            if "SECRET" in key or "PASSWORD" in key:
                assert value.startswith("${"), key
