"""Truth: on real sockets, every bound contains the truth, and no verdict contradicts it.

Three simulated sites at once, 300 raises at random phases, with limits drawn at random around what the sites really do,
so that many lie close to the truth. The truth comes from the simulated site's own log; what a result should be is
worked out here from it, with nothing of the correlator.
"""

from __future__ import annotations

import asyncio
import sys
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any, Final

import pytest

from harness.core.instants import NS_PER_MS
from harness.core.links import LinkSpec, ModbusTcpLink, TextLink
from harness.core.model import Behaviour, Hold, Limits, Result, Site, Stimulus
from harness.core.places import ModbusPlace
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.engine import correlate, outlines_of, timed_by_reference
from harness.record.reader import RecordReader
from harness.results.evidence import evidence_of
from harness.results.steps import stimuli_of
from harness.run.order import Selection
from harness.run.testing import TestOptions, run_test
from harness.site.profiles import profiles_folder
from harness.site.reading import Documents, load_site
from sims import SimulatedSite, SiteOptions
from tests.peers.truth import Interval, holds, margins, true_intervals
from tests.peers.views import Undisturbed

SITES: Final = 3
RAISES: Final = 120
SEED: Final = 20261124
STAMPS_NS: Final = 2 * NS_PER_MS
"""What the truth log's own stamps leave open (before and after a change), and the relay behind them."""

OUTPUT_DELAY_NS: Final = 60 * NS_PER_MS
HOLD: Final = Hold(on_ns=60 * NS_PER_MS, off_ns=150 * NS_PER_MS, on_declared=True, off_declared=True)
"""True of these sites: nothing is cleared before its outputs, which are 60 ms late, have shown, and nothing is raised
before everything was off for the settle time."""


def varied(site: Site, sim: SimulatedSite, random: Random) -> Site:
    """The demo's site on a simulated site's ports, with random poll periods, and random limits around the truth."""
    ports = {"panel": sim.panel_port, "bms": sim.bms_port}
    links: dict[str, LinkSpec] = {}
    for name, link in site.links.items():
        if name not in ("panel", "bms", "printer"):
            continue  # every link at once: test_truth_all_links
        if isinstance(link, ModbusTcpLink):
            period = random.randrange(20, 50) * NS_PER_MS
            links[name] = replace(link, port=ports[name], poll_period_ns=period, requests_per_s_max=None)
        else:
            assert isinstance(link, TextLink)
            links[name] = replace(link, tcp_port=sim.printer_port, longest_delay_ns=40 * NS_PER_MS)
    rows = []
    for row in site.expectations:
        if row.behaviour is Behaviour.QUIET or site.points[row.point].link not in links:
            continue
        limits = Limits(
            appears_within_ns=random.choice([None, random.randrange(10, 200) * NS_PER_MS]),
            visible_for_ns=random.choice([None, random.randrange(50, 400) * NS_PER_MS]),
            gone_within_ns=random.choice([None, random.randrange(10, 200) * NS_PER_MS]),
            search_ns=400 * NS_PER_MS,
            settle_ns=250 * NS_PER_MS,
        )
        rows.append(replace(row, limits=limits))
    points = {name: replace(it, hold=HOLD) for name, it in site.points.items() if it.link in links}
    return replace(site, links=links, behind={}, points=points, expectations=tuple(rows))


def first_truth(
    entries: Sequence[Mapping[str, Any]], kind: str, after_ns: int, **wanted: Any
) -> tuple[int, int] | None:
    for entry in entries:
        if entry["kind"] == kind and all(entry[key] == value for key, value in wanted.items()):
            at = (entry["set_before_ns"], entry["set_after_ns"]) if "set_before_ns" in entry else (entry["at_ns"],) * 2
            if at[1] >= after_ns:
                return at
    return None


