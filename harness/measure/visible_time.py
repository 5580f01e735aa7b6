"""How likely a trial is for each visible time: bracketed at both ends, or seen by nobody. Pure, numpy.

An output comes on at u and is visible for d. Samples bracket both ends, so d is doubly interval-censored; and a short d
is more often seen by nobody, so the trials that saw something are the longer ones (length bias). A trial without a
sighting is therefore an observation like any other, and leaving it out is not an approximation but an error: the share
that stays below one poll period then comes out as nothing.

The instant u counts as equally likely all over the bounds that were known for it *before* anything was read. That is
true where the stimuli are raised at random against the polls (``phase_lock`` tests it), and nothing else is assumed:

    seen:    how many u in the bounds of the onset have u + d in the bounds of the end
    unseen:  how many u in the bounds of the onset have no sample in [u, u + d)

which for samples p apart is 1 - d/p, cut at 0. A reading that is only known within a blur counts half at either end
of it, each by itself: the widest spread that it allows, and the one that leaves nothing out. Source: the likelihood
for doubly censored data of De Gruttola, Lagakos, *Biometrics* 45 (1989) 1, with a known distribution of the first
event; the unseen term follows from its definition.

With one fixed period alone nothing tells how visible times below it are spread: only the mean of min(d, period) shows.
Bounds are then wide, and right to be. Polls that vary, or two points with different periods, settle more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from harness.core.instants import FOREVER, Bounds
from harness.measure.interval_censored import Times
from harness.measure.mixture import Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A sighting. ``onset``: when it came on, ``end``: the first instant of off again; open above while still on."""

    onset: Bounds
    end: Bounds


@dataclass(frozen=True, slots=True, kw_only=True)
class Unseen:
    """No sample found it on. ``onset``: when it would have come on, by what is known without this output.

    It must not be narrowed to the gap in which it must have been: that gap was chosen by the miss. ``samples_ns``:
    when the output was read, ascending, from the last reading before ``onset.lo`` to the first from ``onset.hi`` on.
    A failed poll is not a reading: it leaves a wider gap. A visible time that began at u is found by a reading at u.

    ``blur_ns``: a reading was true at some instant within so long after the one that stands here (asked first, told
    later). What was asked stands in ``samples_ns`` then, and the longest way to the answer here.
    """

    onset: Bounds
    samples_ns: tuple[int, ...]
    blur_ns: int = 0

    def __post_init__(self) -> None:
        if not self.samples_ns or self.samples_ns[0] > self.onset.lo or self.samples_ns[-1] < self.onset.hi:
            raise ValueError(
                f"samples_ns={self.samples_ns[:1]}..{self.samples_ns[-1:]}: expected readings from before "
                f"{self.onset.lo} to after {self.onset.hi}; narrow the onset to what was watched"
            )
        if any(later <= earlier for earlier, later in pairwise(self.samples_ns)):
            raise ValueError("samples_ns: expected ascending instants, each once")
        if self.blur_ns < 0:
            raise ValueError(f"blur_ns={self.blur_ns}: expected 0 or more; a reading is told after it was asked for")

    @property
    def widest_gap_ns(self) -> int:
        """No visible time of this length or longer can have gone unseen.

        One reading may have been true as it was asked for and the next only as it was told: the blur adds to the gap.
        """
        return max((later - earlier for earlier, later in pairwise(self.samples_ns)), default=1) + self.blur_ns


Trial = Seen | Unseen


def bounds_of(trial: Trial) -> Bounds:
    """The visible times that can have given this trial: what ``likelihood`` is above 0 for.

    True whatever the onsets depend on, so ``band`` and ``compare_ends`` hold for these without any assumption.
    """
    if isinstance(trial, Seen):
        hi = FOREVER if trial.end.is_open_above else trial.end.hi - trial.onset.lo
        return Bounds(max(0, trial.end.lo - trial.onset.hi), max(0, hi))
    return Bounds(0, max(0, trial.widest_gap_ns - 1))


