"""Defects of the simulated site, each alone and some in pairs: the true cause stands first or among its equals.

Whole tests in virtual time. ``tests/bench/bench_explain.py`` runs all of it at every place, pairs at random, and a
thousand healthy sites.
"""

from __future__ import annotations

import itertools
from pathlib import Path
from random import Random
from typing import Final

import pytest

from harness.core.verdicts import Verdict, VerdictClass
from sims.defect_kinds import KINDS, Name
from sims.points import Place
from tests.peers.defect_runs import Trial, run_trial
from tests.peers.defect_table import NOTHING_TO_SEE, TABLE, may_be_hidden
from tests.peers.defect_trials import aimed, concerned, healthy, misnamed, trial_of

SEED: Final = 20261125
HEALTHY: Final = 4
PAIRS: Final = 5

_CHEAP: Final = (Place.BMS, Place.LATCHED, Place.HORN, Place.BUILDING, Place.GATEWAY, Place.BUS_1)
ALONE: Final = [
    (name, next((place for place in _CHEAP if (name, place) in TABLE), Place.BUS_LOOP))
    for name in dict.fromkeys(name for name, place in TABLE if place is not Place.BROKER)
]
"""Each kind where a run with it is short; the benchmark has them everywhere. What needs a broker is held elsewhere."""


def test_the_table_holds_every_kind_of_defect_at_every_place_once() -> None:
    every = {(kind.name, place) for kind in KINDS.values() for place in kind.places}
    assert every == TABLE.keys() | NOTHING_TO_SEE.keys()
    assert not TABLE.keys() & NOTHING_TO_SEE.keys()


@pytest.mark.parametrize(("name", "place"), ALONE, ids=[f"{name}@{place}" for name, place in ALONE])
def test_a_defect_alone_is_named(name: Name, place: Place, tmp_path: Path) -> None:
    trial, (defect,) = trial_of((aimed(name, place, SEED),), SEED)
    judged = run_trial(tmp_path, trial).judged
    try:
        assert not judged.judgement.failures_of_checkers
        results, strays = concerned(judged, defect)
        assert results or strays or may_be_hidden(name, place), defect.spec
        assert misnamed([*results, *strays], TABLE[name, place]) == [], defect.spec
    finally:
        judged.reader.close()


def _pairs() -> list[tuple[str, str]]:
    found = []
    for (one, here), (other, there) in itertools.combinations(ALONE, 2):
        if here.device != there.device:
            found.append((aimed(one, here, SEED), aimed(other, there, SEED)))
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


def _no_cause(trial: Trial, folder: Path) -> None:
    judged = run_trial(folder, trial).judged
    try:
        assert not judged.judgement.strays
        assert not judged.judgement.causes
        results = judged.judgement.results
        assert [it for it in results if it.causes or it.verdict.verdict_class is VerdictClass.FAIL] == []
    finally:
        judged.reader.close()


@pytest.mark.parametrize("seed", range(SEED, SEED + HEALTHY))
def test_a_healthy_site_is_given_no_cause(seed: int, tmp_path: Path) -> None:
    _no_cause(healthy(seed), tmp_path)


@pytest.mark.parametrize(
    ("name", "place"),
    [(Name.RETRANSMITTED_LINE, Place.PRINTER), (Name.REPEATED_NOTIFICATION, Place.BUILDING)],
)
def test_what_is_told_twice_is_no_fail(name: Name, place: Place, tmp_path: Path) -> None:
    """An old state among new ones looks like a drop, which a raise in between may excuse: unknown, and never a pass."""
    judged = run_trial(tmp_path, trial_of((aimed(name, place, SEED),), SEED)[0]).judged
    try:
        assert not judged.judgement.strays
        results = judged.judgement.results
        assert [it for it in results if it.verdict.verdict_class is VerdictClass.FAIL] == []
        doubted = [it for it in results if it.causes]
        assert all("it came on twice" in it.reason for it in doubted)
        assert not doubted or name is Name.REPEATED_NOTIFICATION
    finally:
        judged.reader.close()


@pytest.mark.parametrize("place", [Place.BMS, Place.LATCHED, Place.BUILDING], ids=str)
def test_a_wrong_bit_right_after_its_neighbours_own_test_is_laid_at_the_right_alarm(
    place: Place, tmp_path: Path
) -> None:
    """What comes on again at the neighbour's point is not taken for its second onset."""
    neighbour, miswired = "bulk-a.high", "bulk-a.low"
    spec = f"wrong-bit:{miswired}@{place}={neighbour}"
    trial = Trial(defects=(spec,), seed=SEED, alarms=(neighbour, miswired), links=("panel", place.device))
    judged = run_trial(tmp_path, trial).judged
    try:
        bad = [it for it in judged.judgement.results if it.verdict.verdict_class is not VerdictClass.PASS]
        assert {(it.alarm, it.verdict) for it in bad} == {(miswired, Verdict.CROSSED)}
        assert {cause.code for it in bad for cause in it.causes} == {"wrong-bit"}
        assert not judged.judgement.strays
    finally:
        judged.reader.close()