async def run_one(tmp_path: Path, number: int) -> tuple[Site, Path, list[dict[str, Any]]]:
    random = Random(SEED + number)
    options = SiteOptions(output_delay_ns=OUTPUT_DELAY_NS, printer_delay_ns=30 * NS_PER_MS, scan_ns=10 * NS_PER_MS,
                          heartbeat_ns=300 * NS_PER_MS)  # fmt: skip
    site, _ = load_site(profiles_folder() / "demo" / "site.yaml")
    async with SimulatedSite(options) as sim:
        mine = varied(site, sim, random)
        alarms = [name for name in mine.alarms if mine.expectations_of(name)]
        record = tmp_path / f"{number}.farend"
        test = TestOptions(
            record=record,
            selection=Selection(),
            arm=mine.name,
            reviews=None,
            who="test",
            seed=SEED + number,
            repeat=-(-RAISES // SITES // len(alarms)),
            command=(),
        )
        mine = replace(mine, alarms={n: replace(a, side_effects=()) for n, a in mine.alarms.items()})
        why = await run_test(
            mine, Documents(files={}, entry="site.yaml", point_map=""), test, time.monotonic_ns, Undisturbed()
        )
        assert why == ""
        return mine, record, list(sim.truth.entries)


@pytest.mark.usefixtures("known_beats")
@pytest.mark.timeout(400)
async def test_every_bound_contains_the_truth_and_no_verdict_contradicts_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    runs = await asyncio.gather(*(run_one(tmp_path, number) for number in range(SITES)))
    verdicts: Counter[str] = Counter()
    far = definite = raises = 0
    open_ones: list[str] = []
    for site, record, truth in runs:
        with RecordReader.open(record) as reader:
            start, end = reader.header.anchor.monotonic_ns, reader.last_ns
            stimuli = stimuli_of(reader.events(), site)
            evidence = evidence_of(reader, site, stimuli, start, end)
            polls = {block.id: reader.polls(block.id) for block in reader.blocks()}
        pairs = {
            (int(asked) + 1, int(told))
            for it in polls.values()
            for asked, told in zip(it.asked[:-1], it.told[1:], strict=True)
        }
        judgement = correlate(site, evidence)
        assert not judgement.failures_of_checkers, judgement.failures_of_checkers
        sketches = outlines_of(site, evidence)
        timed = timed_by_reference(site, stimuli, sketches)
        rows = {row.key: row for row in site.expectations}
        known = {name: true_intervals(truth, site, name) for name in {row.point for row in site.expectations}}
        raises += len(stimuli)
        for result in judgement.results:
            verdicts[result.verdict.value] += 1
            row, stimulus = rows[result.expectation], timed[result.stimulus]
            assert stimulus.timed_by, stimulus
            r = _true_step(truth, site, stimulus, 1)
            c = _true_step(truth, site, stimulus, 0)
            assert r is not None
            assert c is not None
            assert holds(stimulus.raised, r), (stimulus, r)
            assert stimulus.cleared is not None
            assert holds(stimulus.cleared, c), (stimulus, c)
            k = None
            if stimulus.acknowledged is not None:
                k = first_truth(truth, "stimulus", r[1], alarm=stimulus.alarm, action="acknowledge")
                assert k is not None
                assert holds(stimulus.acknowledged, k)
            latest = r[1] + row.limits.search_ns
            near = (it for it in known[row.point] if it.end is None or it.end[1] > r[0])
            own = next((it for it in near if it.begin[0] <= latest), None)
            _bounds_hold(result, own, r, pairs, site)
            s = None
            if stimulus.silenced is not None:
                s = first_truth(truth, "stimulus", r[1], alarm=stimulus.alarm, action="silence")
                assert s is not None
                assert holds(stimulus.silenced, s)
            left = margins(row, own, r[1], None if k is None else k[1], c[1], None if s is None else s[1])
            broken = [name for name, margin in left.items() if margin < -STAMPS_NS]
            met = all(margin > STAMPS_NS for margin in left.values())
            if result.verdict.verdict_class is VerdictClass.PASS:
                assert not broken, (result, left)
            if result.verdict.verdict_class is VerdictClass.FAIL:
                assert not met, (result, left)
            width = _width(result, stimulus)
            # An offence counts only when proven, so its absence needs no room around the limit.
            owed = [margin for name, margin in left.items() if name != "early" or margin < 0]
            # Where another alarm really held the shared point, no measurement, however fine, could tell whose it was.
            if result.verdict is not Verdict.MASKED and all(abs(margin) > width for margin in owed):
                far += 1
                definite += result.verdict.verdict_class is not VerdictClass.UNKNOWN
                if result.verdict.verdict_class is VerdictClass.UNKNOWN:
                    open_ones.append(f"{result.expectation} {result.verdict}: {result.reason}")
        assert not judgement.strays, judgement.strays
    unknown = sum(n for name, n in verdicts.items() if name in ("unresolved", "not-observed", "masked", "not-run"))
    total = sum(verdicts.values())
    with capsys.disabled():
        sys.stdout.write(f"\n{raises} raises, seed {SEED}: {dict(verdicts)}; unknown {unknown / total:.1%}; "
              f"further from every limit than the bounds are wide: {far}, definite {definite / far:.2%}\n")  # fmt: skip
    assert raises >= RAISES
    assert verdicts["on-time"]
    assert verdicts["late"]
    assert verdicts["stuck"]
    assert far > total // 4
    assert definite >= 0.99 * far, open_ones


def _true_step(
    truth: Sequence[Mapping[str, Any]], site: Site, stimulus: Stimulus, value: int
) -> tuple[int, int] | None:
    """When the reference point really came on (1), and went off after that (0)."""
    reference = site.alarms[stimulus.alarm].reference
    assert reference is not None
    for interval in true_intervals(truth, site, reference):
        if interval.begin[1] >= stimulus.raised.lo:
            return interval.begin if value else interval.end
    return None


def _bounds_hold(
    result: Result, own: Interval | None, r: tuple[int, int], pairs: set[tuple[int, int]], site: Site
) -> None:
    """Onset, end, latency and visible time contain the truth, and are no wider than one gap between polls."""
    if result.onset is None or own is None:
        return
    assert holds(result.onset, own.begin), (result, own)
    assert result.end is not None
    if own.end is not None:
        assert holds(result.end, own.end), (result, own)
    assert result.latency is not None
    true_latency = (max(0, own.begin[0] - r[1]), max(0, own.begin[1] - r[0]))
    assert result.latency.lo <= true_latency[1], (result, own, r)
    assert true_latency[0] <= result.latency.hi, (result, own, r)
    if isinstance(site.points[result.point].place, ModbusPlace):
        assert (result.onset.lo, result.onset.hi) in pairs, result
        if not result.end.is_open_above:
            assert (result.end.lo, result.end.hi) in pairs, result


def _width(result: Result, stimulus: Stimulus) -> int:
    """How far the truth must be from every limit for the verdict to be owed: what was asked of the measurement."""
    gap = result.widest_gap_ns or 0
    onset = gap if result.onset is None else result.onset.width
    end = gap if result.end is None or result.end.is_open_above else result.end.width
    steps = (stimulus.raised, stimulus.acknowledged, stimulus.cleared)
    return onset + end + max(step.width for step in steps if step is not None) + STAMPS_NS
