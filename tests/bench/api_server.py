"""Two sync workers of gunicorn on a loopback port: the application, or the floor beside it."""

import http.client
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.bench.scan_database import ROOT, environment

APPLICATION = "fleet.config.wsgi:application"
FLOOR = "tests.bench.api_floor:application"
WORKERS = 2
_PATIENCE = 60.0  # s


@dataclass(frozen=True)
class Server:
    """A running server."""

    port: int
    pid: int

    def memory_mb(self) -> float:
        """Return the resident set of all workers together, without what they share twice [MiB]."""
        children = Path(f"/proc/{self.pid}/task/{self.pid}/children").read_text().split()
        return sum(_private_kb(int(child)) for child in children) / 1024.0


def _private_kb(pid: int) -> int:
    said = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    sizes = {line.split()[0]: int(line.split()[1]) for line in said[1:]}
    return sizes["Private_Clean:"] + sizes["Private_Dirty:"]


@contextmanager
def serving(url: str, application: str, more: Mapping[str, str] | None = None) -> Iterator[Server]:
    """Serve until the block ends: production's settings, that database."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    surroundings = environment(url) | {"ALLOWED_HOSTS": "127.0.0.1"} | dict(more or {})
    words = ["--bind", f"127.0.0.1:{port}", "--workers", str(WORKERS), "--timeout", "300"]
    words += ["--log-level", "warning"]
    if application == APPLICATION:
        words += ["--config", "python:fleet.config.serving"]
    process = subprocess.Popen(
        [sys.executable, "-m", "gunicorn", *words, application], cwd=ROOT, env=surroundings
    )
    try:
        _wait(port, process)
        yield Server(port, process.pid)
    finally:
        process.terminate()
        process.wait(30)


def _wait(port: int, process: "subprocess.Popen[bytes]") -> None:
    until = time.monotonic() + _PATIENCE
    while time.monotonic() < until:
        if process.poll() is not None:
            raise SystemExit(f"gunicorn ended with {process.returncode} before it served")
        try:
            connection = http.client.HTTPConnection("127.0.0.1", port, timeout=_PATIENCE)
            connection.request("GET", "/api/v1/absent/")
            connection.getresponse().read()
        except OSError:
            time.sleep(0.1)
        else:
            return
    raise SystemExit("gunicorn did not answer in time")
