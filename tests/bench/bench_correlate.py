"""How fast the correlator judges, and how its time grows: ``python tests/bench/bench_correlate.py [--large]``.

A point polled ten times a second; every 10 s one of twenty alarms is raised for 3 s. One row a stimulus, then two
(its own point and one that all share). With ``--large`` up to 10 million samples.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from harness.core.errors import Origin
from harness.core.instants import NS_PER_MS, Bounds
from harness.core.links import ModbusTcpLink
from harness.core.model import Alarm, AlarmClass, Behaviour, Expectation, Limits, Point, Site, Stimulus
from harness.core.places import ModbusPlace, Numbering, Table
from harness.core.trace import Trace
from harness.correlate.engine import correlate
from harness.correlate.evidence import Evidence

ALARMS = 20
PERIOD_NS = 100 * NS_PER_MS
ORIGIN = Origin(file="bench", line=1)
DEVICE = ModbusTcpLink(
    name="device",
    host="127.0.0.1",
    port=502,
    numbering=Numbering.FROM_ZERO,
    poll_period_ns=PERIOD_NS,
    timeout_ns=1000 * NS_PER_MS,
    origin=ORIGIN,
)
LIMITS = Limits(appears_within_ns=1000 * NS_PER_MS, gone_within_ns=1000 * NS_PER_MS)


def site_of(*, shared: bool) -> Site:
    """Twenty alarms, a point each, and one that all of them hold where ``shared``."""
    names = [f"alarm-{number}" for number in range(ALARMS)]
    places = {f"own-{number}": number for number in range(ALARMS)} | ({"common": 99} if shared else {})
    rows = [(name, f"own-{number}") for number, name in enumerate(names)]
    rows += [(name, "common") for name in names] if shared else []
    return Site(
        name="bench",
        title="",
        controller="",
        firmware="",
        links={DEVICE.name: DEVICE},
        points={
            name: Point(
                name=name,
                link=DEVICE.name,
                place=ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=address),
                origin=ORIGIN,
            )
            for name, address in places.items()
        },
        alarms={
            name: Alarm(name=name, alarm_class=AlarmClass.ALARM, priority=None, text="", side_effects=(), origin=ORIGIN)
            for name in names
        },
        side_effects={},
        writable=(),
        expectations=tuple(
            Expectation(
                key=f"{alarm}@{point}",
                alarm=alarm,
                point=point,
                behaviour=Behaviour.FOLLOWS,
                limits=LIMITS,
                origin=ORIGIN,
            )
            for alarm, point in rows
        ),
    )


def evidence_for(site: Site, samples: int, stimuli: int) -> Evidence:
    """What a healthy site shows: every point follows its alarm 300 ms later."""
    lo = np.arange(samples, dtype=np.int64) * PERIOD_NS
    hi = lo + 2 * NS_PER_MS
    states = {name: np.zeros(samples, dtype=np.bool_) for name in site.points}
    spacing = samples * PERIOD_NS // stimuli
    raised = []
    for number in range(stimuli):
        at = number * spacing + spacing // 2 + 33 * NS_PER_MS
        cleared = at + 3000 * NS_PER_MS
        raised.append(
            Stimulus(
                id=f"{number:06d}",
                alarm=f"alarm-{number % ALARMS}",
                raised=Bounds(at, at + 2 * NS_PER_MS),
                cleared=Bounds(cleared, cleared + 2 * NS_PER_MS),
            )
        )
        first, last = np.searchsorted(lo, [at + 300 * NS_PER_MS, cleared + 300 * NS_PER_MS])
        for name in (f"own-{number % ALARMS}", "common"):
            if name in states:
                states[name][first:last] = True
    traces = {name: Trace.from_states(name, lo, hi, on) for name, on in states.items()}
    return Evidence(stimuli=tuple(raised), traces=traces)


def main() -> None:
    """Print a table."""
    sizes = [(100_000, 1_000), (1_000_000, 10_000)] + ([(10_000_000, 100_000)] if "--large" in sys.argv else [])
    print(f"{'samples':>12} {'stimuli':>9} {'rows':>9} {'seconds':>9} {'us a row':>9}")
    for shared in (False, True):
        for samples, stimuli in sizes:
            site = site_of(shared=shared)
            evidence = evidence_for(site, samples, stimuli)
            begun = time.perf_counter()
            judgement = correlate(site, evidence)
            took = time.perf_counter() - begun
            rows = len(judgement.results)
            passed = sum(result.verdict.value == "on-time" for result in judgement.results)
            if passed != rows or judgement.strays:
                raise SystemExit(f"{rows - passed} of {rows} healthy rows did not pass, {len(judgement.strays)} strays")
            print(f"{samples:>12,} {stimuli:>9,} {rows:>9,} {took:>9.2f} {took / rows * 1e6:>9.1f}")


if __name__ == "__main__":
    main()
