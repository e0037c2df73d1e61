"""No secret in a log, whoever wrote the line; one JSON object a line; the environment checked."""

import json
import logging
import os
import subprocess
import sys
from pathlib import Path

import pytest
from django.core.exceptions import ImproperlyConfigured
from django.test import Client

from fleet import trace
from fleet.config import env
from fleet.config.logs import HIDDEN, Json, Line, redacted
from tests.conftest import PASSWORD
from tests.desk import without_files

ROOT = Path(__file__).parents[2]
SECRET = "tr0ub4dor-and-3-horses"


class Kept(logging.Handler):
    """What the installation's own formatters would have written."""

    def __init__(self, formatter):
        super().__init__(logging.DEBUG)
        self.setFormatter(formatter)
        self.lines = []

    def emit(self, record):
        self.lines.append(self.format(record))


@pytest.fixture(params=[Json, Line])
def kept(request):
    """Everything that anybody logs, down to the last detail, as it would be written."""
    handler, root = Kept(request.param()), logging.getLogger()
    levels = {name: logging.getLogger(name).level for name in ("django", "axes", "spanbook")}
    before = root.level
    root.addHandler(handler)
    root.setLevel(logging.DEBUG)
    for name in levels:
        logging.getLogger(name).setLevel(logging.DEBUG)
    yield handler
    root.removeHandler(handler)
    root.setLevel(before)
    for name, level in levels.items():
        logging.getLogger(name).setLevel(level)


# ── Nothing secret ────────────────────────────────────────────────────────────
def test_posting_secrets_everywhere_leaves_none_in_the_log(world, settings, kept):
    without_files(settings)
    settings.AXES_ENABLED = True
    client = Client(raise_request_exception=False)
    good = {"username": "techA", "password": PASSWORD}
    given = client.post("/api/v1/tokens/", good, "application/json").json()["token"]
    bearer = {"Authorization": f"Bearer {given}"}
    client.get("/api/v1/sensors/", headers=bearer)
    client.get("/api/v1/sensors/", headers={"Authorization": f"Bearer {SECRET}"})
    client.get("/metrics", headers={"Authorization": f"Bearer {SECRET}"})
    for body in (good | {"password": SECRET}, good | {"otp": SECRET}, {"password": [SECRET]}):
        client.post("/api/v1/tokens/", body, "application/json")
    client.post("/api/v1/tokens/", f'{{"password": "{SECRET}"', "application/json")
    for form in (good | {"password": SECRET}, good | {"otp": SECRET}):
        client.post("/admin/login/", form)
    client.post("/admin/login/", good | {"next": "/admin/"})
    client.post("/admin/password_change/", {"old_password": SECRET, "new_password1": SECRET})
    client.post("/admin/second-factor/", {"code": SECRET})
    manager = Client()
    manager.force_login(world.users["managerA"])
    new = {"username": "fresh", "password": SECRET, "email": "a@b.example"}
    manager.post("/api/v1/users/", new, "application/json")
    manager.post("/admin/fleet/user/add/", {"username": "x", "password1": SECRET})
    text = "\n".join(kept.lines)
    assert len(kept.lines) > 15
    for secret in (SECRET, PASSWORD, given):
        assert secret not in text, [line for line in kept.lines if secret in line]


def test_a_mistake_of_our_own_with_a_secret_in_it(settings, kept):
    settings.SECRET_KEY = "k" * 20 + "-the-key-of-this-installation"
    settings.DATABASES["default"]["PASSWORD"] = before = "the-database-password"
    try:
        int(f"cannot sign with {settings.SECRET_KEY}, {before}")
    except ValueError:
        logging.getLogger("calibration").exception("Authorization: Bearer %s", SECRET)
    finally:
        settings.DATABASES["default"]["PASSWORD"] = ""
    (line,) = kept.lines
    assert "cannot sign with" in line
    for secret in (settings.SECRET_KEY, before, SECRET):
        assert secret not in line


@pytest.mark.parametrize(
    "text",
    [
        f"password={SECRET}&next=/", f'{{"password": "{SECRET}"}}',
        f"{{'new_password1': '{SECRET}'}}",
        f"Authorization: Bearer {SECRET}", f"authorization: Token {SECRET}",
        f"postgresql://spanbook:{SECRET}@db:5432/x", f"redis://:{SECRET}@broker/0",
        f'token: "{SECRET}"', f"SECRET_KEY={SECRET}", f"otp={SECRET}",
        f'{{\\"password\\": \\"{SECRET}\\"}}', f"api_key = {SECRET}",
        f"csrfmiddlewaretoken={SECRET}",
    ],
)  # fmt: skip
def test_what_is_hidden(text):
    assert SECRET not in redacted(text)
    assert HIDDEN in redacted(text)


