"""When to stop: rules that decide a claim about the share of misses either way, with error rates that are computed
exactly. Pure.

Looking after every trial and stopping when it pleases would break any bound of ``proportions``. A rule says before
the first trial at which counts it stops, and its rates are then added up over every way that the trials can go.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum, unique
from math import ceil, floor, log

from harness.measure.proportions import CONFIDENCE, trials_needed


@unique
class Decision(StrEnum):
    """What the trials so far decide."""

    PROVEN = "proven"
    REFUTED = "refuted"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """After trial k (from 1): proven with at most ``proven_up_to[k - 1]`` misses, refuted from ``refuted_from[k -
    1]`` on.

    -1: not yet to be proven. After the last the claim stays undecided.
    """

    proven_up_to: tuple[int, ...]
    refuted_from: tuple[int, ...]

    @property
    def trials_max(self) -> int:
        """No more trials than this."""
        return len(self.proven_up_to)

    def decided(self, misses: Iterable[bool]) -> tuple[Decision, int]:
        """The decision and the number of trials that it took; what comes after them is not looked at."""
        count = taken = 0
        for is_miss, proven, refuted in zip(misses, self.proven_up_to, self.refuted_from, strict=False):
            taken += 1
            count += is_miss
            if count <= proven:
                return Decision.PROVEN, taken
            if count >= refuted:
                return Decision.REFUTED, taken
        return Decision.UNDECIDED, taken

    def rates(self, miss_share: float) -> Rates:
        """Exact, by adding up the chances of all counts that have not stopped yet, trial after trial."""
        if not 0.0 <= miss_share <= 1.0:
            raise ValueError(f"miss_share={miss_share}: expected one from 0 to 1")
        open_counts = {0: 1.0}
        proven = refuted = mean = 0.0
        for up_to, start in zip(self.proven_up_to, self.refuted_from, strict=True):
            mean += sum(open_counts.values())
            after: dict[int, float] = {}
            for count, chance in open_counts.items():
                for following, part in ((count, chance * (1 - miss_share)), (count + 1, chance * miss_share)):
                    if following <= up_to:
                        proven += part
                    elif following >= start:
                        refuted += part
                    elif part:
                        after[following] = after.get(following, 0.0) + part
            open_counts = after
        return Rates(
            miss_share=miss_share,
            proven=proven,
            refuted=refuted,
            undecided=sum(open_counts.values()),
            trials_mean=mean,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """How a rule ends where the true share of misses is ``miss_share``, and after how many trials on average."""

    miss_share: float
    proven: float
    refuted: float
    undecided: float
    trials_mean: float


def curtailed(share: float, *, misses_allowed: int = 0, confidence: float = CONFIDENCE) -> Rule:
    """A plan with a fixed number of trials, left as soon as the rest cannot change what it says.

    ``share``: what is to be proven to pass at least, with this confidence. Refuted means: not provable with this plan
    any more. Stopping so changes none of its rates.
    """
    n = trials_needed(share, misses_allowed=misses_allowed, confidence=confidence)
    return Rule(
        proven_up_to=tuple(max(-1, misses_allowed - (n - k)) for k in range(1, n + 1)),
        refuted_from=(misses_allowed + 1,) * n,
    )


def ratio_rule(
    *, good: float, bad: float, wrongly_refuted: float = 0.05, wrongly_proven: float = 0.05, trials_max: int
) -> Rule:
    """Wald's sequential probability ratio test of "fewer misses than ``bad``", left undecided after ``trials_max``.

    At a share of misses of ``bad`` or more it says proven with a chance of at most ``wrongly_proven``; at ``good`` or
    less it says refuted with a chance of at most ``wrongly_refuted``. Wald's lines (*Sequential Analysis*, 1947;
    NIST/SEMATECH e-Handbook 6.2.6) approximate that; the rates are computed, and where one is above what was asked
    for, the lines with 1/error in place of (1 - other error)/error are taken, for which it is certain (Ville).
    """
    if not 0.0 < good < bad < 1.0:
        raise ValueError(f"good={good}, bad={bad}: expected 0 < good < bad < 1")
    for name, rate in (("wrongly_refuted", wrongly_refuted), ("wrongly_proven", wrongly_proven)):
        if not 0.0 < rate < 0.5:
            raise ValueError(f"{name}={rate}: expected a chance between 0 and 0.5")
    step = log(bad / good) + log((1 - good) / (1 - bad))
    slope = log((1 - good) / (1 - bad)) / step
    walds = _between_lines(
        slope,
        log((1 - wrongly_refuted) / wrongly_proven) / step,
        log((1 - wrongly_proven) / wrongly_refuted) / step,
        trials_max,
    )
    if walds.rates(bad).proven <= wrongly_proven and walds.rates(good).refuted <= wrongly_refuted:
        return walds
    return _between_lines(slope, -log(wrongly_proven) / step, -log(wrongly_refuted) / step, trials_max)


def _between_lines(slope: float, below: float, above: float, trials_max: int) -> Rule:
    trials = range(1, trials_max + 1)
    return Rule(
        proven_up_to=tuple(max(-1, floor(slope * k - below)) for k in trials),
        refuted_from=tuple(ceil(slope * k + above) for k in trials),
    )
