"""A whole test over a printed log with a long longest delay: its rows are settled, on a real simulated site."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import LinkSpec, ModbusTcpLink, TextLink
from harness.core.model import Limits, Site
from harness.core.verdicts import VerdictClass
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

DELAY_NS = 800 * NS_PER_MS


def printed(site: Site, sim: SimulatedSite, alarms: int, limits: Limits) -> Site:
    """The demo's site as far as its printer goes, with the references that time it."""
    ports = {"panel": sim.panel_port, "printer": sim.printer_port}
    links: dict[str, LinkSpec] = {}
    for name, port in ports.items():
        spec = site.links[name]
        if isinstance(spec, TextLink):
            links[name] = replace(spec, tcp_port=port, longest_delay_ns=DELAY_NS)
        elif isinstance(spec, ModbusTcpLink):
            links[name] = replace(spec, port=port, timeout_ns=10 * NS_PER_S)
    rows = [row for row in site.expectations if site.points[row.point].link == "printer"][:alarms]
    return replace(
        site,
        links=links,
        points={name: point for name, point in site.points.items() if point.link in links},
        alarms={name: replace(alarm, side_effects=()) for name, alarm in site.alarms.items()},
        expectations=tuple(replace(row, limits=limits) for row in rows),
    )


async def test_printed_rows_are_settled_though_a_line_may_come_800_ms_late(tmp_path: Path) -> None:
    """Raised only once what was before can be told apart, and held for longer than the longest delay."""
    demo, _ = load_site(profiles_folder() / "demo" / "site.yaml")
    record = tmp_path / "printed.farend"
    limits = Limits(
        appears_within_ns=20 * NS_PER_S, visible_for_ns=None, gone_within_ns=20 * NS_PER_S,
        search_ns=25 * NS_PER_S, settle_ns=50 * NS_PER_MS,
    )  # fmt: skip
    async with SimulatedSite(SiteOptions(printer_delay_ns=300 * NS_PER_MS)) as sim:
        site = printed(demo, sim, 4, limits)
        options = TestOptions(
            record=record, selection=Selection(), arm=site.name, reviews=None, who="test", seed=1, repeat=1, command=()
        )
        documents = Documents(files={}, entry="site.yaml", point_map="")
        assert await run_test(site, documents, options, time.monotonic_ns, Untroubled()) == ""
    with RecordReader.open(record) as reader:
        stimuli = stimuli_of(reader.events(), site)
        evidence = evidence_of(reader, site, stimuli, reader.header.anchor.monotonic_ns, reader.last_ns)
    for stimulus in stimuli:
        assert stimulus.cleared is not None
        assert stimulus.cleared.lo - stimulus.raised.hi >= DELAY_NS
    results = correlate(site, evidence).results
    assert len(results) == 4
    assert {result.verdict.verdict_class for result in results} == {VerdictClass.PASS}, results
