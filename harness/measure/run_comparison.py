"""What a comparison of two runs is made of, and what becomes of each expectation in it. Frozen values. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum, unique
from typing import Final

from harness.core.instants import NS_PER_MS, Bounds
from harness.core.verdicts import Verdict, VerdictClass
from harness.measure.proportions import CONFIDENCE
from harness.measure.visible_time import Trial

LEVEL: Final = 0.05
WORTH_NS: Final = 100 * NS_PER_MS


@unique
class Kind(StrEnum):
    """What is compared. ``GONE``: how long after its release an output went off, where when it goes hangs on a step of
    the test; where it ends by itself, ``VISIBLE``.
    """

    FAILS = "fails"
    MISSES = "misses"
    LATENCY = "latency"
    VISIBLE = "visible time"
    GONE = "time to go off"

    @property
    def is_share(self) -> bool:
        """A share of the trials, and not a time."""
        return self in (Kind.FAILS, Kind.MISSES)


@unique
class Finding(StrEnum):
    """What became of one comparison. ``SLIGHT``: there is a difference, and it is shown to be worth less than asked.

    ``OPEN``: no evidence of a difference, and none that there is none. ``TOO_FEW``: no outcome of so many trials could
    have been significant.
    """

    WORSE = "worse"
    BETTER = "better"
    SLIGHT = "slight"
    EQUAL = "equal"
    OPEN = "open"
    TOO_FEW = "too-few"


@unique
class Method(StrEnum):
    """By which test."""

    FISHER = "Fisher's exact test"
    ALIKE = "permutation test of interval-censored times"
    ENDS = "rank-sum test at the ends of the brackets"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """``level``: of false alarms over all tests together. ``worth_ns``: a change of a time worth less is no regression.
    ``confidence``: of each statement that there is no change worth more.
    """

    level: float = LEVEL
    worth_ns: int = WORTH_NS
    confidence: float = CONFIDENCE
    ends_only: bool = False
    """Never take the brackets of both runs for alike."""
    finer: bool = False
    """Take the brackets of polled outputs for alike too. A device that scans, or polls another one, turns its outputs
    on in a beat of its own; how that beat falls against our polls may stay the same all through a run and be another
    one in the next, and move all brackets of a run by as much as a poll."""
    verdicts_only: bool = False
    """Compare no times and no misses: verdicts alone, and how often something fails."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """What one run has of an expectation. ``verdicts``: of all that was raised; () where it was not to be tested.

    ``missed``, ``unseen`` of ``measured`` trials. ``visible``: of outputs that go off by themselves; ``gone``: of the
    others, from the release until off, below 0 where it went before. ``at_random``: nothing speaks against raises at
    random against the readings, and enough were made to tell; ``locked``: they fell in step with them. ``widths_ns``:
    how far each latency was left open by raise and reading, which its own bounds do not show where they were cut at 0;
    () where that is not known. ``read``: how it was read, in words, the same where it was read alike. ``is_polled``: it
    is read again and again, and not told of its changes.
    """

    verdicts: tuple[Verdict, ...] = ()
    missed: int = 0
    unseen: int = 0
    measured: int = 0
    latencies: tuple[Bounds, ...] = ()
    visible: tuple[Trial, ...] = ()
    gone: tuple[Bounds, ...] = ()
    at_random: bool = True
    locked: bool = False
    widths_ns: tuple[int, ...] = ()
    read: str = ""
    is_polled: bool = False
    is_in_step: bool = False
    """Raised in step with a device on the way that polls: its times are those of one phase, and are not compared."""

    @property
    def worst(self) -> VerdictClass | None:
        """Fail where one failed, else unknown where one is, else pass; None where it was not tested."""
        classes = {it.verdict_class for it in self.verdicts}
        return next((it for it in (VerdictClass.FAIL, VerdictClass.UNKNOWN, VerdictClass.PASS) if it in classes), None)

    def count(self, wanted: VerdictClass) -> int:
        """How many of the verdicts are of this class."""
        return sum(it.verdict_class is wanted for it in self.verdicts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """One expectation in both runs, None where a run's point map does not have it.

    ``key`` as the second run names it (or the first, where it vanished); ``was``: its name in the first, where that
    differs. ``lived``: its alarm was raised in the second run too.
    """

    key: str
    alarm: str
    point: str
    link: str
    before: Side | None
    after: Side | None
    was: str = ""
    lived: bool = True
    unknown_allowed: bool = False
    some_unknown_allowed: bool = False
    vanishing_allowed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One comparison. ``before``, ``after``: trials that tell, and of shares how many of them (``hits``).

    ``chance``: of runs that are alike to differ so; ``adjusted``: by Holm's method, None where it does not count.
    ``difference``: by how much the second run is later (or longer), at the confidence asked for, where it is so
    significantly; None where it is not bounded. ``of_medians``: of the medians, else of all times, moved alike.
    """

    kind: Kind
    method: Method
    before: int
    after: int
    before_hits: int = 0
    after_hits: int = 0
    chance: float = 1.0
    least: float = 1.0
    adjusted: float | None = None
    is_worse: bool = False
    difference: Bounds | None = None
    of_medians: bool = False
    finding: Finding = Finding.OPEN

    @property
    def is_significant(self) -> bool:
        """There is a difference, at the level that holds over all comparisons."""
        return self.finding in (Finding.WORSE, Finding.BETTER, Finding.SLIGHT)


