"""What is done side by side: threads that begin together, each on a connection of its own."""

import threading
from collections.abc import Callable
from functools import partial
from typing import Any

from django.db import connections

BEGIN, END = 60, 120  # seconds, on a busy machine


def together(*actions: Callable[[], Any]) -> list[Any]:
    """Return what actions gave that were begun at once, in no order; raise what one raised."""
    start, given, wrong = threading.Barrier(len(actions)), [], []

    def call(action: Callable[[], Any]) -> None:
        try:
            start.wait(BEGIN)
            given.append(action())
        except BaseException as error:  # noqa: BLE001 - raised in the test's own thread
            wrong.append(error)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=call, args=[action]) for action in actions]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(END)
    if wrong:
        raise wrong[0]
    assert not any(thread.is_alive() for thread in threads), "somebody waits for ever"
    return given


def at_once(many: int, do: Callable[[int], Any]) -> list[Any]:
    """Return what so many did side by side, each told its number."""
    return together(*[partial(do, number) for number in range(many)])
