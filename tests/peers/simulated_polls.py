"""Polls, outputs and what polls see of them: the truth behind simulated trials."""

from __future__ import annotations

import numpy as np

from harness.core.instants import FOREVER, Bounds
from harness.measure.resampling import Read
from harness.measure.visible_time import Seen, Trial, Unseen

SECOND = 1_000_000_000
POLLS = 40


def poll_instants(rng: np.random.Generator, period_s: float, *, lost: float, jitter: float) -> list[int]:
    """Instants in ns around 0 at a random phase; a share ``lost`` fails, each is moved by up to ``jitter`` periods."""
    numbers = np.arange(-10, POLLS) + rng.random()
    moved = (numbers + rng.uniform(-jitter, jitter, len(numbers))) * period_s * SECOND
    kept = moved[(rng.random(len(numbers)) >= lost) | (np.abs(numbers) > POLLS - 2)]
    return sorted({int(it) for it in kept})


def latency_bounds(polls: list[int], latency_ns: int) -> Bounds:
    """Raised at 0, on for good from ``latency_ns``: after the last poll without, until the first with."""
    before = [it for it in polls if it < latency_ns]
    after = [it for it in polls if it >= latency_ns]
    return Bounds(max(0, before[-1] + 1), after[0] if after else FOREVER)


def trial(polls: list[int], window: Bounds, onset_ns: int, visible_ns: int) -> Trial:
    """On in [onset, onset + visible); ``window``: what was known of the onset before."""
    on = [at for at, it in enumerate(polls) if onset_ns <= it < onset_ns + visible_ns]
    if on:
        first, last = on[0], on[-1]
        onset = Bounds(max(window.lo, polls[first - 1] + 1), min(window.hi, polls[first]))
        return Seen(onset=onset, end=Bounds(polls[last] + 1, polls[last + 1] if last + 1 < len(polls) else FOREVER))
    around = [it for it in polls if window.lo <= it < window.hi]
    before = max(it for it in polls if it < window.lo)
    after = min(it for it in polls if it >= window.hi)
    return Unseen(onset=window, samples_ns=(before, *around, after))


def trials_of(read: Read) -> list[Trial]:
    """One by one what was drawn again as arrays."""
    rows = zip(
        read.is_seen.tolist(),
        *(it.tolist() for it in (read.onset_lo, read.onset_hi, read.end_lo, read.end_hi, read.samples, read.count)),
        strict=True,
    )
    return [
        Seen(onset=Bounds(low, high), end=Bounds(last, until))
        if is_seen
        else Unseen(onset=Bounds(low, high), samples_ns=tuple(samples[:count]))
        for is_seen, low, high, last, until, samples, count in rows
    ]
