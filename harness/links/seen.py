"""What an observer was told, as values: what a record gives back and what traces are built from.

All instants are nanoseconds of the run's monotonic clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from harness.links.base import LinkState

DECODED_KEPT: Final = 4096
"""Messages of a protocol that are kept decoded: every point of a link reads all of them, one point after the other."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Polls:
    """Every answered poll of one block, in the order in which they were told.

    ``asked``, ``told``: (n,) int64, ns. ``starts``: (m,) int64, the polls at which the payload changed (starts[0] = 0);
    ``payloads[j]`` holds from starts[j] to the next.
    """

    asked: NDArray[np.int64]
    told: NDArray[np.int64]
    starts: NDArray[np.int64]
    payloads: list[bytes]

    def __len__(self) -> int:
        return len(self.asked)


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message that came in unasked, such as a printed line without its end.

    Its first byte came in at ``first_ns`` or later, its last by ``last_ns``. ``first_ns`` is the last instant at which
    the listener is known to have had nothing of it, so that a computer that was busy when it came in widens the bounds
    and never moves them.
    """

    first_ns: int
    last_ns: int
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class StateChange:
    """A link came up or went down."""

    at_ns: int
    state: LinkState
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Dropped:
    """Bytes that came in and did not fit."""

    at_ns: int
    what: str
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    """A poll without a usable answer: blind time from ``asked_ns`` to ``given_up_ns``."""

    asked_ns: int
    given_up_ns: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Overrun:
    """A poll that was due at ``due_ns`` on the absolute schedule and begun only at ``begun_ns``."""

    due_ns: int
    begun_ns: int