@dataclass(frozen=True, slots=True, kw_only=True)
class WholeLink:
    """All alarms of a link together: of ``pairs`` of trials, so many came ``later`` or ``earlier`` for certain.

    ``is_within``: more than half of the pairs are shown to differ by no more than a change is worth, either way, and
    none is further apart for certain. ``difference``: the median of by how much the second of a pair is later, at the
    confidence asked for; None where nothing bounds it.
    """

    link: str
    pairs: int
    alarms: int
    later: int
    earlier: int
    chance: float
    least: float
    is_worse: bool
    is_within: bool
    difference: Bounds | None = None
    adjusted: float | None = None
    finding: Finding = Finding.OPEN


@unique
class Lack(StrEnum):
    """Why times and misses of an expectation were not compared, though it was tested in both runs."""

    FEW = "too few trials"
    WORSE = "too few trials to tell, and each was worse for certain, by more than a change is worth"
    IN_STEP = "raised in step with a device on the way that polls"
    UNTIMED = "timed in one of the two runs only"


@unique
class Outcome(StrEnum):
    """What becomes of an expectation. The first three fail the comparison.

    ``NOT_COMPARED``: no verdict is worse, and nothing is known of times and misses: unknown, and no pass.
    ``STILL_FAILS``: it failed before too. ``ALLOWED``: unknown, not compared or gone, and that is allowed by name.
    Neither is a pass.
    """

    REGRESSED = "regressed"
    VANISHED = "vanished"
    UNKNOWN = "unknown"
    NOT_COMPARED = "not compared"
    STILL_FAILS = "still fails"
    ALLOWED = "allowed"
    CHANGED = "changed"
    ADDED = "added"
    SAME = "same"


def _not_shown(side: Side | None) -> bool:
    return side is not None and any(it in (Verdict.MISSED, Verdict.CROSSED) for it in side.verdicts)


