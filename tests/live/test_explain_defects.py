"""Defects of the simulated site, each alone and some in pairs: the true cause stands first or among its equals.

Whole tests in virtual time. ``tests/bench/bench_explain.py`` runs all of it at more places, all pairs, and a thousand
healthy sites.
"""

from __future__ import annotations

import itertools
from pathlib import Path
from random import Random
from typing import Final

import pytest

from harness.core.verdicts import VerdictClass
from sims.defect_kinds import Name
from sims.points import Place
from tests.bench.bench_explain import healthy
from tests.peers.defect_runs import run_trial
from tests.peers.defect_table import TABLE, concerned, misnamed, trial_of

SEED: Final = 20261125
HEALTHY: Final = 4
PAIRS: Final = 6

ALONE: Final = [
    (name, Random(f"{SEED} {name}").choice([place for of, place in TABLE if of is name]))
    for name in dict.fromkeys(name for name, _ in TABLE)
]
"""Each kind at one of its places."""

MAY_BE_HIDDEN: Final = frozenset({Name.DROPPED_ANSWERS, Name.LATCHES, Name.MOMENTARY, Name.TOO_SHORT})
"""What is lost by chance, or between polls, or is over with the acknowledge that another output needed, may leave every
result a pass: then there is nothing to explain."""


def test_the_table_holds_at_least_25_kinds_of_defect() -> None:
    assert len({name for name, _ in TABLE}) >= 25


@pytest.mark.parametrize(("name", "place"), ALONE, ids=[f"{name}@{place}" for name, place in ALONE])
def test_a_defect_alone_is_named(name: Name, place: Place, tmp_path: Path) -> None:
    trial, (defect,) = trial_of((f"{name}@{place}",), SEED)
    judged = run_trial(tmp_path, trial).judged
    try:
        assert not judged.judgement.failures_of_checkers
        results, strays = concerned(judged, defect)
        assert results or strays or name in MAY_BE_HIDDEN, defect.spec
        assert misnamed([*results, *strays], TABLE[name, place]) == [], defect.spec
    finally:
        judged.reader.close()


def _pairs() -> list[tuple[str, str]]:
    found = []
    for (one, here), (other, there) in itertools.combinations(ALONE, 2):
        if here.device != there.device:
            found.append((f"{one}@{here}", f"{other}@{there}"))
    return Random(SEED).sample(found, PAIRS)


@pytest.mark.parametrize("specs", _pairs(), ids=" and ".join)
def test_two_defects_are_both_named(specs: tuple[str, str], tmp_path: Path) -> None:
    trial, chosen = trial_of(specs, SEED)
    judged = run_trial(tmp_path, trial).judged
    try:
        for defect in chosen:
            results, strays = concerned(judged, defect)
            codes = TABLE[defect.name, defect.place]
            if defect.place is Place.GATEWAY:
                codes |= {"passed-on-by-hop"}  # where the bms has the other one of the two
            assert misnamed([*results, *strays], codes) == [], defect.spec
    finally:
        judged.reader.close()


@pytest.mark.parametrize("seed", range(SEED, SEED + HEALTHY))
def test_a_healthy_site_is_given_no_cause(seed: int, tmp_path: Path) -> None:
    judged = run_trial(tmp_path, healthy(seed)).judged
    try:
        assert not judged.judgement.strays
        assert not judged.judgement.causes
        results = judged.judgement.results
        assert [it for it in results if it.causes or it.verdict.verdict_class is VerdictClass.FAIL] == []
    finally:
        judged.reader.close()
