"""How often what a record tells holds the truth, from stimuli to quantiles: ``python -m tests.bench.bench_measure
[records] [seed]``.

Each simulated record raises a transient again and again at random phases of a poll; the output comes on a little later
and stays on for a random time. The record is judged as any other, its trials are taken from the results, and it is
asked whether the 95 % bounds of latencies and visible times hold the true median. ``declared``: the site file says the
output delay, so that the onset is known better than the polls tell.
"""

from __future__ import annotations

import random
import sys
import time
from dataclasses import replace
from math import log
from types import SimpleNamespace
from typing import Any

from harness.core.declared_times import DeclaredTimes
from harness.core.instants import Bounds
from harness.core.model import Behaviour, Hold, Limits
from harness.correlate.engine import correlate, outlines_of, timed_by_reference
from harness.measure.trials import Asked, Shown, summarise
from harness.results.corrected import Corrected
from harness.studies.row_trials import row_trials
from tests.peers.trace_bench import MS, Bench

LAG_MS = (20.0, 80.0)
LIMITS = Limits(search_ns=2_000 * MS, settle_ns=0)
EVERY_MS = 9_000.0
HOLD = Hold(on_ns=1, off_ns=1, on_declared=True, off_declared=True)


def record(rng: random.Random, trials: int, period_ms: float, mean_ms: float, lost: float, *, declared: bool) -> Any:
    """As much of a judged record as trials are taken from."""
    bench = Bench()
    bench.period_ms = period_ms
    bench.end_ms = trials * EVERY_MS + 20_000
    bench.alarm("a0")
    bench.input("bms.a0", 0, hold=HOLD)
    bench.row("a0", "bms.a0", Behaviour.PULSE, LIMITS)
    for number in range(trials):
        at = 5_000 + number * EVERY_MS + rng.uniform(0, period_ms)
        on = at + rng.uniform(*LAG_MS)
        bench.raised("a0", at)
        bench.on("bms.a0", on, on + min(rng.expovariate(1 / mean_ms), EVERY_MS - 2_500))
    asked = 0.0
    while asked < bench.end_ms:
        if rng.random() < lost:
            bench.blind_from("bms", asked - 1, asked + 1)
        asked += period_ms
    site, evidence = bench.site(), bench.evidence()
    if declared:
        delay = Bounds(round(LAG_MS[0] * MS), round(LAG_MS[1] * MS))
        site = replace(site, times={"bms": DeclaredTimes(output_delay=delay)})
    results = correlate(site, evidence).results
    return SimpleNamespace(
        site=site,
        evidence=evidence,
        timed=timed_by_reference(site, evidence.stimuli, outlines_of(site, evidence)),
        standing_results=results,
        has_been=frozenset({str(rng.random())}),
        corrected=Corrected(),
        as_recorded=None,
        retests={},
        judgement=SimpleNamespace(results=results),
    )


def main(records: int = 200, seed: int = 1) -> None:
    """A line for each period, mean visible time and number of trials."""
    print(f"seed {seed}, {records} records a line; bounds at 95 %")
    print("period   mean     trials  lost  declared  unseen   latency  visible   seconds a record")
    for period_ms, mean_ms, trials, lost, declared in (
        (100.0, 400.0, 20, 0.0, False),
        (500.0, 400.0, 20, 0.0, False),
        (500.0, 1000.0, 40, 0.0, False),
        (500.0, 1000.0, 40, 0.1, False),
        (500.0, 400.0, 40, 0.0, True),
        (1000.0, 1500.0, 60, 0.05, False),
        (1000.0, 700.0, 60, 0.0, True),
    ):
        rng = random.Random(f"{seed} {period_ms} {mean_ms} {trials} {lost} {declared}")
        held = {"latency": 0, "visible": 0}
        unseen, began = 0, time.perf_counter()
        for _ in range(records):
            (row,) = row_trials([record(rng, trials, period_ms, mean_ms, lost, declared=declared)])
            told = summarise(row, Asked())
            unseen += row.count(Shown.UNSEEN) + row.count(Shown.MISSED)
            truth = {"latency": sum(LAG_MS) / 2 * MS, "visible": mean_ms * log(2) * MS}
            for name, description in (("latency", told.latency), ("visible", told.visible)):
                if description is None:
                    held[name] += 1  # nothing is claimed
                    continue
                bounds = next(it.bounds for it in description.quantiles if it.share == 0.5)
                held[name] += bounds.lo <= truth[name] <= bounds.hi
        each = (time.perf_counter() - began) / records
        unseen_share = unseen / records / trials
        print(
            f"{period_ms:6.0f} ms {mean_ms:5.0f} ms {trials:5d} {lost:6.0%} {declared!s:>8} {unseen_share:8.1%}"
            f" {held['latency'] / records:8.1%} {held['visible'] / records:8.1%} {each:10.2f}"
        )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
