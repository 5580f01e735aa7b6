"""A raise that was put back before it had been seen through is not blamed for what it had no time to show."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from harness.core.errors import Origin
from harness.core.instants import NS_PER_MS, Bounds
from harness.core.model import Behaviour, Expectation, Hold, Limits, Stimulus
from harness.core.trace import Trace
from harness.core.verdicts import Verdict
from harness.correlate.judge import judge_one

MS = NS_PER_MS
HOLD = Hold(on_ns=10 * MS, off_ns=10 * MS, on_declared=True, off_declared=True)
LIMITS = Limits(
    appears_within_ns=500 * MS,
    visible_for_ns=200 * MS,
    gone_within_ns=300 * MS,
    search_ns=1000 * MS,
    settle_ns=100 * MS,
    leak_ns=50 * MS,
)
RAISED, CLEARED = Bounds(100 * MS, 101 * MS), Bounds(150 * MS, 151 * MS)
STOPPED = Stimulus(id="1", alarm="a", raised=RAISED, cleared=CLEARED, stopped=True)


def verdict(on_from: int, on_until: int, stimulus: Stimulus, behaviour: Behaviour = Behaviour.FOLLOWS) -> Verdict:
    """Polled every 5 ms for 3 s; on from and until the given ms."""
    lo = np.arange(0, 3000, 5, dtype=np.int64) * MS
    on = (lo >= on_from * MS) & (lo < on_until * MS)
    trace = Trace.from_states("p", lo, lo + MS, on)
    row = Expectation(
        key="a@p", alarm="a", point="p", behaviour=behaviour, limits=LIMITS, origin=Origin(file="t", line=1)
    )
    return judge_one(trace, stimulus, row, HOLD).verdict


@pytest.mark.parametrize(
    ("on_from", "on_until", "whole", "stopped"),
    [
        (0, 0, Verdict.MISSED, Verdict.UNRESOLVED),  # gone before it had to show
        (120, 180, Verdict.BRIEF, Verdict.UNRESOLVED),  # as long as it was raised, and not as long as required
        (120, 900, Verdict.STUCK, Verdict.STUCK),  # cleared, and still on: stopping excuses nothing of that
        (700, 760, Verdict.LATE, Verdict.LATE),
    ],
)
def test_only_what_the_stopping_took_away_is_excused(
    on_from: int, on_until: int, whole: Verdict, stopped: Verdict
) -> None:
    assert verdict(on_from, on_until, replace(STOPPED, stopped=False)) is whole
    assert verdict(on_from, on_until, STOPPED) is stopped


@pytest.mark.parametrize(("cleared_ms", "expected"), [(600, Verdict.UNRESOLVED), (601, Verdict.MISSED)])
def test_what_had_its_time_is_missed_however_soon_it_was_put_back_then(cleared_ms: int, expected: Verdict) -> None:
    """An alarm that nothing explains stops a test; that its own point stayed off until its limit is still a miss."""
    cleared = Bounds(cleared_ms * MS, (cleared_ms + 1) * MS)
    assert verdict(0, 0, replace(STOPPED, cleared=cleared)) is expected
    acknowledged = replace(STOPPED, cleared=Bounds(2000 * MS, 2001 * MS), acknowledged=cleared)
    assert verdict(0, 0, acknowledged) is expected


def test_a_leak_stays_a_leak() -> None:
    assert verdict(120, 180, STOPPED, Behaviour.QUIET) is Verdict.LEAKED
