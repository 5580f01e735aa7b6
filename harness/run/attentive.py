"""This process's Python while links are listened to: what would hold up the event loop waits, or takes short turns.

Whatever holds it up is blind time of our own making.
"""

from __future__ import annotations

import asyncio
import gc
import selectors
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

TURN_S: Final = 0.0005
"""How long another thread may keep the interpreter once the event loop wants it back. It gives it away at each send and
receive, so with Python's own 5 ms a thread that judges made a turn of ten of them last 50 ms."""


def finest_loop() -> asyncio.AbstractEventLoop:
    """An event loop with the finest timers there are, for as few descriptors as links have.

    Lateness of a 10 ms timer, p99: 0.13 ms with select(), against 1.07 ms with epoll, which rounds to milliseconds.
    """
    return (
        asyncio.new_event_loop() if sys.platform == "win32" else asyncio.SelectorEventLoop(selectors.SelectSelector())
    )


@contextmanager
def listening_first() -> Iterator[None]:
    """Within, the event loop goes first. What was set before is set again at the end."""
    turn_s = sys.getswitchinterval()
    sys.setswitchinterval(TURN_S)
    try:
        with heap_at_rest():
            yield
    finally:
        sys.setswitchinterval(turn_s)


@contextmanager
def heap_at_rest() -> Iterator[None]:
    """Within, the garbage collector leaves alone what exists now: modules, protocol stacks, the site.

    A full round over them holds up every thread, and so the event loop, for 25 to 50 ms (a BACnet stack alone brings
    200,000 objects along); over what comes into being while listening it takes less than a millisecond.
    """
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()


def rest_again() -> None:
    """Between two alarms: collect what came since, and leave alone from now on what is left of it.

    A night's messages are kept until the end, and would be gone through in every full round. Within
    :func:`listening_first` only, which ends it.
    """
    gc.collect()
    gc.freeze()
