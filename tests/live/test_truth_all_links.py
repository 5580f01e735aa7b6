"""Truth on every link, all at once: every bound contains the truth, and no verdict contradicts it.

Three simulated sites, each with all its outputs and all of them listened to at once, on real sockets and
pseudo-terminals: one with its bus polled over TCP, one with bus and printed line on pseudo-terminals, one whose bus has
a master of its own and is overheard. Limits are drawn at random around what the sites really do, so that many lie
close to the truth. The truth comes from the simulated sites' own logs; what a result should be is worked out from it
with nothing of the correlator.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from contextlib import AsyncExitStack
from pathlib import Path
from typing import Final

import pytest

from tests.peers.all_links import ALARMS, Bus, Run, run_alone
from tests.peers.broker import MOSQUITTO, broker, needs_mosquitto
from tests.peers.truth_checks import Score, scores_of

pytestmark = [
    pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals"),
    pytest.mark.timeout(600),  # the sites run for about a minute and a half; a busy computer slows them down
]

SEED: Final = 20261124
REPEAT: Final = 7
TRIALS_MIN: Final = 100
"""Of each kind of link."""

KINDS: Final = {
    *("bms", "gateway", "annunciator", "printer", "loops"),
    *(f"bus {bus.value}" for bus in Bus),
    *(f"building by {way}" for way in ("poll", "cov", "event")),
}


async def all_at_once(folder: Path) -> list[Run]:
    """Three sites at once, each in a process of its own, and each with a broker of its own where there is mosquitto."""
    loop = asyncio.get_running_loop()
    with ProcessPoolExecutor(len(Bus), multiprocessing.get_context("spawn")) as pool:
        async with AsyncExitStack() as stack:
            begun = []
            for number, bus in enumerate(Bus):
                mine = folder / bus.name
                mine.mkdir()
                port = None if MOSQUITTO is None else (await stack.enter_async_context(broker(mine))).port
                begun.append(loop.run_in_executor(pool, run_alone, mine, bus, SEED + number, REPEAT, port))
            return list(await asyncio.gather(*begun))


@pytest.fixture(scope="module")
def scores(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Score]:
    """By the kind of link, over all sites. That no bound and no verdict is wrong is held while they are counted."""
    total: dict[str, Score] = {}
    for run in asyncio.run(all_at_once(tmp_path_factory.mktemp("truth"))):
        for kind, score in scores_of(run).items():
            total.setdefault(kind, Score()).add(score)
    return total


def holds_up(scores: dict[str, Score], capsys: pytest.CaptureFixture[str]) -> None:
    """Enough trials of each kind, close to the limits and far from them, narrow bounds, definite where it can be."""
    with capsys.disabled():
        sys.stdout.write(f"\nseed {SEED}, {REPEAT * len(ALARMS)} raises of each of {len(Bus)} sites\n")
        for kind, it in sorted(scores.items()):
            sys.stdout.write(f"{kind:34} {it}\n")
    for kind, it in scores.items():
        assert it.trials >= TRIALS_MIN, (kind, it)
        assert it.verdicts["on-time"] + it.verdicts["appeared"], (kind, it)
        assert it.seen >= 0.6 * it.trials, (kind, it)
        assert it.narrow >= 0.9 * it.seen, (kind, it.wide_ones)
        assert it.told_late <= 0.3 * it.trials, (kind, it)
    far, definite = (sum(getattr(it, name) for it in scores.values()) for name in ("far", "definite"))
    assert definite >= 0.99 * far, [line for it in scores.values() for line in it.open_ones]


def test_bounds_contain_the_truth_and_no_verdict_contradicts_it(
    scores: dict[str, Score], capsys: pytest.CaptureFixture[str]
) -> None:
    ours = {kind: it for kind, it in scores.items() if kind != "broker"}
    holds_up(ours, capsys)
    assert set(ours) == KINDS
    # What is told is as wide as its longest delay, and the limits here lie within that: it is far from none of them.
    assert sum(it.far for it in ours.values()) >= 0.05 * sum(it.trials for it in ours.values())
    verdicts = sum((it.verdicts for it in ours.values()), Counter[str]())
    assert verdicts["on-time"] > verdicts["late"] > 10
    assert verdicts["stuck"] > 10


@needs_mosquitto
def test_so_it_is_over_a_broker(scores: dict[str, Score], capsys: pytest.CaptureFixture[str]) -> None:
    holds_up({"broker": scores["broker"]}, capsys)
