"""The compose file: what it starts is what the README says, and none of it runs as root."""

import ipaddress
import re
from pathlib import Path

import pytest
import yaml

ROOT = Path(__file__).parents[2]
OURS = ("migrate", "web", "worker", "beat")
LASTING = ("database", "broker", "web", "worker", "beat")


@pytest.fixture(scope="module")
def file():
    return yaml.safe_load((ROOT / "docker-compose.yml").read_text())


@pytest.fixture(scope="module")
def services(file):
    return file["services"]


def test_the_services_and_their_commands(services):
    assert set(services) == {*OURS, "database", "broker"}
    readme = (ROOT / "README.md").read_text()
    for name, command in (
        ("web", "gunicorn fleet.config.wsgi --config python:fleet.config.serving"),
        ("worker", "celery --app fleet.config.celery worker"),
        ("beat", "celery --app fleet.config.celery beat"),
    ):
        assert services[name]["command"].startswith(command)
        assert command in readme


def test_one_image_for_everything_of_ours(services):
    builds = [services[name]["build"] for name in OURS]
    assert {services[name]["image"] for name in OURS} == {"spanbook"}
    assert all(build == builds[0] for build in builds)
    lines = builds[0]["dockerfile_inline"].strip().splitlines()
    assert lines[-1] == "USER 10001:10001"
    copied = {part for line in lines if line.startswith("COPY") for part in line.split()[1:-1]}
    assert copied == {"pyproject.toml", "README.md", "manage.py", "fleet", "calibration", "api"}
    assert all((ROOT / part).exists() for part in copied)


def test_what_lasts_has_a_health_check_and_nothing_of_ours_is_privileged(services):
    for name in LASTING:
        assert services[name]["healthcheck"]["test"]
    for name in OURS:
        service = services[name]
        assert service["user"] == "10001:10001"
        assert service["cap_drop"] == ["ALL"]
        assert not service.get("privileged")
    for name, service in services.items():
        assert service["read_only"], name
        assert service["tmpfs"] or name == "database"
        assert service["security_opt"] == ["no-new-privileges:true"]
        assert set(service["deploy"]["resources"]["limits"]) == {"cpus", "memory", "pids"}


def test_only_the_web_server_is_reached_and_only_from_this_machine(services):
    assert {name for name in services if services[name].get("ports")} == {"web"}
    assert services["web"]["ports"] == ["127.0.0.1:8000:8000"]
    assert "/readyz" in services["web"]["healthcheck"]["test"][-1]


def test_no_secret_stands_in_it(file, services):
    assert not re.search(r"://[^\s:/]+:[^\s@/]+@", (ROOT / "docker-compose.yml").read_text())
    for service in services.values():
        for key, value in (service.get("environment") or {}).items():
            if re.search("SECRET|PASSWORD|TOKEN|EMAIL_URL", key):
                assert key.endswith("_FILE"), key
                name = value.removeprefix("/run/secrets/")
                assert name in service["secrets"]
                assert file["secrets"][name] == {"file": f".secrets/{name}"}
    assert ".secrets/" in (ROOT / ".gitignore").read_text().splitlines()


def test_every_variable_is_one_that_the_settings_read(services):
    read = "".join(
        (ROOT / "fleet" / "config" / name).read_text() for name in ("settings.py", "env.py")
    )
    for key in services["web"]["environment"]:
        assert f'"{key.removesuffix("_FILE")}"' in read, key


def test_the_proxy_that_is_trusted_is_the_networks_own_gateway(file, services):
    (pool,) = file["networks"]["default"]["ipam"]["config"]
    trusted = services["web"]["environment"]["TRUSTED_PROXIES"]
    assert trusted == f"${{TRUSTED_PROXIES:-{pool['gateway']}}}"
    assert ipaddress.ip_address(pool["gateway"]) in ipaddress.ip_network(pool["subnet"])
