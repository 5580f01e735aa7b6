"""Current loops on the simulated bus: a noisy converter read over RTU, judged, and held against the truth."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import LinkSpec, ModbusRtuLink, ModbusTcpLink
from harness.core.model import Behaviour, Hold, Limits, Site
from harness.core.places import ModbusPlace, OnWhen
from harness.core.verdicts import Verdict
from harness.correlate.engine import correlate
from harness.record.reader import RecordReader
from harness.results.evidence import evidence_of
from harness.results.steps import stimuli_of
from harness.run.order import Selection
from harness.run.testing import TestOptions, run_test
from harness.site.profiles import profiles_folder
from harness.site.reading import Documents, load_site
from sims import SimulatedSite, SiteOptions
from tests.peers.views import Untroubled

HOLD = Hold(on_ns=NS_PER_S, off_ns=NS_PER_S, on_declared=True, off_declared=True)
"""True of this test: an alarm is held for longer, and so is the time between two."""

WIDE = Limits(
    appears_within_ns=20 * NS_PER_S, gone_within_ns=20 * NS_PER_S, search_ns=25 * NS_PER_S, settle_ns=1500 * NS_PER_MS
)
"""So wide that a busy computer breaks none of them."""


def looped(site: Site, sim: SimulatedSite) -> Site:
    """The demo's site as far as its level loops go, with the references that time it."""
    links: dict[str, LinkSpec] = {}
    for name, spec in site.links.items():
        if isinstance(spec, ModbusRtuLink):
            links[name] = replace(spec, tcp_port=sim.bus_port, timeout_ns=5 * NS_PER_S)
        elif isinstance(spec, ModbusTcpLink) and name == "panel":
            links[name] = replace(spec, port=sim.panel_port, timeout_ns=10 * NS_PER_S)
    points = {name: point for name, point in site.points.items() if point.link in links}
    at_loops = {name for name, it in points.items() if isinstance(it.place, ModbusPlace) and it.place.loop is not None}
    loud = [row for row in site.expectations if row.behaviour is Behaviour.FOLLOWS]
    rows = [row for row in loud if row.point in at_loops and row.alarm.startswith("bulk-a")]
    used = {row.point for row in rows} | {alarm.reference for alarm in site.alarms.values()}
    return replace(
        site,
        links=links,
        points={name: replace(point, hold=HOLD) for name, point in points.items() if name in used},
        alarms={name: replace(alarm, side_effects=()) for name, alarm in site.alarms.items()},
        expectations=tuple(replace(row, limits=WIDE) for row in rows),
    )


FAILED_COUNTS = 3.6 / 24 * 4095
"""12 bits over 0 to 24 mA."""


async def test_levels_and_a_failed_probe_are_told_apart_and_timed(tmp_path: Path) -> None:
    """A failed probe drives 3.5 mA: after four seconds it is a failure, and it is no low level before or after."""
    demo, _ = load_site(profiles_folder() / "demo" / "site.yaml")
    record = tmp_path / "loops.farend"
    async with SimulatedSite(SiteOptions()) as sim:
        site = looped(demo, sim)
        options = TestOptions(
            record=record, selection=Selection(), arm=site.name, reviews=None, who="test", seed=1, repeat=1, command=()
        )
        documents = Documents(files={}, entry="site.yaml", point_map="")
        assert await run_test(site, documents, options, time.monotonic_ns, Untroubled()) == ""
        truth = list(sim.truth.entries)
    with RecordReader.open(record) as reader:
        stimuli = stimuli_of(reader.events(), site)
        evidence = evidence_of(reader, site, stimuli, reader.header.anchor.monotonic_ns, reader.last_ns)
    judgement = correlate(site, evidence)
    verdicts = {result.expectation: result.verdict for result in judgement.results}
    assert len(verdicts) == 3
    assert set(verdicts.values()) == {Verdict.ON_TIME}, judgement.results
    assert not judgement.strays, "a failed probe is no low level"
    for result in judgement.results:
        place = site.points[result.point].place
        assert isinstance(place, ModbusPlace)
        if place.on_when is not OnWhen.FAILURE_LOW:
            continue
        assert place.loop is not None
        assert result.onset is not None
        moved = [
            entry
            for entry in truth
            if entry["kind"] == "output" and entry["place"].startswith("bus") and entry["table"] == "input-register"
            and entry["address"] == place.address and entry["set_after_ns"] >= stimuli[0].raised.lo
        ]  # fmt: skip
        assert moved
        stimulus = next(it for it in stimuli if it.id == result.stimulus)
        gone = next(it for it in moved if it["set_before_ns"] >= stimulus.raised.lo and it["value"] < FAILED_COUNTS)
        lo, hi = (gone[key] + place.loop.persistence_ns for key in ("set_before_ns", "set_after_ns"))
        assert result.onset.lo <= hi
        assert lo <= result.onset.hi
