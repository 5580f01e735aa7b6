"""What a record gives back besides what observers were told: events, clocks, what was lost."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from harness.record.header import Json


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something done or noted, see ``RecordWriter.event``."""

    kind: str
    at_ns: int
    data: Mapping[str, Json]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockCheck:
    """Both clocks at one instant.

    ``moved_ns``: how far the wall clock moved against the monotonic one since the check before; ``is_step``: that is
    further than slewing explains.
    """

    monotonic_ns: int
    utc_ns: int
    moved_ns: int
    width_ns: int
    is_step: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """A time in which this computer could not keep what it observed: blind time. ``counts``: how many of each kind."""

    from_ns: int
    until_ns: int
    why: str
    counts: Mapping[str, int]
