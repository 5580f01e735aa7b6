"""Current loops against the truth behind them: a current that goes its own way, read by a noisy, clipping converter."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from random import Random

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.core.current_loop import CurrentRange as Range
from harness.core.current_loop import current_bounds, current_of_value, is_on, range_of
from harness.core.places import CurrentLoop, OnWhen
from harness.links.current_loop import failure_trace

SEEDS = st.integers(0, 2**32 - 1)
MANY = settings(max_examples=500, deadline=None, suppress_health_check=list(HealthCheck), database=None)


@dataclass(frozen=True, slots=True)
class Converter:
    """An input of ``counts`` from 0 to ``full_ma``, with ``noise`` counts either way, that clips at its ends."""

    full_ma: float
    counts: int
    noise: int

    @property
    def count_ma(self) -> float:
        return self.full_ma / self.counts

    def loop(self, *, falls: bool) -> CurrentLoop:
        """As an honest site file would declare it; a hair is added for the arithmetic of this file."""
        at = self.counts / self.full_ma
        return CurrentLoop(
            name="loop", raw_at_4=4 * at, raw_at_20=20 * at, value_at_4=100 if falls else 0,
            value_at_20=0 if falls else 100, input_min_ma=0, input_max_ma=self.full_ma,
            resolution_ma=self.count_ma, accuracy_ma=self.noise * self.count_ma + 1e-9,
        )  # fmt: skip

    def read(self, current: float, random: Random) -> int:
        count = round(current / self.count_ma) + random.randint(-self.noise, self.noise)
        return min(self.counts, max(0, count))


def converter_of(random: Random) -> Converter:
    return Converter(random.choice([20.0, 20.8, 21.1, 22.0, 24.0]), 2 ** random.choice([8, 10, 12, 16]) - 1,
                     random.choice([0, 1, 2]))  # fmt: skip


def current_of(random: Random) -> float:
    """Often near an end of a range, where it matters."""
    if random.random() < 0.6:
        return random.choice([0.0, 3.6, 3.8, 4.0, 18.4, 20.0, 20.5, 21.0]) + random.gauss(0, 0.05)
    return random.uniform(-0.5, 24)


@MANY
@given(SEEDS)
def test_a_state_is_told_only_where_it_is_so(number: int) -> None:
    random = Random(number)
    converter = converter_of(random)
    loop = converter.loop(falls=random.random() < 0.3)
    threshold = random.uniform(0, 100)
    for _ in range(25):
        current = current_of(random)
        raw = converter.read(current, random)
        lo, hi = current_bounds(loop, raw)
        assert lo <= current <= hi, (converter, current, raw)
        where = range_of(current)
        value = (current - 4) / 16 * 100
        value = 100 - value if loop.value_at_20 == 0 else value
        has_value = where not in (Range.FAILURE_LOW, Range.FAILURE_HIGH)
        truths = {
            (OnWhen.FAILURE_HIGH, None): where is Range.FAILURE_HIGH,
            (OnWhen.FAILURE_LOW, None): where is Range.FAILURE_LOW,
            (OnWhen.ABOVE, threshold): value > threshold if has_value else None,
            (OnWhen.BELOW, threshold): value < threshold if has_value else None,
        }
        for (on_when, limit), truth in truths.items():
            said = is_on(loop, on_when, limit, raw)
            assert said is None or said is truth, (converter, current, raw, on_when, limit)
        if current_of_value(loop, threshold) < 20 and 4.5 < current < 19 and abs(value - threshold) > 7:
            assert is_on(loop, OnWhen.ABOVE, threshold, raw) is (value > threshold), "definite where it can be"


@dataclass(frozen=True, slots=True)
class Truth:
    """A current that is in the failure range in ``spans`` [from, to), and never out of it for less than ``off``."""

    spans: tuple[tuple[int, int], ...]
    persistence: int

    def within(self, at: int) -> bool:
        return any(begin <= at < end for begin, end in self.spans)

    def failed(self) -> list[tuple[int, int]]:
        return [(begin + self.persistence, end) for begin, end in self.spans if end - begin > self.persistence]

    def is_failed(self, at: int) -> bool:
        return any(begin <= at < end for begin, end in self.failed())


def truth_of(random: Random, off: int) -> Truth:
    persistence = random.choice([0, 5, 40, 100])
    spans, at = [], random.randint(0, 60)
    while at < 1000:
        lasts = random.choice([random.randint(1, 20), random.randint(persistence // 2 + 1, 2 * persistence + 30), 400])
        spans.append((at, at + lasts))
        at += lasts + off + random.choice([0, random.randint(0, 30), random.randint(0, 300)])
    return Truth(tuple(spans), persistence)


@MANY
@given(SEEDS)
def test_bounds_of_a_failure_contain_the_truth(number: int) -> None:
    """Every sample holds at some instant of its bounds, in order; sealed gaps hide no onset; all changes lie within."""
    random = Random(number)
    off = random.choice([1, 8, 25, 60])
    truth = truth_of(random, off)
    asked, told, held, states = [], [], [], []
    at = 0
    while at < 1000:
        at += random.choice([random.randint(1, 12), random.randint(1, 12), random.randint(1, 90)])
        width = random.choice([0, random.randint(0, 6), random.randint(0, 50)])
        true_at = random.randint(at, at + width)
        asked.append(at)
        told.append(at + width)
        held.append(true_at)
        states.append(-1 if random.random() < 0.05 else int(truth.within(true_at)))
        at += width
    trace = failure_trace("p", truth.persistence, off, np.array(asked, dtype=np.int64), np.array(told, dtype=np.int64),
                          np.array(states, dtype=np.int8))  # fmt: skip
    assert trace.sealed is not None
    when = {(a, t): x for a, t, x in zip(asked, told, held, strict=True)}
    when |= {(x, x): x for x in trace.lo[trace.lo == trace.hi].tolist()}
    on = [trace.run_is_on(bisect_right(trace.starts.tolist(), n) - 1) for n in range(len(trace))]
    before = -1
    for n in range(len(trace)):
        lo, hi = int(trace.lo[n]), int(trace.hi[n])
        fitting = [t for t in range(max(lo, before), hi + 1) if truth.is_failed(t) is on[n]]
        assert fitting, (n, lo, hi, on[n], truth)
        if trace.sealed[n]:
            assert not on[n]
            assert not on[n - 1]
            from_at, to_at = when.get((int(trace.lo[n - 1]), int(trace.hi[n - 1])), lo), when.get((lo, hi), hi)
            assert not [begin for begin, _ in truth.failed() if from_at < begin <= to_at], (n, truth)
        if n and on[n] and not on[n - 1]:
            lower = int(trace.lo[n - 1])
            assert any(lower < begin <= hi for begin, _ in truth.failed()), (n, lower, hi, truth)
        if n and not on[n] and on[n - 1]:
            assert any(int(trace.lo[n - 1]) < end <= hi for _, end in truth.failed()), (n, truth)
        before = fitting[0]


@MANY
@given(SEEDS)
def test_a_long_failure_is_found_by_regular_polls(number: int) -> None:
    """Definite where it can be: polled within the shortest off time, the onset is known within one gap."""
    random = Random(number)
    persistence, period, begin = random.choice([0, 40, 100]), random.randint(2, 10), random.randint(30, 60)
    end = begin + persistence + 3 * period + random.randint(0, 80)
    polls = np.arange(random.randint(0, period), end + 5 * period, period, dtype=np.int64)
    states = np.array([int(begin <= at < end) for at in polls], dtype=np.int8)
    trace = failure_trace("p", persistence, period, polls, polls, states)
    assert len(trace.starts) == 3
    on = int(trace.starts[1])
    assert trace.lo[on - 1] < begin + persistence <= trace.hi[on]
    assert trace.hi[on] - trace.lo[on - 1] <= period, "no wider than the gap in which the current went there"
    last = trace.run_last(1)
    assert trace.lo[last] < end <= trace.hi[last + 1]