@pytest.mark.parametrize(
    "text",
    ["scan: {'sensors': 696, 'judged': 12}", "no reminder to dealer NORTH: nobody to write to",
     "GET /api/v1/tokens/ 200", "https://desk.example.org/admin/", "password too short"],
)  # fmt: skip
def test_what_is_not(text):
    assert redacted(text) == text


# ── Form ──────────────────────────────────────────────────────────────────────
def test_a_line_is_one_json_object_and_cannot_be_forged():
    record = logging.makeLogRecord({
        "name": "calibration", "levelname": "INFO", "levelno": 20,
        "msg": "serial %s", "args": ('x"\n{"level": "FORGED"}',), "status": 200,
    })  # fmt: skip
    with trace.following("request-0001"):
        line = Json().format(record)
    assert "\n" not in line
    read = json.loads(line)
    assert (read["level"], read["logger"], read["status"]) == ("INFO", "calibration", 200)
    assert read["request_id"] == "request-0001"
    assert "\n" not in Line().format(record)


# ── The environment ───────────────────────────────────────────────────────────
@pytest.mark.parametrize(
    ("call", "value", "accepted"),
    [
        (lambda n: env.choice(n, ("some", "every"), "some"), "all", "some, every"),
        (env.hosts, "https://desk.example.org", "names without scheme"),
        (env.hosts, "desk.example.org:8000", "names without scheme"),
        (env.networks, "10.0.0.0/33", "comma-separated list like"),
        (env.networks, "proxy", "comma-separated list like"),
        (lambda n: env.per_minute(n, 5), "0", "a whole number a minute"),
        (lambda n: env.per_minute(n, 5), "many", "a whole number a minute"),
        (env.secret, "short", "20 characters or more"),
        (lambda n: env.flag(n, default=True), "perhaps", "true or false"),
    ],
)  # fmt: skip
def test_a_wrong_value_names_its_variable_and_what_would_be_accepted(
    monkeypatch, call, value, accepted
):
    monkeypatch.setenv("A_VARIABLE", value)
    with pytest.raises(ImproperlyConfigured, match=f"A_VARIABLE.*{accepted}"):
        call("A_VARIABLE")


def test_a_secret_comes_from_a_file(monkeypatch, tmp_path):
    file = tmp_path / "key"
    file.write_text("  from-a-file\n")
    monkeypatch.setenv("A_SECRET_FILE", str(file))
    assert env.text("A_SECRET") == "from-a-file"
    monkeypatch.setenv("A_SECRET", "and-here")
    with pytest.raises(ImproperlyConfigured, match="A_SECRET and A_SECRET_FILE are both set"):
        env.text("A_SECRET")
    monkeypatch.delenv("A_SECRET")
    file.write_bytes(b"\xff\xfe")
    with pytest.raises(ImproperlyConfigured, match=r"A_SECRET_FILE=.* cannot be read"):
        env.text("A_SECRET")
    monkeypatch.setenv("A_SECRET_FILE", str(tmp_path / "absent"))
    with pytest.raises(ImproperlyConfigured, match="accepted: a readable UTF-8 text file"):
        env.text("A_SECRET")


def test_a_password_apart_from_its_address(monkeypatch):
    monkeypatch.setenv("DATABASE_URL", "postgresql://spanbook@db:5432/spanbook")
    monkeypatch.setenv("DATABASE_PASSWORD", "with/odd:signs@in it")
    assert env.database()["PASSWORD"] == "with/odd:signs@in it"
    monkeypatch.setenv("DATABASE_URL", "postgresql://spanbook:once@db:5432/spanbook")
    with pytest.raises(ImproperlyConfigured, match="give it once"):
        env.database()


@pytest.mark.parametrize(
    ("name", "value"),
    [("REDIS_URL", "http://:pa55word-here@x"), ("EMAIL_URL", "pop://me:pa55word-here@x"),
     ("EMAIL_FROM", "nobody"), ("SECRET_KEY", "pa55word-here"), ("DATABASE_URL", "mysql://x"),
     ("SECOND_FACTOR", "yes"), ("LOG_LEVEL", "loud"), ("TRUSTED_PROXIES", "any")],
)  # fmt: skip
def test_a_wrong_value_stops_the_start_in_one_line(name, value, tmp_path):
    """As an operator sees it: no traceback, no secret, the variable's name, exit code 2."""
    values = os.environ | {
        "SECRET_KEY": "x" * 50,
        "DATABASE_URL": f"sqlite:///{tmp_path}/x.sqlite3",
    }
    ran = subprocess.run(
        [sys.executable, "manage.py", "check"],
        check=False, cwd=ROOT, env=values | {name: value}, capture_output=True,
        text=True, timeout=60,
    )  # fmt: skip
    assert ran.returncode == 2, ran.stderr
    assert name in ran.stderr
    assert "Traceback" not in ran.stderr
    assert "pa55word-here" not in ran.stderr
    assert len(ran.stderr.strip().splitlines()) == 1
