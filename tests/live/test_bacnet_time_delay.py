"""A whole test of a transient whose events a Time_Delay holds back (ASHRAE 135, 13.3), in virtual time."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.model import Result
from harness.core.verdicts import ExitCode, Verdict
from harness.results.judging import JudgedRecord, judge_record
from harness.run.gate import Reviews
from harness.run.order import Selection
from harness.run.testing import TestOptions, run_test
from harness.site.reading import gather, read_site
from sims import SimulatedSite, SiteOptions
from sims.building_options import BuildingOptions
from tests.live.test_put_back import View
from tests.peers.free_ports import free_udp_port
from tests.peers.virtual_time import run

PULSE_NS = 6 * NS_PER_S
STAMPS_NS = 60 * NS_PER_MS
"""What the controller's scan of 20 ms, the delay of its output and the stamps leave open."""

SITE = """
site: quay
title: a transient behind a Time_Delay
controller: {{name: plant controller (simulated), firmware: 1.4.2}}
links:
  panel:
    modbus-tcp: 127.0.0.1:{panel}
    numbering: reference
    unit: 1
    poll every: 20 ms
    timeout: 2 s
    shortest on: 200 ms
    shortest off: 200 ms
  building:
    bacnet: 127.0.0.1:{building}
    device: 260001
    listen on: 127.0.0.1/8:{own}
    own device: 260099
    poll every: 200 ms
    timeout: 2 s
    longest delay: 400 ms
    promises every change: yes
    shortest on: 500 ms
    shortest off: 500 ms
defaults:
  appears within: 10 s
  search: 12 s
  settle: 1 s
stimulus:
  raise: {{link: panel, holding register: 40901, values: [code, 1]}}
  clear: {{link: panel, holding register: 40901, values: [code, 4]}}
  hold off: 0 s
writable:
  - {{link: panel, holding register: 40901-40902, as left: may differ}}
alarms:
  sump-a.leak:
    class: alarm
    text: SUMP A LEAK
    code: 19
    reference: panel:10019
    side effects: none
    lasts: 6 s +/- 200 ms
points:
  - {{alarm: sump-a.leak, link: building, object: binary-input 19, behaviour: follows, gone within: 1 s}}
  - {{alarm: sump-a.leak, link: building, object: binary-input 19, arrives by: event,
     behaviour: follows, gone within: 10 s}}
"""


def judged(folder: Path, time_delay_ns: int) -> tuple[JudgedRecord, dict[str, Result], list[tuple[str, int]]]:
    """A run; the record, its results by way, and from the truth log what events became due, and when."""

    async def whole() -> list[tuple[str, int]]:
        own = free_udp_port()
        building = BuildingOptions(recipients=(("127.0.0.1", own),), time_delays_ns={"sump-a.leak": time_delay_ns})
        options = SiteOptions(building=building, lasts_ns={"sump-a.leak": PULSE_NS})
        async with SimulatedSite(options) as sim:
            text = SITE.format(panel=sim.panel_port, building=sim.building_port, own=own)
            (folder / "site.yaml").write_text(text, encoding="utf-8")
            documents = gather(folder / "site.yaml")
            site, _ = read_site(documents.files, documents.entry)
            asked = TestOptions(
                record=folder / "run.farend",
                selection=Selection(),
                arm=site.name,
                reviews=Reviews(by="test", decisions={}),
                who="test",
                seed=1,
                command=(),
            )
            why = await asyncio.wait_for(run_test(site, documents, asked, time.monotonic_ns, View()), 120)
            assert why == ""
            events = [it for it in sim.truth.entries if it["kind"] == "event" and it["signal"] == "sump-a.leak"]
            return [(it["to_state"], it["at_ns"]) for it in events]

    events = run(whole)
    found = judge_record(folder / "run.farend")
    by_way = {"event" if "event" in it.point else "poll": it for it in found.judgement.results}
    return found, by_way, events


def test_a_transient_that_is_shorter_than_its_time_delay_is_missed_because_the_device_filters_it(
    tmp_path: Path,
) -> None:
    record, results, events = judged(tmp_path, 8 * NS_PER_S)
    assert events == []
    assert results["poll"].verdict is Verdict.ON_TIME, results["poll"].reason
    missed = results["event"]
    assert missed.verdict is Verdict.MISSED, missed.reason
    assert missed.causes[0].code == "filtered-by-design"
    assert "ASHRAE 135, 13.3" in missed.causes[0].text
    assert "8 s" in missed.causes[0].evidence
    assert record.exit_code is ExitCode.FAILED
    record.reader.close()


def test_a_longer_one_is_told_for_its_time_less_time_delay_and_more_by_time_delay_normal(tmp_path: Path) -> None:
    """The device has no Time_Delay_Normal, so Time_Delay serves both ways, and the event lasts as long as the alarm."""
    delay_ns = 3 * NS_PER_S
    record, results, events = judged(tmp_path, delay_ns)
    (up, began_ns), (down, ended_ns) = events
    assert (up, down) == ("offnormal", "normal")
    told, read = results["event"], results["poll"]
    assert told.verdict is Verdict.ON_TIME, told.reason
    assert told.visible is not None
    assert read.visible is not None
    assert told.latency is not None
    assert told.visible.lo <= ended_ns - began_ns <= told.visible.hi
    assert abs(ended_ns - began_ns - PULSE_NS) <= STAMPS_NS
    (stimulus,) = record.evidence.stimuli
    assert told.latency.lo <= began_ns - stimulus.raised.lo
    assert told.latency.hi >= delay_ns
    assert read.latency is not None
    assert read.latency.hi < delay_ns
    record.reader.close()