def candidates(trials: Sequence[Trial], cut: int | None = None) -> Times:
    """The visible times that can hold mass in a most likely distribution, ascending.

    Each likelihood is piecewise linear in d, and so is every weighted sum of them: it is greatest at 0 or where a slope
    falls, which is at end.lo - onset.lo and end.hi - onset.hi of a sighting, and at a reading - onset.hi of a
    trial that nobody saw, at either end of its blur. With a ``cut`` also on both sides of that.
    """
    found = {0} if cut is None else {0, max(cut, 0), max(cut, 0) + 1}
    for trial in trials:
        if isinstance(trial, Seen):
            found.add(max(0, trial.end.lo - trial.onset.lo))
            if not trial.end.is_open_above:
                found.add(max(0, trial.end.hi - trial.onset.hi))
        else:
            found.update(
                late
                for at in trial.samples_ns
                for late in (at - trial.onset.hi, at + trial.blur_ns - trial.onset.hi)
                if late > 0
            )
    return np.array(sorted(found), dtype=np.int64)


def likelihood(trials: Sequence[Trial], visible_ns: Times) -> Floats:
    """Shape (trials, visible times): the share of the onsets in its bounds that would give this trial."""
    return Likelihoods(trials)(visible_ns)


class Likelihoods:
    """The same for many lists of visible times."""

    def __init__(self, trials: Sequence[Trial]) -> None:
        self._trials = len(trials)
        seen = [(at, it) for at, it in enumerate(trials) if isinstance(it, Seen)]
        unseen = [(at, it) for at, it in enumerate(trials) if isinstance(it, Unseen)]
        self._seen, self._unseen = [at for at, _ in seen], [at for at, _ in unseen]
        ends = [(it.onset.lo, it.onset.hi, it.end.lo, min(it.end.hi, FOREVER)) for _, it in seen]
        self._ends = np.array(ends, dtype=np.int64).reshape(-1, 4, 1).transpose(1, 0, 2)
        gaps = [_gaps(it) for _, it in unseen]
        self._begun = np.cumsum([0, *map(len, gaps)])[:-1]
        self._gaps = np.array([it for mine in gaps for it in mine], dtype=np.int64).reshape(-1, 3, 1).transpose(1, 0, 2)
        self._ways = np.array([(it.onset.width + 1) * len(_late(it)) ** 2 for _, it in unseen])[:, None]

    def __call__(self, visible_ns: Times) -> Floats:
        chances = np.empty((self._trials, len(visible_ns)))
        if self._seen:
            onset_lo, onset_hi, end_lo, end_hi = self._ends
            first = np.maximum(onset_lo, end_lo - visible_ns)
            last = np.minimum(onset_hi, end_hi - visible_ns)
            chances[self._seen] = np.maximum(last - first + 1, 0) / (onset_hi - onset_lo + 1)
        if self._unseen:
            first, until, onset_hi = self._gaps
            fits = np.maximum(np.minimum(onset_hi, until - visible_ns) - first + 1, 0)
            counts = np.add.reduceat(fits, self._begun, axis=0) / self._ways
            chances[self._unseen] = np.where(visible_ns == 0, 1.0, np.minimum(counts, 1.0))
        return chances


def _late(trial: Unseen) -> tuple[int, ...]:
    return (0, trial.blur_ns) if trial.blur_ns else (0,)


def _gaps(trial: Unseen) -> list[tuple[int, int, int]]:
    """(first onset, reading that ends it, latest onset) of each gap, before the first reading (a blur may leave some)
    and after each, for readings at either end of their blur: each combination once, what has no choice twice over.
    """
    late = _late(trial)
    found: list[tuple[int, int, int]] = []
    firsts = (trial.onset.lo,) * len(late)
    for at in trial.samples_ns:
        found += [(first, at + it, trial.onset.hi) for first in firsts for it in late]
        firsts = tuple(max(trial.onset.lo, at + it + 1) for it in late)
    return found
