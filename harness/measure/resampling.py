"""Trials as they would come out had the times one stated distribution: the same polls, drawn again. Pure, numpy.

How an output was polled is taken from the trials themselves. An instant that falls at random among polls is more often
in a long gap than in a short one, and so were those of the trials: a gap drawn from the brackets that they left, with
the instant anywhere in it, is right for polls of any kind, as long as they do not depend on the times.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.core.instants import FOREVER, Bounds
from harness.measure.interval_censored import Times
from harness.measure.mixture import Floats
from harness.measure.visible_time import Seen, Trial, Unseen

GAPS_MIN: Final = 5
"""From so few gaps of the better kind on, the others are left out."""
READINGS_MAX: Final = 500
"""In what is known of an onset; were there more, they are drawn as if so many."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spread:
    """Shares of times, each evenly spread over [lo, hi]; open above: later than anything."""

    lo: Times
    hi: Times
    shares: Floats

    def drawn(self, trials: int, rng: np.random.Generator) -> Times:
        """So many times."""
        at = rng.choice(len(self.shares), trials, p=self.shares / self.shares.sum())
        lo, hi = self.lo[at], self.hi[at]
        inside = lo + (rng.random(trials) * (np.where(hi < FOREVER, hi, lo) - lo + 1)).astype(np.int64)
        return np.where(hi < FOREVER, inside, FOREVER)


class Brackets:
    """How times get their brackets."""

    def __init__(self, lo: Times, hi: Times) -> None:
        self._least = int(lo.min())
        is_closed = hi < FOREVER
        whole = is_closed & (lo > self._least)  # what begins at the least of all may have been cut off there
        chosen = whole if np.count_nonzero(whole) >= GAPS_MIN else is_closed
        self._gaps = (hi - lo + 1)[chosen] if chosen.any() else np.array([1], dtype=np.int64)
        self._until = np.where(is_closed, FOREVER, lo)  # watched until then
        self._ends = lo[~is_closed] if not is_closed.all() else np.array([FOREVER - 1], dtype=np.int64)

    def around(self, times: Times, rng: np.random.Generator) -> tuple[Times, Times]:
        """Lower and upper ends."""
        gaps = rng.choice(self._gaps, len(times))
        before = (rng.random(len(times)) * gaps).astype(np.int64)
        until = rng.choice(self._until, len(times))
        until = np.where((times >= FOREVER) & (until >= FOREVER), rng.choice(self._ends, len(times)), until)
        lo = np.maximum(times - before, np.minimum(self._least, times))
        is_open = times >= until
        return np.where(is_open, until, lo), np.where(is_open, FOREVER, times - before + gaps - 1)


class Readings:
    """How an output was read around onsets, and how well each was known before."""

    def __init__(self, trials: Sequence[Trial]) -> None:
        unseen = [it for it in trials if isinstance(it, Unseen)]
        seen = [it for it in trials if isinstance(it, Seen)]
        ends = [it.end.width + 1 for it in seen if not it.end.is_open_above]
        around = [gap for it in unseen for gap in np.diff(it.samples_ns).tolist()]
        widths = [it.onset.width for it in unseen]
        self._windows = widths if len(widths) >= GAPS_MIN else [max(it.onset.width for it in trials)]
        met = ends if len(ends) >= GAPS_MIN or not around else around
        gaps = np.array(met or [max(self._windows) + 1], dtype=np.int64)
        gaps = np.maximum(gaps, max(self._windows) // READINGS_MAX)
        # Of all gaps each is met by an instant as often as it is long; the ends were met by one, the others were not.
        by_length = np.asarray(gaps if met is around else 1.0 / gaps, dtype=np.float64)
        by_length, even = by_length / by_length.sum(), np.full(len(gaps), 1.0 / len(gaps))
        self._gaps = gaps
        self._met: Floats = by_length if met is around else even
        self._any: Floats = even if met is around else by_length
        self._until = [it.end.lo - it.onset.hi for it in seen if it.end.is_open_above]

    def trials(self, visible: Times, rng: np.random.Generator) -> list[Trial]:
        """What is read of outputs that are on for so long, from an onset anywhere in what is known of it."""
        widths = rng.choice(self._windows, len(visible)).tolist()
        return [self._trial(it, width, rng) for it, width in zip(visible.tolist(), widths, strict=True)]

    def _trial(self, visible: int, width: int, rng: np.random.Generator) -> Trial:
        onset = int(rng.random() * (width + 1))
        first = int(rng.choice(self._gaps, p=self._met))
        samples = [-1 - int(rng.random() * first)]
        samples.append(samples[0] + first)
        while samples[-1] < width:
            samples.extend((samples[-1] + np.cumsum(rng.choice(self._gaps, 8, p=self._any))).tolist())
        end = onset + visible
        on = [at for at, it in enumerate(samples) if onset <= it < end]
        if not on:
            last = next(at for at, it in enumerate(samples) if it >= width)
            return Unseen(onset=Bounds(0, width), samples_ns=tuple(samples[: last + 1]))
        begun = Bounds(max(0, samples[on[0] - 1] + 1), min(width, samples[on[0]]))
        if self._until and visible >= min(self._until):
            return Seen(onset=begun, end=Bounds(begun.hi + min(self._until), FOREVER))
        if on[-1] + 1 < len(samples):
            return Seen(onset=begun, end=Bounds(samples[on[-1]] + 1, samples[on[-1] + 1]))
        gap = int(rng.choice(self._gaps, p=self._met))
        late = min(int(rng.random() * gap), end - samples[on[0]] - 1)
        return Seen(onset=begun, end=Bounds(end - late, end - late + gap - 1))