@dataclass(frozen=True, slots=True, kw_only=True)
class RowCompared:
    """One expectation with all of its comparisons. ``lack``: why they say nothing, None where they do, or its link as a
    whole does, or nobody asked.
    """

    pair: Pair
    compared: tuple[Compared, ...] = ()
    lack: Lack | None = None
    by_link: bool = False
    """It has too few trials by itself, and was compared with its link as a whole alone."""

    @property
    def is_new_fail(self) -> bool:
        """It failed in the second run, and never in the first: seen, whatever any test of shares says.

        So too where it was not shown at all, and in the first run was shown every time, however late.
        """
        before, after = self.pair.before, self.pair.after
        if after is None or after.worst is not VerdictClass.FAIL:
            return False
        failed_before = before is not None and before.worst is VerdictClass.FAIL
        return not failed_before or (_not_shown(after) and not _not_shown(before))

    @property
    def worse(self) -> tuple[Compared, ...]:
        """The comparisons that the second run is significantly worse in."""
        return tuple(it for it in self.compared if it.finding is Finding.WORSE)

    @property
    def is_vanished(self) -> bool:
        """It was tested in the first run, and is in no point map of the second."""
        return self.pair.after is None and self.pair.before is not None and bool(self.pair.before.verdicts)

    @property
    def is_unknown(self) -> bool:
        """Nothing failed in the second run, and something is unknown, or what was tested before was not tested."""
        before, after = self.pair.before, self.pair.after
        if after is None:
            return False
        if after.worst is None:
            return before is not None and bool(before.verdicts)
        return after.worst is VerdictClass.UNKNOWN

    @property
    def is_not_compared(self) -> bool:
        """Nothing is known of its times and misses, and no share of trials differs significantly."""
        if self.lack is None or any(it.is_significant for it in self.compared):
            return False
        mended = self.pair.before is not None and self.pair.before.worst is VerdictClass.FAIL
        return not (mended and self.lack is Lack.UNTIMED)  # what was never shown has no times

    @property
    def is_unknown_allowed(self) -> bool:
        """Somebody allowed it by name."""
        pair = self.pair
        passed = pair.after is not None and pair.after.count(VerdictClass.PASS) > 0
        return pair.unknown_allowed or (pair.some_unknown_allowed and passed)

    @property
    def outcome(self) -> Outcome:
        """The worst of what is to be said of it."""
        if self.is_new_fail or self.worse:
            return Outcome.REGRESSED
        if self.is_vanished:
            return Outcome.ALLOWED if self.pair.vanishing_allowed else Outcome.VANISHED
        if self.is_unknown:
            return Outcome.ALLOWED if self.is_unknown_allowed else Outcome.UNKNOWN
        if self.pair.after is not None and self.pair.after.worst is VerdictClass.FAIL:
            return Outcome.STILL_FAILS
        if self.pair.before is None:
            return Outcome.ADDED
        if self.is_not_compared:
            return Outcome.ALLOWED if self.pair.unknown_allowed else Outcome.NOT_COMPARED
        is_other = self.pair.after is not None and self.pair.before.worst is not self.pair.after.worst
        return Outcome.CHANGED if is_other or any(it.is_significant for it in self.compared) else Outcome.SAME

    @property
    def is_failing(self) -> bool:
        """Whether the comparison fails for it."""
        return self.outcome in (Outcome.REGRESSED, Outcome.VANISHED, Outcome.UNKNOWN)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunsCompared:
    """All expectations, and all links as wholes.

    ``tests``: how many count in Holm's method. ``planned``: how many could by their numbers of trials, whatever came;
    by that it is told which ones have too few. ``alone``: trials needed in each run before one test by itself could
    be significant; ``together``: before each could among the ``all_tests`` that there are then; ``for_links``: before
    each link could as a whole, None where that is not sooner.
    """

    asked: Asked
    rows: tuple[RowCompared, ...]
    links: tuple[WholeLink, ...]
    tests: int
    alone: int
    together: int
    planned: int = 0
    all_tests: int = 0
    for_links: int | None = None
    not_counted: int = 0
    all_exact: bool = True
    """No random deals were needed."""

    @property
    def slower_links(self) -> tuple[WholeLink, ...]:
        """The links that come later as a whole."""
        return tuple(it for it in self.links if it.finding is Finding.WORSE)

    def of(self, outcome: Outcome) -> tuple[RowCompared, ...]:
        """The rows with this outcome, in order."""
        return tuple(it for it in self.rows if it.outcome is outcome)
