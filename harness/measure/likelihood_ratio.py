"""Confidence bounds of shares and quantiles of times that are only bracketed, by likelihood ratios. Pure, numpy.

"A share s is at most x" is kept in the interval unless some distribution is likelier, by more than a critical value
allows, than every one that has exactly this share: 2 (max log L - max log L given F(x) = s) <= c. Nothing has to be
estimated of how times spread within a bracket, and where the data do not settle the share (several are equally likely)
the interval holds all of them.

The critical value. Where brackets are narrow against what is resolved, the ratio is chi-square with one degree of
freedom (Thomas, Grunkemeier, *JASA* 70 (1975) 865). Where they are wide it has the smaller limit of Banerjee, Wellner,
*Annals of Statistics* 29 (2001) 1699, with a quantile of about 2.27 (from memory) instead of 3.84 at 95 %. What decides
between the two is the number of trials whose bracket holds x, in binomial standard deviations sqrt(n s (1 - s)):
``_critical`` goes from one to the other with it. The limits are theory; the passage between them, and what is added
where trials are few, is ours, chosen by simulation so that it errs to wide: ``python -m tests.bench.bench_coverage``
measures what all of it covers. ``counted`` needs no limit, holds always, and is wider. Visible times of which the
onset is bracketed too are mostly settled less than either limit supposes: their bounds cover more than they say (up
to always, where one fixed period leaves a share open).

The bounds are pointwise: each holds at its confidence, not all of a curve together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from statistics import NormalDist
from typing import Final, Protocol

import numpy as np

from harness.core.instants import FOREVER, Bounds
from harness.measure.interval_censored import Distribution, Times, as_arrays, estimate, reduce
from harness.measure.mixture import Fit, Matrix, most_likely
from harness.measure.proportions import CONFIDENCE, Side, clopper_pearson
from harness.measure.visible_time import Seen, Trial, bounds_of, candidates, likelihood

WIDE_FACTOR: Final = 0.60
"""Quantile of the wide limit over that of chi-square: 0.59 at 95 %, much the same at 90 and 99 %, rounded up."""
TURN: Final = 5.0
"""Bracketed trials, in binomial standard deviations, at which the critical value is half way between the limits."""
FEW: Final = 0.3
"""By so much over n s (1 - s) the critical value grows: counts are whole, and few of them fit no limit well."""
SAME: Final = 1e-4
"""A ratio statistic up to this counts as equally likely: the fits are certified to 4e-6."""
_STEPS: Final = 18


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareAt:
    """The share of times that are at most ``time_ns``.

    ``likely_low`` to ``likely_high``: the shares that are most likely, all equally; ``low`` to ``high``: the bounds
    at this confidence, two-sided.
    """

    time_ns: int
    likely_low: float
    likely_high: float
    low: float
    high: float
    confidence: float


class Evidence(Protocol):
    """Trials of one time, of which the likelihood can be maximised."""

    @property
    def trials(self) -> int:
        """How many."""

    @property
    def best(self) -> float:
        """The greatest log-likelihood that any distribution has."""

    @property
    def ends(self) -> Times:
        """Every time at which the evidence can tell "at most x" from "at most x - 1", ascending."""

    def shares(self, cut: int) -> tuple[float, float]:
        """The least and the greatest share that is at most ``cut`` in the likeliest distribution that was found."""

    def given(self, cut: int, share: float) -> float:
        """An upper bound of the log-likelihood with exactly ``share`` at most ``cut``: what was reached, and the gap.

        Minus infinity if impossible. Too high a value only keeps a share that might have been excluded.
        """

    def straddling(self, cut: int) -> int:
        """Trials of which it is not known whether the time is at most ``cut``."""


class BracketedTimes:
    """Times each known to lie in bounds: latencies. See ``interval_censored``."""

    def __init__(self, times: Sequence[Bounds]) -> None:
        self._lo, self._hi = as_arrays(times)
        self._times = times

    @property
    def trials(self) -> int:
        """How many."""
        return len(self._times)

    @cached_property
    def best(self) -> float:
        """Of the non-parametric maximum likelihood estimate."""
        return self.estimate.log_likelihood

    @cached_property
    def estimate(self) -> Distribution:
        """The non-parametric maximum likelihood estimate."""
        return estimate(self._times)

    def shares(self, cut: int) -> tuple[float, float]:
        """An innermost interval that reaches across the cut may lie on either side of it."""
        return self.estimate.at_most(cut)

    @cached_property
    def ends(self) -> Times:
        """Every end of a bound."""
        return np.unique(np.concatenate((self._lo, self._hi[self._hi < FOREVER])))

    def given(self, cut: int, share: float) -> float:
        """With no innermost interval across the cut."""
        reduced = reduce(self._lo, self._hi, cut)
        split = int(np.searchsorted(reduced.within_hi, cut, side="right"))
        if split in {0, reduced.spans.candidates}:  # all on one side: the rest of the mass lies where nothing was seen
            held = share if split else 1.0 - share
            return self.best + self.trials * float(np.log(held)) if held > 0.0 else -np.inf
        fit = most_likely(reduced.spans, reduced.weights, split, share)
        return -np.inf if fit is None else fit.log_likelihood + fit.gap

    def straddling(self, cut: int) -> int:
        """lo <= cut < hi."""
        return int(np.count_nonzero((self._lo <= cut) & (self._hi > cut)))


class VisibleTimes:
    """Visible times of trials that were seen, bracketed at both ends, and of trials that nobody saw."""

    def __init__(self, trials: Sequence[Trial]) -> None:
        if not trials:
            raise ValueError("trials is empty: expected at least one")
        self._trials = trials
        self._weights = np.ones(len(trials))

    @property
    def trials(self) -> int:
        """Seen and unseen."""
        return len(self._trials)

    @cached_property
    def best(self) -> float:
        """Over all distributions of the visible time, 0 included."""
        return self._fitted[1].log_likelihood

    @cached_property
    def _fitted(self) -> tuple[Times, Fit]:
        values = candidates(self._trials)
        fit = most_likely(Matrix(likelihood=likelihood(self._trials, values)), self._weights)
        assert fit is not None, "every trial has a candidate that makes it possible"  # noqa: S101
        return values, fit

    def shares(self, cut: int) -> tuple[float, float]:
        """Of the masses that were found; others may be as likely."""
        values, fit = self._fitted
        share = min(1.0, float(fit.masses[values[fit.support] <= cut].sum()))
        return share, share

    @cached_property
    def ends(self) -> Times:
        """Where a likelihood has a bend."""
        inner = candidates(self._trials)
        sightings = [it for it in self._trials if isinstance(it, Seen)]
        outer = [it.end.lo - it.onset.hi for it in sightings]
        outer += [it.end.hi - it.onset.lo for it in sightings if not it.end.is_open_above]
        outer += [it.widest_gap_ns for it in self._trials if not isinstance(it, Seen)]
        return np.unique(np.concatenate((inner, np.maximum(np.array(outer, dtype=np.int64), 0))))

    def given(self, cut: int, share: float) -> float:
        """With candidates on both sides of the cut."""
        if cut < 0:
            return -np.inf if share > 0.0 else self.best
        values = candidates(self._trials, cut)
        split = int(np.searchsorted(values, cut, side="right"))
        fit = most_likely(Matrix(likelihood=likelihood(self._trials, values)), self._weights, split, share)
        return -np.inf if fit is None else fit.log_likelihood + fit.gap

    def straddling(self, cut: int) -> int:
        """Trials that a visible time up to the cut and a longer one can both have given."""
        return sum(it.lo <= cut < it.hi for it in map(bounds_of, self._trials))


def share_at(evidence: Evidence, time_ns: int, *, confidence: float = CONFIDENCE) -> ShareAt:
    """The share of times that are at most ``time_ns``, with bounds."""
    best = evidence.best

    def ratio(share: float) -> float:
        return 2.0 * (best - evidence.given(time_ns, share))

    likely = evidence.shares(time_ns)
    edges = [
        _edge(ratio, lambda s: _critical(evidence, time_ns, s, confidence), inside, end)
        for inside, end in zip(likely, (0.0, 1.0), strict=True)
    ]
    alike = [_edge(ratio, lambda _: SAME, inside, end) for inside, end in zip(likely, (0.0, 1.0), strict=True)]
    return ShareAt(
        time_ns=time_ns,
        likely_low=alike[0],
        likely_high=alike[1],
        low=edges[0],
        high=edges[1],
        confidence=confidence,
    )


def is_kept(evidence: Evidence, time_ns: int, share: float, *, confidence: float = CONFIDENCE) -> bool:
    """True where the evidence does not exclude that exactly ``share`` of the times are at most ``time_ns``."""
    ratio = 2.0 * (evidence.best - evidence.given(time_ns, share))
    return ratio <= max(_critical(evidence, time_ns, share, confidence), SAME)


def quantile(evidence: Evidence, share: float, *, confidence: float = CONFIDENCE) -> Bounds:
    """Where the time lies that ``share`` of all do not exceed, two-sided; an end is open where nothing bounds it.

    A time t is left out if at most t are certainly fewer than ``share``, or less than t certainly more. Between two
    ends of brackets nothing changes, so the interval goes from one end to another.
    """
    ends = evidence.ends.tolist()
    reached = _first(0, len(ends), lambda at: evidence.shares(ends[at])[1] >= share - SAME)
    first = _first(0, reached, lambda at: is_kept(evidence, ends[at], share, confidence=confidence))
    past = _first(reached, len(ends), lambda at: not is_kept(evidence, ends[at], share, confidence=confidence))
    below = first == 0 and is_kept(evidence, ends[0] - 1, share, confidence=confidence)
    return Bounds(
        -FOREVER if below else ends[min(first, len(ends) - 1)],
        ends[past] if past < len(ends) else FOREVER,
    )


def _first(low: int, high: int, holds: Callable[[int], bool]) -> int:
    """The first number from ``low`` for which it holds, once and for all; ``high`` if none below it."""
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle + 1, high)
    return low


def counted(times: Sequence[Bounds], time_ns: int, *, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Two-sided bounds of the share at most ``time_ns`` that hold whatever the brackets are and depend on.

    Every trial that is not settled counts for the side it would hurt, and the two counts get the bounds of Clopper and
    Pearson. Never below the stated confidence; wide where many are not settled.
    """
    surely = sum(it.hi <= time_ns for it in times)
    possibly = sum(it.lo <= time_ns for it in times)
    each = (1.0 + confidence) / 2.0
    low = clopper_pearson(surely, len(times), confidence=each, side=Side.LOWER).low
    return low, clopper_pearson(possibly, len(times), confidence=each, side=Side.UPPER).high


def _critical(evidence: Evidence, cut: int, share: float, confidence: float) -> float:
    if not 0.0 < confidence < 1.0:
        raise ValueError(
            f"confidence={confidence}: expected one between 0 and 1, neither included; write 0.95 for 95 %"
        )
    narrow = NormalDist().inv_cdf((1.0 + confidence) / 2.0) ** 2
    spread = evidence.trials * share * (1.0 - share)
    if spread <= 0.0:
        return narrow
    straddling = evidence.straddling(cut) ** 2 / spread / TURN**2
    return narrow * (WIDE_FACTOR + (1.0 - WIDE_FACTOR) / (1.0 + straddling)) * (1.0 + FEW / spread)


def _edge(ratio: Callable[[float], float], limit: Callable[[float], float], inside: float, end: float) -> float:
    """The share nearest to ``end`` that is kept, found from ``inside`` and rounded outwards."""
    if ratio(end) <= limit(end):
        return end
    near, far = inside, end
    for _ in range(_STEPS):
        middle = (near + far) / 2.0
        if ratio(middle) <= limit(middle):
            near = middle
        else:
            far = middle
    return far
