"""What became of a step of a stimulus, whoever performed it."""

from __future__ import annotations

from dataclasses import dataclass

from harness.core.instants import Bounds


@dataclass(frozen=True, slots=True, kw_only=True)
class Performed:
    """What became of a step: its true instant within ``at``; ``why`` says what is missing where it is not proven.

    ``is_sent``: False where the device surely did nothing, because nothing was sent to it or it refused. ``proof``: on
    what it rests that a proven write took effect, in words.
    """

    at: Bounds
    proven: bool
    why: str = ""
    is_sent: bool = True
    proof: str = ""
    finest_ns: int = 0
    """Timed by a person's key: nothing finer than this is certified by it."""
