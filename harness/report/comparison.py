"""What a comparison of two runs says, as the renderers take it. Frozen values."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum, unique

from harness.core.verdicts import ExitCode
from harness.measure.compare_order import OrdersCompared
from harness.measure.run_comparison import Outcome, RowCompared, RunsCompared


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFacts:
    """One side. ``name``: of a baseline, or ''. ``records``: (file name, SHA-256); ``firmware``: all that they say.

    ``raised``: how often an alarm was raised, of so many different ``alarms``; ``watched_ns``: for how long it was
    listened, over all records.
    """

    name: str
    records: tuple[tuple[str, str], ...]
    firmware: tuple[str, ...]
    started_utc_ns: int
    ended_utc_ns: int
    raised: int
    watched_ns: int
    alarms: int
    note: str = ""


@unique
class MapChange(StrEnum):
    """What a difference between two point maps amounts to. ``LOOSER``: a pass proves less than it did."""

    LOOSER = "looser"
    TIGHTER = "tighter"
    CHANGED = "changed"
    ONLY_BEFORE = "only before"
    ONLY_AFTER = "only after"


@dataclass(frozen=True, slots=True, kw_only=True)
class MapDifference:
    """One difference, in words. ``what``: link, point, alarm or row, and its name."""

    change: MapChange
    what: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StrayChange:
    """Sightings that nothing raised explains, at one point. ``seen_utc_ns``: by when the first of AFTER was on."""

    point: str
    before: int
    after: int
    seen_utc_ns: int | None = None

    @property
    def is_new(self) -> bool:
        """There were none before."""
        return self.after > 0 and self.before == 0


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkAnswers:
    """How fast a polled link answered. ``period_ns``: between two polls of one request, by their middle one;
    ``answer_ns``: from asked to told, likewise; ``failed`` of ``polls`` got no usable answer.
    """

    period_ns: int
    answer_ns: int
    polls: int
    failed: int
    overruns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkCompared:
    """One polled link in both runs. ``chance``: of answers that are alike to differ so, two-sided, None where it was
    not tested; ``adjusted``: over all links that were. ``is_same_rate``: it was read as often in both runs.
    """

    link: str
    before: LinkAnswers
    after: LinkAnswers
    chance: float | None = None
    adjusted: float | None = None
    is_slower: bool = False
    is_same_rate: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonDocument:
    """Everything that is told. ``renamed``: lines of what was applied. ``suggested``: likely renames, not applied, as
    lines of a file for ``--renames``. ``only``: the patterns of what is compared, () for all of it.

    ``two_rates``: the same firmware, polled at two rates: AFTER is the faster one. ``worth_ns`` in ``compared.asked``
    is what a slower answer is worth too. ``seed``: of random deals, where any were needed.
    """

    title: str
    site: str
    before: RunFacts
    after: RunFacts
    compared: RunsCompared
    orders: OrdersCompared
    map_differences: tuple[MapDifference, ...] = ()
    strays: tuple[StrayChange, ...] = ()
    links: tuple[LinkCompared, ...] = ()
    renamed: tuple[str, ...] = ()
    suggested: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    only: tuple[str, ...] = ()
    two_rates: bool = False
    seed: int = 0

    @property
    def slower(self) -> tuple[LinkCompared, ...]:
        """The links that answer significantly slower, by however little."""
        level = self.compared.asked.level
        return tuple(it for it in self.links if it.adjusted is not None and it.adjusted <= level and it.is_slower)

    @property
    def slowed(self) -> tuple[LinkCompared, ...]:
        """Those of them that do so by more than a change is worth."""
        worth_ns = self.compared.asked.worth_ns
        return tuple(it for it in self.slower if it.after.answer_ns - it.before.answer_ns > worth_ns)

    @property
    def not_compared(self) -> tuple[RowCompared, ...]:
        """The rows of which times and misses are unknown, and not allowed to be."""
        return self.compared.of(Outcome.NOT_COMPARED)

    @property
    def exit_code(self) -> ExitCode:
        """What the command comes to."""
        if self.is_failing:
            return ExitCode.FAILED
        return ExitCode.UNKNOWN if self.not_compared else ExitCode.ALL_PASS

    @property
    def is_failing(self) -> bool:
        """Whether anything is worse than it was, or no longer proven."""
        rows = any(self.compared.of(it) for it in (Outcome.REGRESSED, Outcome.VANISHED, Outcome.UNKNOWN))
        whole = bool(self.compared.slower_links)
        return rows or whole or any(it.is_new for it in self.strays) or (self.two_rates and bool(self.slowed))
