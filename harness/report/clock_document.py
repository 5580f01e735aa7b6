"""What is told of foreign clocks, as frozen values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from harness.core.instants import Bounds
from harness.measure.clock_limit import Within
from harness.measure.clock_steps import ClockHistory

PRINTED: Final = "printed times"
STAMPED: Final = "event time stamps"
PUBLISHED: Final = "times in messages"
ASKED: Final = "its clock when asked"
"""How the times of a clock were told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockKind:
    """Times of a clock that were told in one way. ``step_ns``: the step in which they are written.

    ``widest_ns``: how exactly the least exact one tells the offset by itself, None where none does from both sides;
    ``one_sided``: how many do not.
    """

    name: str
    count: int
    step_ns: int
    widest_ns: int | None
    one_sided: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockTold:
    """One foreign clock. ``history`` is None where no time of it could be used.

    ``unread``: times that cannot be read; ``twice``: times in an hour that comes twice, not used; ``again``: messages
    that came again; ``numbered``: sequence numbers in place of times; ``undated``: times without a day, taken as of the
    nearest one. ``late``: times that came later than was declared, by what the clock showed when it was asked, and so
    say one side only.
    """

    link: str
    kinds: Sequence[ClockKind]
    history: ClockHistory | None
    longest_delay_ns: int | None
    unread: int = 0
    twice: int = 0
    again: int = 0
    numbered: int = 0
    undated: int = 0
    late: int = 0
    within: Within | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClocksDocument:
    """What is told. Instants are UTC by the testing machine, in ns since 1970.

    ``set_to``: what local times are taken as; ``own``: how far the machine's own clock can be trusted, in words;
    ``within_ns``: the limit that was asked about, None where none was. ``link``: the only one that was asked about, ''
    for all; ``others``: links besides it that tell of a clock.
    """

    site: str
    records: Sequence[str]
    span: Bounds
    utc_offset_s: int
    set_to: str
    has_zone: bool
    own: Sequence[str]
    own_error_ns: int | None
    rate_max: Fraction
    within_ns: int | None = None
    clocks: Sequence[ClockTold] = ()
    link: str = ""
    others: Sequence[str] = ()
