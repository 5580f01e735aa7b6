"""Results of one alarm from memory, for the person who watches; the record is judged at the end."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from typing import TypeVar

from harness.core.instants import Clock
from harness.core.model import Behaviour, Expectation, Result, Site
from harness.correlate.engine import correlate
from harness.correlate.evidence import Evidence
from harness.correlate.sweeps import Try, tries_of
from harness.results.evidence import evidence_of
from harness.results.steps import StepDone, stimuli_of
from harness.run.live import LiveMemory, LiveSource

T = TypeVar("T")


async def judge_live(
    site: Site, live: LiveSource, clock: Clock, rows: Sequence[Expectation], raised: StepDone, start_ns: int
) -> tuple[Result, ...]:
    """What ``rows`` came to for one raise, by what was observed from ``start_ns`` up to now.

    Judged in a thread: in the loop it would be blind time of our own making.
    """
    keys = [row.key for row in rows]
    # What did not show may show at any other point; what must stay quiet is told by its own point alone.
    is_loud = any(row.behaviour is not Behaviour.QUIET for row in rows)
    return await _with_evidence(
        site, live, clock, rows, raised, start_ns, lambda it: correlate(site, it, keys).results, is_loud=is_loud
    )


async def try_live(
    site: Site, live: LiveSource, clock: Clock, rows: Sequence[Expectation], raised: StepDone, start_ns: int
) -> tuple[Try, ...]:
    """What became of an alarm that was held for a stated time, at the points of ``rows``, as far as is known by now."""
    return await _with_evidence(site, live, clock, rows, raised, start_ns, lambda it: tries_of(site, it), is_loud=False)


async def _with_evidence(
    site: Site,
    live: LiveSource,
    clock: Clock,
    rows: Sequence[Expectation],
    raised: StepDone,
    start_ns: int,
    told: Callable[[Evidence], T],
    *,
    is_loud: bool,
) -> T:
    end_ns = clock()
    stimuli = stimuli_of(live.events_of(raised.stimulus), site)
    points = {row.point for row in rows}
    points |= {it for stimulus in stimuli if (it := site.alarms[stimulus.alarm].reference) is not None}
    memory = LiveMemory(live, {site.points[name].link for name in points if name in site.points})
    asked = None if is_loud else points
    return await asyncio.to_thread(lambda: told(evidence_of(memory, site, stimuli, start_ns, end_ns, asked)))
