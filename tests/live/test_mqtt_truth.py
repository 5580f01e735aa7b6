"""Truth over MQTT: simulated sites publish through real brokers, farend hears it late by random delays.

Every bound contains the truth and is no wider than the declared longest delay allows, and no verdict contradicts the
truth although limits are drawn close to it. What a result should be comes from the simulated sites' own logs.
"""

from __future__ import annotations

import asyncio
import sys
import time
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from typing import Any, Final

import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import LinkSpec, ModbusTcpLink, MqttLink
from harness.core.model import Behaviour, Expectation, Hold, Limits, Point, Site
from harness.core.places import MqttPlace
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.engine import correlate, outlines_of, timed_by_reference
from harness.links.mqtt_messages import Published, decode
from harness.record.reader import RecordReader
from harness.results.evidence import evidence_of
from harness.results.steps import stimuli_of
from harness.run.order import Selection
from harness.run.testing import TestOptions, run_test
from harness.site.profiles import profiles_folder
from harness.site.reading import Documents, load_site
from sims import SimulatedSite, SiteOptions
from tests.live.test_truth import _true_step, _width
from tests.peers.broker import broker, needs_mosquitto
from tests.peers.delaying_relay import delaying_relay
from tests.peers.recorder import ORIGIN
from tests.peers.truth import Interval, holds, margins
from tests.peers.views import Undisturbed

pytestmark = needs_mosquitto

SITES: Final = 3
RAISES: Final = 100
SEED: Final = 20261125
RELAY_NS: Final = 40 * NS_PER_MS
DELAY_NS: Final = 120 * NS_PER_MS
"""D: twice what the relay can hold back two pieces in a row, and what a busy machine adds."""

MQTT_DELAY_NS: Final = 300 * NS_PER_MS
HOLD: Final = Hold(on_ns=60 * NS_PER_MS, off_ns=150 * NS_PER_MS, on_declared=True, off_declared=True)


def point_name(alarm: str) -> str:
    return f"topic.{alarm}"


def over_mqtt(site: Site, panel_port: int, relay_port: int, random: Random) -> Site:
    """The demo's alarms and reference points, with one topic each, and random limits around the truth."""
    panel = site.links["panel"]
    assert isinstance(panel, ModbusTcpLink)
    period = random.randrange(20, 50) * NS_PER_MS
    links: dict[str, LinkSpec] = {
        "panel": replace(panel, port=panel_port, poll_period_ns=period, requests_per_s_max=None),
        "topics": MqttLink(
            name="topics", host="127.0.0.1", port=relay_port, timeout_ns=5 * NS_PER_S, keep_alive_s=5,
            alive_topic="hollowmere/alive", down_payload="offline", sequence_pointer="/seq",
            longest_delay_ns=DELAY_NS, promises_every_change=True, origin=ORIGIN,
        ),
    }  # fmt: skip
    heard = [alarm for alarm in site.alarms.values() if alarm.alarm_class.value != "warning" and alarm.writes]
    points = {name: replace(it, hold=HOLD) for name, it in site.points.items() if it.link == "panel"}
    rows = []
    for alarm in heard:
        place = MqttPlace(topic=f"hollowmere/alarm/{alarm.name}", pointer="/active")
        point = Point(name=point_name(alarm.name), link="topics", place=place, hold=HOLD, origin=ORIGIN)
        points[point.name] = point
        limits = Limits(
            appears_within_ns=random.choice([None, random.randrange(20, 600) * NS_PER_MS]),
            visible_for_ns=random.choice([None, random.randrange(50, 700) * NS_PER_MS]),
            gone_within_ns=random.choice([None, random.randrange(20, 600) * NS_PER_MS]),
            search_ns=800 * NS_PER_MS,
            settle_ns=350 * NS_PER_MS,
        )
        key = f"{alarm.name}@{point.name}"
        row = Expectation(
            key=key, alarm=alarm.name, point=point.name, behaviour=Behaviour.FOLLOWS, limits=limits, origin=ORIGIN
        )
        rows.append(row)
    alarms = {it.name: replace(it, side_effects=(), acknowledgements=()) for it in heard}
    return replace(site, links=links, points=points, expectations=tuple(rows), alarms=alarms)


def intervals(entries: Iterable[Mapping[str, Any]], alarm: str) -> list[Interval]:
    """When the alarm's topic really said on."""
    found: list[Interval] = []
    begun: tuple[int, int] | None = None
    for entry in entries:
        if entry["kind"] != "output" or entry["place"] != "broker" or entry["signal"] != alarm:
            continue
        at = (entry["set_before_ns"], entry["set_after_ns"])
        if entry["value"] and begun is None:
            begun = at
        elif not entry["value"] and begun is not None:
            found.append(Interval(begun, at))
            begun = None
    return found if begun is None else [*found, Interval(begun, None)]


@dataclass(frozen=True, slots=True)
class Run:
    site: Site
    record: Path
    truth: list[dict[str, Any]]


