"""The longest poll period that catches a stated share of transients with stated confidence. Pure, numpy.

A poll of period q meets a visible time d at a random phase with chance min(1, d/q). So the share that it sees is the
mean of min(1, d/q), and from trials of which each visible time is at least ``least`` it is at least the mean of
min(1, least/q).

The confidence bound of that mean is one by betting: were the mean at most m, the fortune of a player who stakes the
share c on it would not grow on average in any of the n rounds, and would reach 1/alpha with a chance of at most alpha
(Ville):

    average over c in STAKES of prod_i (1 - c + c x_i / m)  >=  1/alpha   excludes every mean up to m

Source: Waudby-Smith, Ramdas, *J. R. Statist. Soc. B* 86 (2024) 1, with stakes fixed in advance, so that the order of
the trials does not matter. It holds for any distribution and any number of trials. Where all n were certain to be
seen it is nearly the exact bound alpha^(1/n).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor
from typing import Final

import numpy as np

from harness.measure.binomial import bracket, smallest
from harness.measure.mixture import Floats
from harness.measure.proportions import CONFIDENCE, TRIALS_MAX
from harness.measure.visible_time import Seen, Trial, bounds_of

STAKES: Final = (0.25, 0.5, 0.75, 1.0)
WEIGHTS: Final = (0.05, 0.1, 0.15, 0.7)
"""Most on the whole stake, which is best where nearly all would be seen: that is what is asked for in practice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenShare:
    """A poll of this period sees at least the share ``least`` of such transients, one-sided at this confidence."""

    period_ns: int
    trials: int
    least: float
    confidence: float


def least_mean(values: Floats, *, confidence: float = CONFIDENCE) -> float:
    """A lower confidence bound of the mean of values in [0, 1]; 0 where they prove nothing."""
    if not len(values) or values.min() < 0.0 or values.max() > 1.0:
        raise ValueError("values: expected at least one, each from 0 to 1")
    if not _excluded(values, 1e-12, confidence):
        return 0.0
    return bracket(lambda mean: not _excluded(values, mean, confidence), 1e-12, 1.0)[0]


def _excluded(values: Floats, mean: float, confidence: float) -> bool:
    """True where the fortune of a player against a mean of at most this has reached 1/alpha."""
    wanted = -np.log1p(-_checked(confidence))
    stakes, weights = np.array(STAKES)[:, None], np.log(np.array(WEIGHTS))
    with np.errstate(divide="ignore"):
        fortunes = weights + np.log1p(stakes * (values[None, :] / mean - 1.0)).sum(axis=1)
    top = fortunes.max()
    return bool(top > -np.inf and top + np.log(np.exp(fortunes - top).sum()) >= wanted)


def least_visible(trials: Sequence[Trial]) -> list[int]:
    """The visible time that each trial had at the least, in ns: 0 where nobody saw it."""
    return [bounds_of(it).lo for it in trials]


def seen_share(least_visible_ns: Sequence[int], period_ns: int, *, confidence: float = CONFIDENCE) -> SeenShare:
    """For a poll of ``period_ns``. ``least_visible_ns``: of *every* trial, 0 for those that nobody saw."""
    if period_ns < 1:
        raise ValueError(f"period_ns={period_ns}: expected at least 1 ns")
    values = _chances(least_visible_ns, period_ns)
    return SeenShare(
        period_ns=period_ns,
        trials=len(least_visible_ns),
        least=least_mean(values, confidence=confidence),
        confidence=confidence,
    )


def _chances(least_visible_ns: Sequence[int], period_ns: int) -> Floats:
    return np.minimum(1.0, np.array(least_visible_ns, dtype=np.float64) / period_ns)


def longest_period(
    least_visible_ns: Sequence[int], share: float, *, confidence: float = CONFIDENCE
) -> SeenShare | None:
    """The longest period that sees at least ``share``; None where these trials prove it of no period.

    The bound falls as the period grows, so one look at each is enough: a period that is named is wrong with a chance of
    at most 1 - confidence, however it was found.
    """
    if not 0.0 < share < 1.0:
        raise ValueError(f"share={share}: expected one between 0 and 1; all of them can be proven of no period")
    shortest = min((it for it in least_visible_ns if it > 0), default=0)
    if not shortest or not _excluded(_chances(least_visible_ns, shortest), share, confidence):
        return None
    low, high = shortest, ceil(2 * max(least_visible_ns) / share) + 1
    while high - low > max(1, floor(low * 1e-6)):
        middle = (low + high) // 2
        if _excluded(_chances(least_visible_ns, middle), share, confidence):
            low = middle
        else:
            high = middle
    return seen_share(least_visible_ns, low, confidence=confidence)


def trials_to_name(share: float, *, confidence: float = CONFIDENCE) -> int:
    """How many trials are needed at the least before ``longest_period`` can name one, all of them seen for certain.

    A little more than a success run, since the bound holds for visible times of any kind.
    """
    return smallest(lambda trials: _excluded(np.ones(trials), share, confidence), TRIALS_MAX)


@dataclass(frozen=True, slots=True, kw_only=True)
class Phases:
    """What a poll of this period would have seen of certain sightings, over all phases that it may have had.

    Counts over phases: ``fewest`` and ``most`` of all, and the mean. ``blind`` is the share of phases in which it
    would have seen none.
    """

    period_ns: int
    sightings: int
    fewest: int
    most: int
    mean: float
    blind: float


def slower_poll(sightings: Sequence[Seen], period_ns: int) -> tuple[Phases, Phases]:
    """Exactly what a poll of ``period_ns`` would have seen of these very sightings: (at the least, at the most).

    A poll at phase f reads at f, f + period, ...; it sees a sighting [u, e) if one of these lies in it, which is an
    arc of phases. The arcs are counted over the whole circle in whole nanoseconds, nothing is drawn. At the least:
    each was on only from its latest onset to its earliest end; at the most: from its earliest to its latest.
    """
    if period_ns < 1:
        raise ValueError(f"period_ns={period_ns}: expected at least 1 ns")
    surely = [(it.onset.hi, it.end.lo) for it in sightings]
    possibly = [(it.onset.lo, it.end.hi) for it in sightings]
    return _over_phases(surely, period_ns), _over_phases(possibly, period_ns)


def _over_phases(spans: Sequence[tuple[int, int]], period_ns: int) -> Phases:
    changes: dict[int, int] = {}
    always = covered = 0
    for on, off in spans:
        length = off - on
        if length >= period_ns:
            always += 1
            covered += period_ns
        elif length > 0:
            covered += length
            begin, end = on % period_ns, (on + length) % period_ns
            changes[begin] = changes.get(begin, 0) + 1
            changes[end] = changes.get(end, 0) - 1
            if end <= begin:
                changes[0] = changes.get(0, 0) + 1
    count, at, blind = always, 0, 0
    counts = []
    for phase in [*sorted(changes), period_ns]:
        if phase > at:
            counts.append(count)
            blind += 0 if count else phase - at
        at = phase
        count += changes.get(phase, 0)
    return Phases(
        period_ns=period_ns,
        sightings=len(spans),
        fewest=min(counts),
        most=max(counts),
        mean=covered / period_ns,
        blind=blind / period_ns,
    )


def _checked(confidence: float) -> float:
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence={confidence}: expected one between 0 and 1; write 0.95 for 95 %")
    return confidence
