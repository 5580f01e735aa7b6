"""When raises fall, by whole armed runs in virtual time: each spread over the slowest poll on its own way."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import LinkSpec, ModbusTcpLink
from harness.core.model import Site
from harness.measure.phase_lock import Locking, phase_lock
from harness.measure.sequential import Decision
from harness.measure.trials import Asked
from harness.report.measured import Measured
from harness.results.judging import judge_record
from harness.run.order import Selection, plan_of
from harness.run.session import SiteSession
from harness.run.spread import SEEN_MAX_NS, SINGLE_MAX_NS, Spread
from harness.run.testing import TestOptions, run_test
from harness.run.trials import Claim
from harness.site.profiles import profiles_folder
from harness.site.reading import Documents, gather, read_site
from harness.studies.measuring import measured
from sims import SimulatedSite, SiteOptions
from tests.peers.safety_runs import Seen
from tests.peers.virtual_time import run

BEAT_NS = 2 * NS_PER_S
"""How often the simulated gateway polls the building system."""
SLOW, QUICK = "bulk-a.water", "day.low"
"""The one is looked at on the gateway, the other one on what the gateway polls."""
ROWS = frozenset({f"{SLOW}@gateway:10005", f"{QUICK}@bms:10015"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Raised:
    """One raise: ``at_ns`` on the clock of the run, ``waited_ns`` from when it was asked for."""

    alarm: str
    at_ns: int
    waited_ns: int


def site_of(ports: Mapping[str, int], declared_ns: int | None) -> tuple[Site, Documents]:
    """The demo's, of whose gateway that poll is declared; nothing else that acts or takes time."""
    documents = gather(profiles_folder() / "demo" / "site.yaml")
    demo, _ = read_site(documents.files, documents.entry)
    links: dict[str, LinkSpec] = dict(demo.links)
    for name, port in ports.items():
        spec = demo.links[name]
        assert isinstance(spec, ModbusTcpLink)
        links[name] = replace(spec, port=port, poll_period_ns=100 * NS_PER_MS, timeout_ns=10 * NS_PER_S)
    alarms = {name: replace(alarm, side_effects=()) for name, alarm in demo.alarms.items()}
    times = {**demo.times, "gateway": replace(demo.times_of("gateway"), device_poll_ns=declared_ns)}
    return replace(demo, links=links, alarms=alarms, times=times), documents


def declaring(documents: Documents, declared_ns: int | None) -> Documents:
    """The site file for the record, which is judged by it, with the same poll of the gateway declared."""
    entry = documents.entry
    text = documents.files[entry].decode()
    line = next(it for it in text.splitlines() if "device polls every: " in it)
    new = "" if declared_ns is None else f"    device polls every: {declared_ns // NS_PER_MS} ms"
    return replace(documents, files={**documents.files, entry: text.replace(line, new).encode()})


def simulated(gateway_poll_ns: int = BEAT_NS) -> SimulatedSite:
    options = SiteOptions(
        gateway_port=0, gateway_poll_ns=gateway_poll_ns, bus_port=None, bus_tap_port=None, annunciator_port=None
    )
    return SimulatedSite(options)


def raises_of(path: Path, declared_ns: int | None, *, seed: int = 1, repeat: int = 1) -> tuple[list[Raised], float]:
    """A whole test; its raises, and how long it took from the first to the end, in seconds."""
    seen = Seen()

    async def test() -> None:
        async with simulated() as sim:
            ports = {"panel": sim.panel_port, "bms": sim.bms_port, "gateway": sim.gateway_port}
            site, documents = site_of(ports, declared_ns)
            options = TestOptions(
                record=path,
                selection=Selection(keys=ROWS),
                arm=site.name,
                reviews=None,
                who="test",
                seed=seed,
                repeat=repeat,
                command=(),
            )
            assert await run_test(site, documents, options, time.monotonic_ns, seen) == ""

    run(test)
    ready = [round(at * NS_PER_S) for at, text in seen.phases if text == "waiting until its outputs are normal"]
    go = [round(at * NS_PER_S) for at, text in seen.phases if text.endswith("ready to be raised")]
    judged = judge_record(path)
    judged.reader.close()
    stimuli = sorted(judged.evidence.stimuli, key=lambda it: it.raised.lo)
    assert len(stimuli) == len(go) == len(ready) == 2 * repeat
    found = [
        Raised(alarm=it.alarm, at_ns=it.raised.lo, waited_ns=gone - began)
        for it, began, gone in zip(stimuli, ready, go, strict=True)
    ]
    return found, seen.phases[-1][0] - ready[0] / NS_PER_S


def raise_transients(
    path: Path, real_ns: int, declared_ns: int | None, claim: Claim | None, *, repeat: int, seed: int = 2
) -> None:
    """An alarm that clears by itself, seen behind a gateway with a beat of its own."""

    async def test() -> None:
        async with simulated(real_ns) as sim:
            ports = {"panel": sim.panel_port, "bms": sim.bms_port, "gateway": sim.gateway_port}
            site, documents = site_of(ports, declared_ns)
            documents = declaring(documents, declared_ns)
            options = TestOptions(
                record=path,
                selection=Selection(only=("fill-sump.splash",), links=("gateway",)),
                arm=site.name,
                reviews=None,
                who="test",
                seed=seed,
                repeat=repeat,
                claim=claim,
                command=(),
            )
            assert await run_test(site, documents, options, time.monotonic_ns, Seen()) == ""

    run(test)


def phases_of(raised: list[Raised], alarm: str) -> list[float]:
    return [it.at_ns % BEAT_NS / BEAT_NS for it in raised if it.alarm == alarm]


def waited_of(raised: list[Raised], alarm: str) -> list[int]:
    return [it.waited_ns for it in raised if it.alarm == alarm]


