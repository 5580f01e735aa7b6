"""A simulated controller whose clock is off, too fast and set: the bounds from its printed times hold the truth."""

from __future__ import annotations

import time
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import LinkSpec, ModbusTcpLink, TextLink
from harness.core.model import Limits, Site
from harness.record.reader import RecordReader
from harness.report.clocks import ClocksDocument
from harness.run.clocks import ClockOptions, clocks_of
from harness.run.order import Selection
from harness.run.testing import TestOptions, run_test
from harness.site.profiles import profiles_folder
from harness.site.reading import Documents, gather, read_site
from sims import SimulatedSite, SiteOptions
from tests.peers.views import Untroubled
from tests.peers.virtual_time import run

S = NS_PER_S
SET_NS = 50 * S


def printed(site: Site, sim: SimulatedSite) -> Site:
    """The demo's site as far as its printer goes."""
    ports = {"panel": sim.panel_port, "printer": sim.printer_port}
    links: dict[str, LinkSpec] = {}
    for name, port in ports.items():
        spec = site.links[name]
        if isinstance(spec, TextLink):
            links[name] = replace(spec, tcp_port=port)
        elif isinstance(spec, ModbusTcpLink):
            links[name] = replace(spec, port=port, timeout_ns=10 * S)
    limits = Limits(
        appears_within_ns=2 * S, visible_for_ns=None, gone_within_ns=2 * S, search_ns=5 * S, settle_ns=50 * NS_PER_MS
    )
    return replace(
        site,
        links=links,
        points={name: point for name, point in site.points.items() if point.link in links},
        alarms={name: replace(alarm, side_effects=()) for name, alarm in site.alarms.items()},
        expectations=tuple(
            replace(row, limits=limits) for row in site.expectations if site.points[row.point].link == "printer"
        ),
    )


def listened(record: Path, options: SiteOptions, repeat: int) -> tuple[SimulatedSite, ClocksDocument, int]:
    """The site that was listened to in a whole test, what its record tells of clocks, and the way to UTC there."""
    found: list[SimulatedSite] = []
    documents = gather(profiles_folder() / "demo" / "site.yaml")
    demo, _ = read_site(documents.files, documents.entry)

    async def test() -> None:
        async with SimulatedSite(options) as sim:
            found.append(sim)
            site = printed(demo, sim)
            chosen = TestOptions(
                record=record, selection=Selection(), arm=site.name, reviews=None, who="test", seed=1, repeat=repeat,
                command=(),
            )  # fmt: skip
            files = Documents(files=documents.files, entry=documents.entry, point_map=documents.point_map)
            assert await run_test(site, files, chosen, time.monotonic_ns, Untroubled()) == ""

    run(test)
    with RecordReader.open(record) as reader:
        shift_ns = reader.header.anchor.utc_ns - reader.header.anchor.monotonic_ns
    return found[0], clocks_of([record], ClockOptions()), shift_ns


def test_off_too_fast_and_set(tmp_path: Path) -> None:
    options = SiteOptions(clock_offset_ns=-17 * S, clock_drift_ppm=700, clock_set=((SET_NS, 45 * S),))
    sim, document, shift_ns = listened(tmp_path / "printed.farend", options, 2)
    clock = sim._faces.clock
    (told,) = document.clocks
    history = told.history
    assert history is not None
    assert told.link == "printer"
    assert len(history.readings) > 100
    assert history.common is None

    def off_ns(utc_ns: int) -> int:
        return clock.shown_ns(utc_ns - shift_ns) - utc_ns

    (one,) = history.settings
    assert 45 * S in one.by
    assert off_ns(one.at.hi) - off_ns(one.at.lo) > 40 * S  # it was set in between
    before, after = history.stretches
    for stretch in (before, after):
        assert stretch.lines is not None
        assert stretch.lines.rate[0] <= Fraction(700, 1_000_000) <= stretch.lines.rate[1]
        for instant in (stretch.first, stretch.last):
            assert off_ns(instant) in stretch.offset_at(instant)
            assert stretch.offset_at(instant).width < 2 * S
    for reading in history.readings:
        assert reading.offset.lo <= off_ns(reading.at.hi) <= reading.offset.hi or reading.at.hi in one.at
