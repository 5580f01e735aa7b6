"""What a budget says: the ways to all rows of a site, those alike together, and the transients that are asked about."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from harness.core.instants import Bounds
from harness.measure.budget import Watcher, Way


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetRow:
    """One expectation. ``lasts_ns``: of an alarm that clears by itself. ``limit_ns``: within which it has to show."""

    key: str
    alarm: str
    point: str
    behaviour: str
    lasts_ns: Bounds | None = None
    limit_ns: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WayGroup:
    """Rows of one link to which all steps are the same."""

    link: str
    way: Way
    rows: tuple[BudgetRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RowMeasured:
    """What a record says of one row beside what was predicted. Latencies in ns, from the raise to when the point came
    on, without the poll that sees it.

    ``latencies``: of every trial that showed. ``predicted``: of them all. ``shown`` of ``trials``, with exact bounds of
    the share. ``chance``: the mean of what was predicted for each, in the slowest and in the quickest case.
    ``outside``: in words, each value that the prediction does not hold; ``could_be``: what could explain it.
    ``against_proof``: those of them with which a share that is measured may be that of a few phases: what was slower or
    quicker than a declared poll allows, or seen more often; not what was seen more seldom.
    """

    key: str
    link: str
    trials: int
    shown: int
    latencies: tuple[Bounds, ...]
    predicted: Bounds
    share: tuple[float, float] | None
    chance: tuple[Fraction, Fraction] | None
    outside: tuple[str, ...] = ()
    could_be: tuple[str, ...] = ()
    against_proof: tuple[str, ...] = ()

    @property
    def is_within(self) -> bool:
        """Every latency lies wholly within the prediction, by its own bounds; not where none was measured."""
        return bool(self.latencies) and all(
            self.predicted.lo <= it.lo and it.hi <= self.predicted.hi for it in self.latencies
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """Predicted beside measured. ``confidence``: of all shares together. ``left_out``: trials of which nothing can be
    measured.
    """

    records: tuple[str, ...]
    rows: tuple[RowMeasured, ...]
    confidence: float
    left_out: int = 0
    notes: tuple[str, ...] = ()

    @property
    def outside(self) -> tuple[RowMeasured, ...]:
        """The rows with a result to explain."""
        return tuple(it for it in self.rows if it.outside)

    @property
    def within(self) -> tuple[RowMeasured, ...]:
        """The rows with nothing to explain whose latencies lie wholly within the prediction."""
        return tuple(it for it in self.rows if it.is_within and not it.outside)


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """``lengths``: of the transients that are asked about. ``what_if``: what was taken in place of what is declared.

    ``assumed``: what was taken for what nobody declared. ``total``: rows of the site, of which those of ``groups`` were
    chosen. ``notes``: what else is to be known. ``explicit``: the rows are told one by one.
    """

    site: str
    title: str
    lengths: tuple[Fraction, ...]
    groups: tuple[WayGroup, ...]
    total: int
    what_if: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    explicit: bool = False
    measured: Measured | None = None

    @property
    def watched(self) -> tuple[tuple[WayGroup, Watcher], ...]:
        """Everybody who looks, at each group."""
        return tuple((group, watcher) for group in self.groups for watcher in group.way.watchers)
