"""The front page of a record: what ran, when, where, with which clock."""

from __future__ import annotations

import ctypes
import json
import platform
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import Any, Final, TypeAlias

import harness
from harness.core.instants import NS_PER_S, NS_PER_US, Clock

Json: TypeAlias = "Mapping[str, Json] | Sequence[Json] | str | int | float | bool | None"
"""What can be written as JSON."""

UtcClock = Callable[[], int]
"""Returns UTC as nanoseconds since 1970-01-01. ``time.time_ns`` in real runs."""

WATCH: Final = "watch"
"""The kind of a record of which nothing was raised: it was only listened."""

_ANCHOR_TRIES: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class HostClock:
    """Whether this computer's wall clock was kept by somebody. None where the platform does not say.

    ``error_ns``: the kernel's own bound on its error (adjtimex(2), maxerror).
    """

    synchronised: bool | None
    error_ns: int | None
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchor:
    """One instant on both clocks: at ``monotonic_ns`` it was ``utc_ns``, give or take ``width_ns`` / 2."""

    monotonic_ns: int
    utc_ns: int
    width_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """What ran, when, where. ``extra`` is for what the caller adds (who, firmware, answers to questions)."""

    site: str
    title: str = ""
    kind: str = "test"
    seed: int = 0
    command: tuple[str, ...] = ()
    operator: str = ""
    tool: str = f"farend {harness.__version__}"
    anchor: Anchor
    utc_offset_s: int
    host_clock: HostClock
    platform: str
    python: str
    extra: Mapping[str, Json] = field(default_factory=dict)

    @classmethod
    def now(
        cls,
        clock: Clock,
        *,
        site: str,
        title: str = "",
        kind: str = "test",
        seed: int = 0,
        command: tuple[str, ...] = (),
        operator: str = "",
        extra: Mapping[str, Json] | None = None,
        utc_clock: UtcClock = time.time_ns,
    ) -> Header:
        """A header of this computer at this instant."""
        offset = datetime.now().astimezone().utcoffset()
        return cls(
            site=site,
            title=title,
            kind=kind,
            seed=seed,
            command=command,
            operator=operator,
            anchor=take_anchor(clock, utc_clock),
            utc_offset_s=int(offset.total_seconds()) if offset is not None else 0,
            host_clock=host_clock(),
            # platform.platform() would start another process to ask for the processor.
            platform=f"{platform.system()} {platform.release()} {platform.machine()}",
            python=platform.python_version(),
            extra=dict(extra or {}),
        )

    def to_json(self) -> str:
        """One JSON object, keys sorted."""
        return json.dumps(asdict(self), sort_keys=True, ensure_ascii=True)

    @classmethod
    def from_json(cls, text: str) -> Header:
        """The opposite of ``to_json``. ValueError, TypeError or KeyError where it is not a header."""
        raw: dict[str, Any] = json.loads(text)
        raw["anchor"] = Anchor(**raw["anchor"])
        raw["host_clock"] = HostClock(**raw["host_clock"])
        raw["command"] = tuple(raw["command"])
        return cls(**raw)


def take_anchor(clock: Clock, utc_clock: UtcClock) -> Anchor:
    """The narrowest of a few readings of both clocks."""
    return min((_read_both(clock, utc_clock) for _ in range(_ANCHOR_TRIES)), key=lambda anchor: anchor.width_ns)


def _read_both(clock: Clock, utc_clock: UtcClock) -> Anchor:
    before = clock()
    utc = utc_clock()
    width = clock() - before
    return Anchor(monotonic_ns=before + width // 2, utc_ns=utc, width_ns=width)


class _Timex(ctypes.Structure):
    """struct timex of adjtimex(2), as in Linux's include/uapi/linux/timex.h; what follows is kept as room."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_byte * 256),
    )


_STA_UNSYNC: Final = 0x0040  # linux/timex.h
_TIME_ERROR: Final = 5  # returned by adjtimex(2) while the clock is not synchronised
_MAXERROR_UNKNOWN_NS: Final = 16 * NS_PER_S  # adjtimex(2): the kernel stops counting at 16 s


def host_clock() -> HostClock:
    """What the kernel says of its wall clock. Reads only (adjtimex with modes = 0)."""
    if not sys.platform.startswith("linux"):
        return HostClock(synchronised=None, error_ns=None, source=f"not asked on {sys.platform}")
    timex = _Timex()
    try:
        code = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(timex))
    except (OSError, AttributeError) as exc:
        return HostClock(synchronised=None, error_ns=None, source=f"adjtimex is not available: {exc}")
    if code < 0:
        return HostClock(synchronised=None, error_ns=None, source=f"adjtimex failed: errno={ctypes.get_errno()}")
    error_ns = timex.maxerror * NS_PER_US
    synchronised = code != _TIME_ERROR and not timex.status & _STA_UNSYNC
    known = synchronised and error_ns < _MAXERROR_UNKNOWN_NS
    return HostClock(synchronised=synchronised, error_ns=error_ns if known else None, source="adjtimex")
