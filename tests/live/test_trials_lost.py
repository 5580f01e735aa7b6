"""Many trials whose outputs can no longer be read, by whole armed runs in virtual time: they wait, and they end."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from harness.core.instants import NS_PER_S
from harness.run.trials import Claim, Search
from tests.peers.safety_runs import During, Scene, run_scene

WAYS = {
    "claim": {"repeat": 8, "claim": Claim(share=0.7, trials_max=8, confidence=0.8)},
    "search": {
        "repeat": 40,
        "held_ns": (NS_PER_S,),
        "search": Search(share=0.5, longest_ns=NS_PER_S, shortest_ns=NS_PER_S, tries_max=40, confidence=0.6),
    },
}


async def lose(during: During) -> None:
    """The link is lost behind the second raise, and does not come back."""
    for _ in range(2):
        await during.raised("bulk-a.water")
        await during.sim.until(lambda: not during.is_active("bulk-a.water"))
    during.reading.cut()


async def lose_for_a_while(during: During) -> None:
    await lose(during)
    await asyncio.sleep(25)
    during.reading.mend()


@pytest.mark.parametrize("way", list(WAYS))
def test_where_nobody_can_read_any_more_nothing_more_is_raised_and_it_ends(way: str, tmp_path: Path) -> None:
    scene = Scene(only=("bulk-a.water",), more=WAYS[way])
    outcome = run_scene(tmp_path, scene, lose)
    outcome.judged.reader.close()
    assert "could be observed" in outcome.why
    assert 2 <= len(outcome.judged.evidence.stimuli) <= 4
    assert outcome.active == ()


def test_trials_wait_for_a_link_that_comes_back(tmp_path: Path) -> None:
    scene = Scene(only=("bulk-a.water",), more=WAYS["claim"])
    outcome = run_scene(tmp_path, scene, lose_for_a_while)
    outcome.judged.reader.close()
    assert outcome.why == ""
    assert len(outcome.judged.evidence.stimuli) >= 5
    assert outcome.active == ()
