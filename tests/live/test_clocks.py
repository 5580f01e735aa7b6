"""A simulated site against its own truth: a clock that is off, too fast and set, and how many alarms there were."""

from __future__ import annotations

import time
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.links import LinkSpec, ModbusTcpLink, TextLink
from harness.core.model import Limits, Site
from harness.measure.alarm_rates import Number, RateLimits
from harness.record.reader import RecordReader
from harness.report.clock_document import ClocksDocument
from harness.results.judging import recorded_site
from harness.run.gate import Reviews
from harness.run.order import Selection
from harness.run.testing import TestOptions, run_test
from harness.site.profiles import profiles_folder
from harness.site.reading import Documents, gather, read_site
from harness.studies.alarm_rates import RateOptions, alarm_rates
from harness.studies.clocks import ClockOptions, clocks_of
from sims import SimulatedSite, SiteOptions
from sims.building import Building
from sims.building_options import BuildingOptions
from tests.live.test_bacnet_site import SITE
from tests.live.test_put_back import View
from tests.peers.free_ports import free_udp_port
from tests.peers.truth import true_intervals
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


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, SimulatedSite, ClocksDocument, int]:
    """A whole test at a site whose clock is off, too fast, and set by 45 s."""
    record = tmp_path_factory.mktemp("clocks") / "printed.farend"
    options = SiteOptions(clock_offset_ns=-17 * S, clock_drift_ppm=700, clock_set=((SET_NS, 45 * S),))
    return record, *listened(record, options, 2)


def test_off_too_fast_and_set(whole: tuple[Path, SimulatedSite, ClocksDocument, int]) -> None:
    _, sim, document, shift_ns = whole
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


def test_rates_are_those_of_the_truth(whole: tuple[Path, SimulatedSite, ClocksDocument, int]) -> None:
    """Every activation that the panel showed, by the site's own log, is counted once, and in the right windows."""
    record, sim, _, _ = whole
    rates = alarm_rates([record], RateOptions(limits=RateLimits(window_ns=20 * S)))
    with RecordReader.open(record) as reader:
        site, span = recorded_site(reader), Bounds(reader.header.anchor.monotonic_ns, reader.last_ns)
    begins: dict[str, list[int]] = {}
    for alarm in site.alarms.values():
        assert alarm.reference is not None
        true = true_intervals(sim.truth.entries, site, alarm.reference)
        begins[alarm.name] = [it.begin[1] for it in true if it.begin[0] in span]
    assert sum(map(len, begins.values())) > 60
    assert {it.alarm: it.number for it in rates.all.contributors} == {
        name: Number(len(found), len(found)) for name, found in begins.items() if found
    }
    every = sorted(at for found in begins.values() for at in found)
    (one,) = rates.records
    assert len(one.rates.windows) > 3
    for window in one.rates.windows:
        true_number = sum(window.begin <= it < window.end for it in every)
        assert window.number.surely <= true_number <= window.number.possibly
        assert window.number.possibly - window.number.surely <= 2
    most = max(sum(it <= other < it + 20 * S for other in every) for it in every)
    assert one.rates.most.number.surely <= most <= one.rates.most.number.possibly


def test_a_building_system_is_asked_and_stamps_its_events(tmp_path: Path) -> None:
    """Four minutes in which its clock is read every minute, and one alarm at the end of it."""
    record = tmp_path / "building.farend"
    found: list[SimulatedSite] = []

    async def test() -> None:
        own = free_udp_port()
        options = BuildingOptions(
            recipients=(("127.0.0.1", own),), clock_offset_ns=8_120 * NS_PER_MS, clock_drift_ppm=-250
        )
        async with SimulatedSite(SiteOptions(building=options, scan_ns=S, heartbeat_ns=60 * S)) as sim:
            found.append(sim)
            text = SITE.format(panel=sim.panel_port, building=sim.building_port, own=own)
            for often in ("poll every: 20 ms", "poll every: 50 ms"):
                assert often in text
                text = text.replace(often, "poll every: 8 s")
            text = text.replace("hold off: 0 s", "hold off: 4 min").replace("within: 2 s", "within: 20 s")
            (tmp_path / "site.yaml").write_text(text.replace("search: 3 s", "search: 21 s"), encoding="utf-8")
            documents = gather(tmp_path / "site.yaml")
            site, _ = read_site(documents.files, documents.entry)
            chosen = TestOptions(
                record=record, selection=Selection(), arm=site.name, reviews=Reviews(by="test", decisions={}),
                who="test", seed=1, command=(),
            )  # fmt: skip
            await run_test(site, documents, chosen, time.monotonic_ns, View())

    run(test)
    with RecordReader.open(record) as reader:
        shift_ns = reader.header.anchor.utc_ns - reader.header.anchor.monotonic_ns
    (told,) = clocks_of([record], ClockOptions()).clocks
    assert {it.name: it.count for it in told.kinds}["its clock when asked"] >= 4
    assert {it.name: it.count for it in told.kinds}["event time stamps"] >= 2
    history = told.history
    assert history is not None
    assert history.settings == ()
    (stretch,) = history.stretches
    assert stretch.lines is not None
    assert stretch.lines.rate[0] <= Fraction(-250, 1_000_000) <= stretch.lines.rate[1]
    assert stretch.lines.rate[1] - stretch.lines.rate[0] < Fraction(250, 1_000_000)
    building = found[0]._faces.plugged["building"].output
    assert isinstance(building, Building)
    for instant in (stretch.first, stretch.last):
        off_ns = building.clock.shown_ns(instant - shift_ns) - instant
        assert off_ns in stretch.offset_at(instant)
        assert stretch.offset_at(instant).width < 20 * NS_PER_MS