async def run_one(folder: Path, number: int) -> Run:
    random = Random(SEED + number)
    site, _ = load_site(profiles_folder() / "demo" / "site.yaml")
    async with broker(folder) as one, delaying_relay(one.port, RELAY_NS / NS_PER_S, random) as relay:
        options = SiteOptions(
            mqtt_host="127.0.0.1", mqtt_port=one.port, mqtt_delay_ns=MQTT_DELAY_NS, scan_ns=10 * NS_PER_MS,
            heartbeat_ns=300 * NS_PER_MS, bus_port=None, annunciator_port=None,
        )  # fmt: skip
        async with SimulatedSite(options) as sim:
            mine = over_mqtt(site, sim.panel_port, relay.port, random)
            test = TestOptions(
                record=folder / "run.farend",
                selection=Selection(),
                arm=mine.name,
                reviews=None,
                who="test",
                seed=SEED + number,
                repeat=-(-RAISES // SITES // len(mine.alarms)),
                command=(),
            )
            nothing = Documents(files={}, entry="site.yaml", point_map="")
            why = await run_test(mine, nothing, test, time.monotonic_ns, Undisturbed())
            assert why == ""
            return Run(mine, test.record, list(sim.truth.entries))


@pytest.mark.usefixtures("known_beats")
@pytest.mark.timeout(400)
async def test_every_bound_contains_the_truth_and_no_verdict_contradicts_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folders = [tmp_path / str(number) for number in range(SITES)]
    for folder in folders:
        folder.mkdir()
    runs = await asyncio.gather(*(run_one(folder, number) for number, folder in enumerate(folders)))
    verdicts: Counter[str] = Counter()
    raises = far = definite = 0
    open_ones: list[str] = []
    for run in runs:
        with RecordReader.open(run.record) as reader:
            stimuli = stimuli_of(reader.events(), run.site)
            evidence = evidence_of(reader, run.site, stimuli, reader.header.anchor.monotonic_ns, reader.last_ns)
            spans = arrival_spans(reader)
        judgement = correlate(run.site, evidence)
        assert not judgement.failures_of_checkers, judgement.failures_of_checkers
        assert not judgement.strays, judgement.strays
        timed = timed_by_reference(run.site, stimuli, outlines_of(run.site, evidence))
        rows = {row.key: row for row in run.site.expectations}
        raises += len(stimuli)
        for result in judgement.results:
            verdicts[result.verdict.value] += 1
            row, stimulus = rows[result.expectation], timed[result.stimulus]
            r = _true_step(run.truth, run.site, stimulus, 1)
            c = _true_step(run.truth, run.site, stimulus, 0)
            assert r is not None
            assert c is not None
            latest = r[1] + row.limits.search_ns
            near = (it for it in intervals(run.truth, row.alarm) if it.end is None or it.end[1] > r[0])
            own = next((it for it in near if it.begin[0] <= latest), None)
            stamps = 2 * NS_PER_MS
            if own is not None:
                stamps += own.begin[1] - own.begin[0] + (0 if own.end is None else own.end[1] - own.end[0])
                if result.onset is not None:
                    assert holds(result.onset, own.begin), (result, own)
                    assert (result.onset.lo, result.onset.hi) in spans[row.alarm], result
                if result.end is not None and own.end is not None:
                    assert holds(result.end, own.end), (result, own)
                    assert (result.end.lo, result.end.hi) in spans[row.alarm], result
            left = margins(row, own, r[1], None, c[1])
            broken = [name for name, margin in left.items() if margin < -stamps]
            met = all(margin > stamps for margin in left.values())
            verdict_class = result.verdict.verdict_class
            assert verdict_class is not VerdictClass.PASS or not broken, (result, left)
            assert verdict_class is not VerdictClass.FAIL or not met, (result, left)
            owed = [margin for name, margin in left.items() if name != "early" or margin < 0]
            if result.verdict is not Verdict.MASKED and all(abs(it) > _width(result, stimulus) for it in owed):
                far += 1
                definite += verdict_class is not VerdictClass.UNKNOWN
                if verdict_class is VerdictClass.UNKNOWN:
                    open_ones.append(f"{result.expectation} {result.verdict}: {result.reason}")
    with capsys.disabled():
        sys.stdout.write(f"\n{raises} raises over MQTT, seed {SEED}: {dict(verdicts)}; further from every limit than "
              f"the bounds are wide: {far}, definite {definite}\n")  # fmt: skip
    assert raises >= RAISES
    assert verdicts["on-time"]
    assert verdicts["late"]
    assert far > sum(verdicts.values()) // 10
    assert definite == far, open_ones


def arrival_spans(reader: RecordReader) -> dict[str, set[tuple[int, int]]]:
    """[arrival - D, arrival] of every message, by alarm: what the bounds may be, and no wider."""
    spans: dict[str, set[tuple[int, int]]] = {}
    for message in reader.messages("topics"):
        told = decode(message.data)
        if isinstance(told, Published):
            alarm = told.topic.removeprefix("hollowmere/alarm/")
            spans.setdefault(alarm, set()).add((message.first_ns - DELAY_NS, message.last_ns))
    return spans
