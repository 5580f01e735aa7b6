"""A cause follows from the evidence: with other names of alarms, or all addresses moved, the same is named."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from harness.core.model import Judgement, Site
from harness.core.places import ModbusPlace
from harness.correlate.engine import correlate
from harness.correlate.evidence import Evidence
from tests.peers.defect_runs import run_trial
from tests.peers.defect_trials import trial_of

MOVED = 160
"""Addresses; a multiple of 16, so that bits of registers keep their place in them."""


def codes(judgement: Judgement) -> list[tuple[str, str, tuple[str, ...]]]:
    found = [(it.stimulus, it.verdict.value, tuple(c for cause in it.causes for c in cause.codes))
             for it in judgement.results]  # fmt: skip
    strays = [("stray", it.point, tuple(c for cause in it.causes for c in cause.codes)) for it in judgement.strays]
    return [*found, *strays]


def renamed(site: Site, evidence: Evidence) -> tuple[Site, Evidence]:
    """Every alarm under the name of another one, in the order of the site file."""
    names = list(site.alarms)
    other = dict(zip(names, [*names[7:], *names[:7]], strict=True))
    alarms = {
        other[name]: replace(it, name=other[name], also_raises=tuple(other[lower] for lower in it.also_raises))
        for name, it in site.alarms.items()
    }
    rows = tuple(replace(row, alarm=other[row.alarm], key=f"{number}") for number, row in enumerate(site.expectations))
    stimuli = tuple(replace(it, alarm=other[it.alarm]) for it in evidence.stimuli)
    return replace(site, alarms=alarms, expectations=rows), replace(evidence, stimuli=stimuli)


def moved(site: Site, evidence: Evidence) -> tuple[Site, Evidence]:
    """Every Modbus place further on, mapped or read along."""
    points = {
        name: replace(it, place=replace(it.place, address=it.place.address + MOVED))
        if isinstance(it.place, ModbusPlace)
        else it
        for name, it in site.points.items()
    }
    beside = tuple(replace(it, place=replace(it.place, address=it.place.address + MOVED)) for it in evidence.neighbours)
    return replace(site, points=points), replace(evidence, neighbours=beside)


@pytest.mark.parametrize("spec", ["wrong-bit@bms", "off-by-one@bms", "frozen@bms", "byte-order@bms.latched"])
def test_the_same_is_named_with_other_names_and_at_other_addresses(spec: str, tmp_path: Path) -> None:
    trial, _ = trial_of((spec,), 11)
    judged = run_trial(tmp_path, trial).judged
    try:
        keys = judged.planned
        before = correlate(judged.site, judged.evidence, keys)
        assert any(it.causes for it in before.results)
        order = {row.key: str(number) for number, row in enumerate(judged.site.expectations)}
        after = correlate(*renamed(judged.site, judged.evidence), [order[key] for key in keys])
        assert codes(after) == codes(before)
        assert codes(correlate(*moved(judged.site, judged.evidence), keys)) == codes(before)
    finally:
        judged.reader.close()
