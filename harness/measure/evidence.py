"""Trials of one time, of which the likelihood can be maximised, and which can be drawn again. Pure, numpy."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Protocol

import numpy as np

from harness.core.instants import FOREVER, Bounds
from harness.measure.coarser import coarser_candidates, coarser_ends, coarser_trials
from harness.measure.cut_bounds import CutBounds
from harness.measure.interval_censored import Distribution, Reduced, Times, as_arrays, estimate_of, reduce
from harness.measure.lockstep import Stack
from harness.measure.mixture import Fit, Floats, Indices, Matrix, most_likely
from harness.measure.redrawn import bracketed_stack, visible_stack
from harness.measure.resampling import Brackets, Readings, Spread
from harness.measure.visible_time import Likelihoods, Seen, Trial, bounds_of


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

    def given(self, cut: int, share: float, wanted: float | None = None) -> float:
        """An upper bound of the log-likelihood with exactly ``share`` at most ``cut``: what was reached, and the gap.

        Minus infinity if impossible. Too high a value only keeps a share that might have been excluded. With
        ``wanted`` it is only right in whether it is at least that, and found sooner.
        """

    def straddling(self, cut: int) -> int:
        """Trials of which it is not known whether the time is at most ``cut``."""

    @property
    def is_sharp(self) -> bool:
        """Whether a time is either possible or not, mostly; not so where the onset is bracketed too."""

    def redrawn(self, cut: int, share: float, shape: tuple[int, int], rng: np.random.Generator) -> Stack | None:
        """Sets of trials (so many, of so many each) as they would come out were the distribution the likeliest with
        ``share`` at most ``cut``; None where there is none.
        """


class BracketedTimes:
    """Times each known to lie in bounds: latencies. See ``interval_censored``."""

    def __init__(self, times: Sequence[Bounds]) -> None:
        self._lo, self._hi = coarser_ends(*as_arrays(times))
        self._known: dict[tuple[int, float], tuple[float, float]] = {}

    @property
    def trials(self) -> int:
        """How many."""
        return len(self._lo)

    @cached_property
    def best(self) -> float:
        """Of the non-parametric maximum likelihood estimate."""
        return self.estimate.log_likelihood

    @cached_property
    def estimate(self) -> Distribution:
        """The non-parametric maximum likelihood estimate."""
        lo, hi, counts = self._rows
        return estimate_of(lo, hi, counts=counts)

    def shares(self, cut: int) -> tuple[float, float]:
        """An innermost interval that reaches across the cut may lie on either side of it."""
        return self.estimate.at_most(cut)

    @cached_property
    def ends(self) -> Times:
        """Every end of a bound."""
        return np.unique(np.concatenate((self._lo, self._hi[self._hi < FOREVER])))

    def given(self, cut: int, share: float, wanted: float | None = None) -> float:
        """With no innermost interval across the cut. What was asked before is not fitted again where that decides."""
        if wanted is not None and (cut, share) in self._known:
            low, high = self._known[cut, share]
            if low >= wanted or high < wanted:
                return high
        low, high = self._fitted(cut, share, wanted)
        self._known[cut, share] = low, high
        return high

    def _fitted(self, cut: int, share: float, wanted: float | None) -> tuple[float, float]:
        """What was reached, and what can be at the most."""
        reduced = self._reduced(cut)
        split = int(np.searchsorted(reduced.within_hi, cut, side="right"))
        if split in {0, reduced.spans.candidates}:  # all on one side: the rest of the mass lies where nothing was seen
            held = share if split else 1.0 - share
            reached = self.best + self.trials * float(np.log(held)) if held > 0.0 else -np.inf
            return reached, reached
        fit = most_likely(reduced.spans, reduced.weights, split, share, wanted=wanted, start=self._start(reduced))
        return (-np.inf, -np.inf) if fit is None else (fit.log_likelihood, fit.log_likelihood + fit.gap)

    def straddling(self, cut: int) -> int:
        """lo <= cut < hi."""
        return int(np.count_nonzero((self._lo <= cut) & (self._hi > cut)))

    @property
    def is_sharp(self) -> bool:
        """Always."""
        return True

    @cached_property
    def _rows(self) -> tuple[Times, Times, Times]:
        """Lower and upper ends, each pair once, and how often."""
        pairs, counts = np.unique(np.stack((self._lo, self._hi)), axis=1, return_counts=True)
        return pairs[0], pairs[1], counts.astype(np.int64)

    def _reduced(self, cut: int) -> Reduced:
        lo, hi, counts = self._rows
        return reduce(lo, hi, cut, counts=counts)

    def _start(self, reduced: Reduced) -> tuple[Indices, Floats]:
        """The estimate's masses on innermost intervals that may have been cut in two: half on either."""
        lows = np.array([it.within.lo for it in self.estimate.masses], dtype=np.int64)
        highs = np.array([it.within.hi for it in self.estimate.masses], dtype=np.int64)
        shares = np.array([it.share for it in self.estimate.masses])
        first = np.searchsorted(reduced.within_hi, lows, side="left")
        last = np.searchsorted(reduced.within_lo, highs, side="right") - 1
        at = np.concatenate((first, last[last > first]))
        masses = np.concatenate((np.where(last > first, shares / 2.0, shares), shares[last > first] / 2.0))
        order = np.argsort(at, kind="stable")
        return at[order], masses[order]

    def redrawn(self, cut: int, share: float, shape: tuple[int, int], rng: np.random.Generator) -> Stack | None:
        """Evenly spread within the innermost intervals. What was never seen on one side lies just beyond the cut."""
        reduced = self._reduced(cut)
        split = int(np.searchsorted(reduced.within_hi, cut, side="right"))
        lo, hi = reduced.within_lo, reduced.within_hi
        if split in {0, len(lo)}:
            other = cut + 1 if split else cut
            part = share if split else 1.0 - share
            whole = self.estimate.masses
            lo = np.array([*(it.within.lo for it in whole), other], dtype=np.int64)
            hi = np.array([*(it.within.hi for it in whole), other], dtype=np.int64)
            spread = Spread(lo=lo, hi=hi, shares=np.array([*(it.share * part for it in whole), 1.0 - part]))
        else:
            fit = most_likely(reduced.spans, reduced.weights, split, share)
            if fit is None:
                return None
            spread = Spread(lo=lo[fit.support], hi=hi[fit.support], shares=fit.masses)
        low, high = Brackets(self._lo, self._hi).around(spread.drawn(shape[0] * shape[1], rng), rng)
        return bracketed_stack(low.reshape(shape), high.reshape(shape), cut, share, spread.lo)


