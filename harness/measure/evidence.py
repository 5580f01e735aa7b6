"""Trials of one time, of which the likelihood can be maximised, and which can be drawn again. Pure, numpy.

Of trials that were drawn again only the ratio of two likelihoods is asked, and not to the last digit: ROUGH will do.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Final, Protocol

import numpy as np

from harness.core.instants import FOREVER, Bounds
from harness.measure.coarser import coarser_candidates, coarser_ends, coarser_trials
from harness.measure.interval_censored import Distribution, Reduced, Times, as_arrays, estimate_of, reduce
from harness.measure.mixture import Fit, Floats, Indices, Matrix, most_likely
from harness.measure.resampling import Brackets, Readings, Spread
from harness.measure.visible_time import Likelihoods, Seen, Trial, bounds_of

ROUGH: Final = 5e-3
"""In log-likelihood."""


class Drawing(Protocol):
    """Draws so many trials."""

    def __call__(self, trials: int, rng: np.random.Generator) -> Evidence:
        """In the way it was made for."""


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

    def drawing(self, cut: int, share: float) -> Drawing | None:
        """Trials as they would come out were the distribution the likeliest with ``share`` at most ``cut``."""


class BracketedTimes:
    """Times each known to lie in bounds: latencies. See ``interval_censored``."""

    def __init__(
        self, times: Sequence[Bounds], *, ends: tuple[Times, Times] | None = None, enough: float = 0.0
    ) -> None:
        """``ends``: all lower and all upper ends, in place of ``times``. ``enough``: see ``mixture.most_likely``."""
        self._lo, self._hi = coarser_ends(*(ends or as_arrays(times)))
        self._enough = enough

    @property
    def trials(self) -> int:
        """How many."""
        return len(self._lo)

    @cached_property
    def best(self) -> float:
        """Of the non-parametric maximum likelihood estimate."""
        return self.estimate.log_likelihood + (self.estimate.gap if self._enough else 0.0)

    @cached_property
    def estimate(self) -> Distribution:
        """The non-parametric maximum likelihood estimate."""
        lo, hi, counts = self._rows
        return estimate_of(lo, hi, counts=counts, enough=self._enough)

    def shares(self, cut: int) -> tuple[float, float]:
        """An innermost interval that reaches across the cut may lie on either side of it."""
        return self.estimate.at_most(cut)

    @cached_property
    def ends(self) -> Times:
        """Every end of a bound."""
        return np.unique(np.concatenate((self._lo, self._hi[self._hi < FOREVER])))

    def given(self, cut: int, share: float, wanted: float | None = None) -> float:
        """With no innermost interval across the cut."""
        reduced = self._reduced(cut)
        split = int(np.searchsorted(reduced.within_hi, cut, side="right"))
        if split in {0, reduced.spans.candidates}:  # all on one side: the rest of the mass lies where nothing was seen
            held = share if split else 1.0 - share
            return self.best + self.trials * float(np.log(held)) if held > 0.0 else -np.inf
        fit = most_likely(
            reduced.spans, reduced.weights, split, share, wanted=wanted, start=self._start(reduced), enough=self._enough
        )
        return -np.inf if fit is None else fit.log_likelihood + fit.gap

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

    def drawing(self, cut: int, share: float) -> Drawing | None:
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
        brackets = Brackets(self._lo, self._hi)
        return lambda trials, rng: BracketedTimes(
            (), ends=brackets.around(spread.drawn(trials, rng), rng), enough=ROUGH
        )


class VisibleTimes:
    """Visible times of trials that were seen, bracketed at both ends, and of trials that nobody saw."""

    def __init__(self, trials: Sequence[Trial], *, enough: float = 0.0, near: Times | None = None) -> None:
        """``enough``: see ``mixture.most_likely``. ``near``: times near which the most likely ones are to be sought."""
        if not trials:
            raise ValueError("trials is empty: expected at least one")
        self._trials = coarser_trials(trials)
        self._likelihoods = Likelihoods(self._trials)
        self._enough = enough
        self._near = near
        self._weights = np.ones(len(self._trials))

    @property
    def trials(self) -> int:
        """Seen and unseen."""
        return len(self._trials)

    @cached_property
    def best(self) -> float:
        """Over all distributions of the visible time, 0 included."""
        fit = self._fitted[1]
        return fit.log_likelihood + (fit.gap if self._enough else 0.0)

    @cached_property
    def _fitted(self) -> tuple[Times, Fit]:
        kernel, start = Matrix(likelihood=self._chances), None
        if self._near is not None:
            found = np.minimum(np.searchsorted(self._values, self._near), len(self._values) - 1)
            at = np.union1d(found, kernel.covering(np.arange(len(self._values))))
            start = at, np.where(np.isin(at, found), 1.0, 0.1)
        fit = most_likely(kernel, self._weights, enough=self._enough, start=start)
        assert fit is not None, "every trial has a candidate that makes it possible"  # noqa: S101
        return self._values, fit

    @cached_property
    def _values(self) -> Times:
        return coarser_candidates(self._trials)

    @cached_property
    def _chances(self) -> Floats:
        return self._likelihoods(self._values)

    def _with_cut(self, cut: int) -> tuple[Times, Floats]:
        """The candidates and likelihoods, with both sides of the cut among them."""
        new = np.setdiff1d(np.array([cut, cut + 1], dtype=np.int64), self._values)
        at = np.searchsorted(self._values, new)
        return np.insert(self._values, at, new), np.insert(self._chances, at, self._likelihoods(new), axis=1)

    def shares(self, cut: int) -> tuple[float, float]:
        """Of the masses that were found; others may be as likely."""
        values, fit = self._fitted
        share = min(1.0, float(fit.masses[values[fit.support] <= cut].sum()))
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
        """With candidates on both sides of the cut."""
        if cut < 0:
            return -np.inf if share > 0.0 else self.best
        fitted = self._given(cut, share, wanted)
        return -np.inf if fitted is None else fitted[1].log_likelihood + fitted[1].gap

    def _given(self, cut: int, share: float, wanted: float | None = None) -> tuple[Times, Fit] | None:
        values, chances = self._with_cut(max(cut, 0))
        split = int(np.searchsorted(values, cut, side="right"))
        _, best = self._fitted
        start = np.searchsorted(values, self._values[best.support]), best.masses
        fit = most_likely(
            Matrix(likelihood=chances), self._weights, split, share, wanted=wanted, start=start, enough=self._enough
        )
        return None if fit is None else (values, fit)

    def straddling(self, cut: int) -> int:
        """Trials that a visible time up to the cut and a longer one can both have given."""
        return sum(it.lo <= cut < it.hi for it in map(bounds_of, self._trials))

    @property
    def is_sharp(self) -> bool:
        """Where onsets are known to a quarter of a gap between readings."""
        sightings = [it for it in self._trials if isinstance(it, Seen) and not it.end.is_open_above]
        return sum(4 * it.onset.width - it.end.width for it in sightings) < 0

    def drawing(self, cut: int, share: float) -> Drawing | None:
        """Evenly spread from one candidate to the next, on its side of the cut; what is never on stays so."""
        fitted = self._given(cut, share)
        if fitted is None:
            return None
        values, fit = fitted
        held = values[fit.support]
        following = np.append(values, values[-1] + 1)[fit.support + 1]
        hi = np.where((held == 0) | (held == cut), held, np.maximum(held, following - 1))
        spread = Spread(lo=held, hi=hi, shares=fit.masses)
        readings = Readings(self._trials)
        return lambda trials, rng: VisibleTimes(
            readings.trials(spread.drawn(trials, rng), rng), enough=ROUGH, near=held
        )
