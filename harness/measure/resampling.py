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
from numpy.typing import NDArray

from harness.core.instants import FOREVER
from harness.measure.interval_censored import Times
from harness.measure.mixture import Floats
from harness.measure.visible_time import Seen, Trial, Unseen

GAPS_MIN: Final = 5
"""From so few gaps of the better kind on, the others are left out."""
READ_AT_ONCE: Final = 8
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Read:
    """Trials as they were read, each a row; of those that nobody saw ``samples`` holds the first ``count`` readings, as
    in ``Unseen``, and the end says nothing.
    """

    is_seen: NDArray[np.bool_]
    onset_lo: Times
    onset_hi: Times
    end_lo: Times
    end_hi: Times
    samples: Times
    count: Times


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

    def read(self, visible: Times, rng: np.random.Generator) -> Read:
        """What is read of outputs that are on for so long, from an onset anywhere in what is known of it."""
        number = len(visible)
        width = rng.choice(self._windows, number)
        onset = (rng.random(number) * (width + 1)).astype(np.int64)
        end = onset + visible
        samples, count = self._samples(width, rng)
        rows, columns = np.arange(number), np.arange(samples.shape[1])
        is_read = columns < count[:, None]
        first = (is_read & (samples < onset[:, None])).sum(axis=1)
        past = (is_read & (samples < end[:, None])).sum(axis=1)
        is_seen = past > first
        begun = np.maximum(samples[rows, first - 1] + 1, 0)
        shown = samples[rows, np.minimum(first, count - 1)]
        begun_until = np.minimum(shown, width)
        after = rng.choice(self._gaps, number, p=self._met)  # where the readings end before it does
        late = np.minimum((rng.random(number) * after).astype(np.int64), end - shown - 1)
        is_within = past < count
        last = np.where(is_within, samples[rows, past - 1] + 1, end - late)
        until = np.where(is_within, samples[rows, np.minimum(past, count - 1)], end - late + after - 1)
        if self._until:
            is_still = visible >= min(self._until)
            last = np.where(is_still, begun_until + min(self._until), last)
            until = np.where(is_still, FOREVER, until)
        return Read(
            is_seen=is_seen,
            onset_lo=np.where(is_seen, begun, 0),
            onset_hi=np.where(is_seen, begun_until, width),
            end_lo=last,
            end_hi=until,
            samples=samples,
            count=(is_read & (samples < width[:, None])).sum(axis=1) + 1,
        )

    def _samples(self, width: Times, rng: np.random.Generator) -> tuple[Times, Times]:
        """Readings from before 0 to past the width, and how many of each row they are; what follows is none."""
        gap = rng.choice(self._gaps, len(width), p=self._met)
        before = -1 - (rng.random(len(width)) * gap).astype(np.int64)
        samples = np.stack((before, before + gap), axis=1)
        count = np.full(len(width), 2)
        while np.any(is_short := samples[:, -1] < width):
            more = rng.choice(self._gaps, (len(width), READ_AT_ONCE), p=self._any)
            samples = np.concatenate((samples, samples[:, -1:] + np.cumsum(more, axis=1)), axis=1)
            count[is_short] += READ_AT_ONCE
        return samples, count
