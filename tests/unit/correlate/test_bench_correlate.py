"""The benchmark of the correlator judges what it says: a healthy site, of which every row passes."""

from __future__ import annotations

import pytest

from harness.correlate.engine import correlate
from tests.bench.bench_correlate import evidence_for, site_of


@pytest.mark.parametrize("shared", [False, True])
def test_every_row_of_the_benchmark_passes(shared: bool) -> None:
    site = site_of(shared=shared)
    judgement = correlate(site, evidence_for(site, samples=20_000, stimuli=200))
    assert {result.verdict.value for result in judgement.results} == {"on-time"}
    assert len(judgement.results) == (400 if shared else 200)
    assert not judgement.strays
