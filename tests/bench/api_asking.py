"""Clients of the bench: one that asks and waits, and several at once until a time is over."""

import http.client
import json
import random
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Any

Request = tuple[str, str, Any]  # method, path, body


@dataclass
class Client:
    """Asks over one connection, for as long as the server keeps it open."""

    port: int
    token: str = ""
    _connection: http.client.HTTPConnection | None = None

    def ask(self, method: str, path: str, body: Any = None) -> tuple[int, bytes]:
        """Return status and content."""
        if self._connection is None:
            self._connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)
        head = {"Authorization": f"Bearer {self.token}"} if self.token else {}
        said = None
        if body is not None:
            said, head["Content-Type"] = json.dumps(body).encode(), "application/json"
        self._connection.request(method, path, said, head)
        answer = self._connection.getresponse()
        content = answer.read()
        if answer.will_close:
            self._connection.close()
            self._connection = None
        return answer.status, content

    def good(self, method: str, path: str, body: Any = None) -> bytes:
        """Return the content of an answer that must be a good one."""
        status, content = self.ask(method, path, body)
        if status not in {200, 201}:
            raise SystemExit(f"{method} {path}: {status} {content[:500]!r}")
        return content


def turns(
    ours: Callable[[int], Any], floor: Callable[[int], Any], times: int
) -> tuple[float, float]:
    """Return the medians of two [s], asked in turns after some that warm up both."""
    taken: tuple[list[float], list[float]] = ([], [])
    for number in range(-max(2, times // 10), times):
        for which, ask in enumerate((ours, floor)):
            clock = time.perf_counter()
            ask(number)
            if number >= 0:
                taken[which].append(time.perf_counter() - clock)
    return median(taken[0]), median(taken[1])


@dataclass
class Load:
    """What a mixed load came to."""

    seconds: list[float] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)

    def quantile(self, share: float) -> float:
        """Return a quantile of the times [s]."""
        return sorted(self.seconds)[min(int(share * len(self.seconds)), len(self.seconds) - 1)]


def mixed(
    port: int, token: str, make: Sequence[tuple[int, Callable[[random.Random], Request]]], *,
    clients: int, seconds: float,
) -> Load:  # fmt: skip
    """Let some clients ask without a pause, in these shares, until the time is over."""
    load, over = Load(), time.monotonic() + seconds

    def ask(seed: int) -> None:
        client, dice = Client(port, token), random.Random(seed)
        while time.monotonic() < over:
            (_, kind) = dice.choices(make, [share for share, _ in make])[0]
            method, path, body = kind(dice)
            clock = time.perf_counter()
            try:
                status, content = client.ask(method, path, body)
            except (OSError, http.client.HTTPException) as wrong:
                load.errors.append(f"{method} {path}: {wrong!r}")
                continue
            load.seconds.append(time.perf_counter() - clock)
            if status not in {200, 201}:
                load.errors.append(f"{method} {path}: {status} {content[:200]!r}")

    threads = [threading.Thread(target=ask, args=(seed,)) for seed in range(clients)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return load
