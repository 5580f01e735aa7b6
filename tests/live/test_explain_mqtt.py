"""Defects of an MQTT publisher through a real broker, each alone: the true cause stands first or among its equals.

In real time, so what a busy machine does by itself is no misnaming; ``python -m tests.bench.bench_explain broker`` runs
every kind.
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Final

import pytest

from harness.core.verdicts import VerdictClass
from harness.results.judging import JudgedRecord
from sims.defect_kinds import Name
from sims.points import Place
from tests.peers.broker import needs_mosquitto
from tests.peers.defect_runs import run_with_broker
from tests.peers.defect_table import NOTHING_TO_SEE, TABLE
from tests.peers.defect_trials import aimed, concerned, misnamed, trial_of

pytestmark = needs_mosquitto

SEED: Final = 20261129
KINDS: Final = (Name.LOST_MESSAGES, Name.HALF_FRAMES, Name.WRONG_BIT, Name.NEVER_APPEARS, Name.RETRANSMITTED_LINE)
OF_THE_MACHINE: Final = frozenset({"raise-not-proven", "reference-not-seen", "polls-failed", "link-down"})
"""What a machine that stood still for seconds leaves behind."""


async def test_defects_of_a_publisher_are_named(tmp_path_factory: pytest.TempPathFactory) -> None:
    specs = [aimed(name, Place.BROKER, SEED) for name in KINDS]
    await asyncio.gather(*(_one(tmp_path_factory.mktemp("site"), spec) for spec in specs))


async def _one(folder: Path, spec: str) -> None:
    trial, (defect,) = trial_of((spec,), SEED, more=2)
    judged = (await run_with_broker(folder, trial)).judged
    try:
        assert not judged.judgement.failures_of_checkers
        if (defect.name, defect.place) in NOTHING_TO_SEE:
            assert _failed(judged) == [], defect.spec
            return
        results, strays = concerned(judged, defect)
        codes = TABLE[defect.name, defect.place] | OF_THE_MACHINE
        assert misnamed([*results, *strays], codes) == [], defect.spec
        if defect.name in (Name.WRONG_BIT, Name.NEVER_APPEARS):
            assert results, defect.spec
    finally:
        judged.reader.close()


def _failed(judged: JudgedRecord) -> list[str]:
    return [it.point for it in judged.judgement.results if it.verdict.verdict_class is VerdictClass.FAIL]