class VisibleTimes:
    """Visible times of trials that were seen, bracketed at both ends, and of trials that nobody saw."""

    def __init__(self, trials: Sequence[Trial]) -> None:
        if not trials:
            raise ValueError("trials is empty: expected at least one")
        self._trials = coarser_trials(trials)
        self._likelihoods = Likelihoods(self._trials)
        self._weights = np.ones(len(self._trials))
        self._known: dict[float, CutBounds] = {}
        self._of_sides: dict[int, Floats] = {}

    @property
    def trials(self) -> int:
        """Seen and unseen."""
        return len(self._trials)

    @cached_property
    def best(self) -> float:
        """Over all distributions of the visible time, 0 included."""
        return self._fitted.log_likelihood

    @cached_property
    def _fitted(self) -> Fit:
        fit = most_likely(Matrix(likelihood=self._chances), self._weights)
        assert fit is not None, "every trial has a candidate that makes it possible"  # noqa: S101
        return fit

    @cached_property
    def _values(self) -> Times:
        return coarser_candidates(self._trials)

    @cached_property
    def _chances(self) -> Floats:
        return self._likelihoods(self._values)

    def _with_cut(self, cut: int) -> tuple[Times, Floats]:
        """The candidates and likelihoods, with both sides of the cut among them."""
        sides = np.array([cut, cut + 1], dtype=np.int64)
        at = np.searchsorted(self._values, sides)
        is_new = self._values[np.minimum(at, len(self._values) - 1)] != sides
        at, new = at[is_new], sides[is_new]
        return np.insert(self._values, at, new), np.insert(self._chances, at, self._sides(cut)[:, is_new], axis=1)

    def _sides(self, cut: int) -> Floats:
        """The likelihoods of the cut and of the next time after it, of shape (trials, 2)."""
        if cut not in self._of_sides:
            self._of_sides[cut] = self._likelihoods(np.array([cut, cut + 1], dtype=np.int64))
        return self._of_sides[cut]

    def shares(self, cut: int) -> tuple[float, float]:
        """Of the masses that were found; others may be as likely."""
        fit = self._fitted
        share = min(1.0, float(fit.masses[self._values[fit.support] <= cut].sum()))
        return share, share

    @cached_property
    def ends(self) -> Times:
        """Where a likelihood has a bend."""
        inner = self._values
        sightings = [it for it in self._trials if isinstance(it, Seen)]
        outer = [it.end.lo - it.onset.hi for it in sightings]
        outer += [it.end.hi - it.onset.lo for it in sightings if not it.end.is_open_above]
        outer += [it.widest_gap_ns for it in self._trials if not isinstance(it, Seen)]
        return np.unique(np.concatenate((inner, np.maximum(np.array(outer, dtype=np.int64), 0))))

    def given(self, cut: int, share: float, wanted: float | None = None) -> float:
        """With candidates on both sides of the cut. What fits at other cuts already decide is not fitted."""
        if cut < 0:
            return -np.inf if share > 0.0 else self.best
        if wanted is not None and 0.0 < share < 1.0:
            low, high = self._known_of(share).at(cut, self._sides(cut))
            if low >= wanted:
                return low
            if high < wanted:
                return high
        fitted = self._given(cut, share, wanted)
        return -np.inf if fitted is None else fitted[1].log_likelihood + fitted[1].gap

    def _known_of(self, share: float) -> CutBounds:
        if share not in self._known:
            self._known[share] = CutBounds(self._values, self._chances, share)
            self._learn(share, self._values, self._chances, self._fitted)
        return self._known[share]

    def _learn(self, share: float, values: Times, chances: Floats, fit: Fit) -> None:
        self._known[share].learn(values[fit.support], fit.masses, chances[:, fit.support])

    def _given(self, cut: int, share: float, wanted: float | None = None) -> tuple[Times, Fit] | None:
        values, chances = self._with_cut(max(cut, 0))
        split = int(np.searchsorted(values, cut, side="right"))
        start = np.searchsorted(values, self._values[self._fitted.support]), self._fitted.masses
        fit = most_likely(Matrix(likelihood=chances), self._weights, split, share, wanted=wanted, start=start)
        if fit is None:
            return None
        if share in self._known:
            self._learn(share, values, chances, fit)
        return values, fit

    def straddling(self, cut: int) -> int:
        """Trials that a visible time up to the cut and a longer one can both have given."""
        return sum(it.lo <= cut < it.hi for it in map(bounds_of, self._trials))

    @property
    def is_sharp(self) -> bool:
        """Where onsets are known to a quarter of a gap between readings."""
        sightings = [it for it in self._trials if isinstance(it, Seen) and not it.end.is_open_above]
        return sum(4 * it.onset.width - it.end.width for it in sightings) < 0

    def redrawn(self, cut: int, share: float, shape: tuple[int, int], rng: np.random.Generator) -> Stack | None:
        """Evenly spread from one candidate to the next, on its side of the cut; what is never on stays so."""
        fitted = self._given(cut, share)
        if fitted is None:
            return None
        values, fit = fitted
        held = values[fit.support]
        following = np.append(values, values[-1] + 1)[fit.support + 1]
        hi = np.where((held == 0) | (held == cut), held, np.maximum(held, following - 1))
        spread = Spread(lo=held, hi=hi, shares=fit.masses)
        read = Readings(self._trials).read(spread.drawn(shape[0] * shape[1], rng), rng)
        return visible_stack(read, shape[0], cut, share, held)