def test_in_a_repeated_plan_each_alarm_is_spread_over_the_slowest_poll_on_its_own_way(tmp_path: Path) -> None:
    raised, took_s = raises_of(tmp_path / "a.farend", BEAT_NS, repeat=12)
    assert phase_lock(phases_of(raised, SLOW)).finding is Locking.NOT_SHOWN
    assert max(waited_of(raised, SLOW)) > BEAT_NS // 2
    assert max(waited_of(raised, QUICK)) < BEAT_NS, "it does not wait for the other one's gateway"
    site, _ = site_of({}, BEAT_NS)
    spread = Spread(site, repeat=12)
    told_s = 12 * sum(spread.usual_ns(it) for it in plan_of(site, Selection(keys=ROWS))) / NS_PER_S
    assert told_s == pytest.approx(took_s, rel=0.25), "how long it takes, as it is told before"


@pytest.mark.parametrize("declared_ns", [None, BEAT_NS // 4])
def test_a_beat_that_nobody_declared_or_declared_too_short_is_not_met_in_step(
    declared_ns: int | None, tmp_path: Path
) -> None:
    raised, _ = raises_of(tmp_path / "a.farend", declared_ns, repeat=12)
    assert phase_lock(phases_of(raised, SLOW)).finding is Locking.NOT_SHOWN


def test_without_the_wait_for_what_was_seen_a_beat_that_nobody_declared_is_met_in_step(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the test above would find."""
    monkeypatch.setattr("harness.run.spread.SEEN_TIMES", 0)
    monkeypatch.setattr("harness.run.spread.UNDECLARED_NS", 0)
    raised, _ = raises_of(tmp_path / "a.farend", None, repeat=12)
    assert phase_lock(phases_of(raised, SLOW)).finding is Locking.LOCKED


def measured_of(path: Path, asked: Asked) -> Measured:
    judged = judge_record(path)
    try:
        return measured([judged], asked)
    finally:
        judged.reader.close()


@pytest.mark.parametrize(("real_ms", "declared_ms"), [(1400, None), (500, 500)])
def test_no_claim_is_proven_where_it_is_not_declared_how_often_a_device_polls(
    real_ms: int, declared_ms: int | None, tmp_path: Path
) -> None:
    """So low a claim that one trial decides it, of a transient of 0.8 s: a poll every 1.4 s meets 57 % of them."""
    declared_ns = None if declared_ms is None else declared_ms * NS_PER_MS
    claim = Claim(share=0.04, trials_max=14)
    raise_transients(tmp_path / "a.farend", real_ms * NS_PER_MS, declared_ns, claim, repeat=14)
    told = measured_of(tmp_path / "a.farend", Asked()).claims
    assert len(told) == 2
    for one in told:
        assert one.decided.decision is Decision.PROVEN, "by the rule alone"
        assert (one.decision is Decision.PROVEN) == (declared_ms is not None)
        assert ("not declared" in " ".join(one.unproven)) == (declared_ms is None)


@pytest.mark.parametrize("real_ms", [500, 1500])
def test_nothing_is_proven_where_what_was_seen_does_not_fit_what_is_declared(real_ms: int, tmp_path: Path) -> None:
    raise_transients(tmp_path / "a.farend", real_ms * NS_PER_MS, 500 * NS_PER_MS, None, repeat=14)
    (one, _) = measured_of(tmp_path / "a.farend", Asked(share=0.5, confidence=0.8)).rows
    assert one.longest is None or real_ms == 500
    assert bool(one.row.unproven) == (real_ms != 500)
    assert ("does not fit the times that are declared" in " ".join(one.row.unproven)) == (real_ms != 500)


def test_a_single_test_is_spread_over_five_seconds_at_the_most_and_alike_from_one_seed(tmp_path: Path) -> None:
    found = {}
    for name, seed in (("first", 1), ("again", 1), ("other", 2)):
        raised, _ = raises_of(tmp_path / f"{name}.farend", 60 * NS_PER_S, seed=seed)
        (found[name],) = waited_of(raised, SLOW)
        assert found[name] <= SINGLE_MAX_NS + 300 * NS_PER_MS
        assert max(waited_of(raised, QUICK)) < 300 * NS_PER_MS
    assert found["again"] == pytest.approx(found["first"], abs=50 * NS_PER_MS)
    assert found["other"] != pytest.approx(found["first"], abs=50 * NS_PER_MS)


def test_what_a_program_raises_again_is_spread_over_the_whole_poll_and_its_first_raise_is_not(tmp_path: Path) -> None:
    """The two are measured together: one record holds them both."""
    waited = []

    async def program() -> None:
        async with simulated() as sim:
            ports = {"panel": sim.panel_port, "bms": sim.bms_port, "gateway": sim.gateway_port}
            site, documents = site_of(ports, 20 * NS_PER_S)
            options = TestOptions(
                record=tmp_path / "a.farend",
                selection=Selection(keys=ROWS),
                arm=site.name,
                reviews=None,
                who="test",
                seed=1,
                command=(),
            )
            session = SiteSession(site, documents, options, time.monotonic_ns)
            await session.open()
            for number in range(5):
                session.begin(f"test {number}")
                asked = time.monotonic_ns()
                raised = await session.raise_alarm(SLOW)
                waited.append(raised.at.lo - asked)
                await session.end(is_stopped=False)
            assert await session.close() == ""

    run(program)
    first, *later = waited
    assert first <= SINGLE_MAX_NS + 5 * NS_PER_S, "with the wait before the first raise of an armed run"
    assert max(later) > 2 * SINGLE_MAX_NS
    assert max(later) <= 21 * NS_PER_S + SEEN_MAX_NS
