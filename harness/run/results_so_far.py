"""Results of whatever was raised so far, from memory, by the judge that judges the record; nothing is peeked at."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import replace

from harness.core.instants import Clock
from harness.core.model import Expectation, Judgement, Site, Stimulus
from harness.correlate.engine import correlate
from harness.results.evidence import evidence_of
from harness.results.steps import stimuli_of
from harness.run.live import LiveMemory, LiveSource


def raised_since(site: Site, live: LiveSource, since_ns: int) -> tuple[Stimulus, ...]:
    """All that was raised at or after ``since_ns``, in that order."""
    return tuple(it for it in stimuli_of(tuple(live.events), site) if it.raised.lo >= since_ns)


async def judge_so_far(
    site: Site, live: LiveSource, clock: Clock, rows: Sequence[Expectation], start_ns: int, since_ns: int
) -> Judgement:
    """What all that was raised at or after ``since_ns`` came to at ``rows`` up to now.

    The whole of what is kept is looked at: another alarm that is raised too may mask a row, or explain a sighting.
    ``rows`` may ask for other limits than the site does. Judged in a thread: in the loop it would be blind time of our
    own making.
    """
    end_ns = clock()
    asked = {row.key: row for row in rows}
    mine = replace(site, expectations=tuple(asked.get(row.key, row) for row in site.expectations))
    stimuli = raised_since(site, live, since_ns)
    memory = LiveMemory(live)

    def judged() -> Judgement:
        return correlate(mine, evidence_of(memory, mine, stimuli, start_ns, end_ns), asked)

    return await asyncio.to_thread(judged)
