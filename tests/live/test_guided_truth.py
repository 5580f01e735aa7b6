"""A person's steps against the truth: their bounds hold what was really done, and no verdict contradicts it.

The simulated site, a robot that works its panel and presses the keys of a guide, and a guided test on real sockets,
all in virtual time. What a result should be is worked out from the simulated site's own log.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import pytest

from harness.core.instants import NS_PER_MS
from harness.core.model import Behaviour, Expectation, Result, Step, Stimulus
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.engine import outlines_of, timed_by_reference
from harness.record.found import Event
from harness.results.judging import judge_record
from harness.run.gate import Reviews
from harness.run.guide import Guide
from harness.run.order import Selection
from harness.run.testing import TestOptions, run_test
from harness.site.reading import gather, read_site
from sims import SimulatedSite, SiteOptions
from sims.alarms import BY_NAME
from sims.truth import shown
from tests.live.test_person_truth import STAMPS_NS
from tests.peers.guided_person import GuidedPerson, Ways
from tests.peers.views import Ignoring
from tests.peers.virtual_time import run

TIMED = ("bulk-a.low", "bulk-b.water", "day.high")
"""Alarms with a reference point."""
UNTIMED = ("bulk-a.water", "bulk-b.low", "day.low")
ALARMS = tuple(name for pair in zip(TIMED, UNTIMED, strict=True) for name in pair)
WITHIN_S = 0.6
SCAN_NS = 50 * NS_PER_MS
"""The controller obeys, and its reference points show it, at most so long after the test block took it."""
PASS, FAIL = VerdictClass.PASS, VerdictClass.FAIL


def site_file(folder: Path, panel: int, bms: int, limits: str) -> Path:
    """Six alarms at three outputs each; every other alarm has a reference point."""
    lines = [
        "site: lodge\ntitle: Lodge (invented)\ncontroller:\n  name: controller\n  firmware: '1'\nlinks:\n",
        *(
            f"  {name}: {{modbus-tcp: '127.0.0.1:{port}', numbering: reference, poll every: {poll}, timeout: 500 ms,\n"
            "    shortest on: 200 ms, shortest off: 200 ms}\n"
            for name, port, poll in (("panel", panel, "50 ms"), ("bms", bms, "100 ms"))
        ),
        f"stimulus:\n  key within: {round(WITHIN_S * 1000)} ms\n",
        f"defaults: {{search: 4 s, settle: 600 ms{limits}}}\nalarms:\n",
    ]
    for name in ALARMS:
        spec = BY_NAME[name]
        reference = f"    reference: panel:{10001 + spec.number}\n" if name in TIMED else ""
        lines.append(f"  {name}:\n    text: {spec.text}\n    side effects: none\n{reference}")
    lines.append("points:\n")
    for name in ALARMS:
        number = BY_NAME[name].number
        lines += [
            f"  - {{alarm: {name}, link: bms, address: '{address}', behaviour: {behaviour}}}\n"
            for address, behaviour in (
                (10001 + number, "follows"),
                ("00001", "until-acknowledged"),
                (f"40101.{number}", "latched"),
            )
        ]
    path = folder / "site.yaml"
    path.write_text("".join(lines), encoding="utf-8")
    return path


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came out of one run, and the truth behind it."""

    results: tuple[Result, ...]
    stimuli: dict[str, Stimulus]
    timed: dict[str, Stimulus]
    rows: dict[str, Expectation]
    events: tuple[Event, ...]
    truth: list[dict[str, Any]]
    person: GuidedPerson
    why: str


def outcome_of(
    folder: Path,
    ways: Ways,
    *,
    seed: int,
    limits: str = "",
    repeat: int = 1,
    defects: tuple[str, ...] = (),
    only: tuple[str, ...] = (),
    raises: Callable[[str], str] = lambda alarm: alarm,
) -> Outcome:
    """A whole guided test in virtual time."""
    folder.mkdir()

    async def main() -> Outcome:
        clock = time.monotonic_ns  # virtual here
        async with SimulatedSite(
            SiteOptions(defects=defects, seed=seed, bus_port=None, bus_tap_port=None, scan_ns=SCAN_NS)
        ) as sim:
            documents = gather(site_file(folder, sim.panel_port, sim.bms_port, limits))
            site, _ = read_site(documents.files, documents.entry)
            guide = Guide(clock)
            person = GuidedPerson(guide, sim, clock, Random(seed), ways, raises=raises)
            options = TestOptions(
                record=folder / "run.farend",
                selection=Selection(links=("bms",), only=only),
                arm=None,
                guided=True,
                reviews=Reviews(by="test"),
                who="test",
                seed=seed,
                repeat=repeat,
                command=(),
            )
            why = await run_test(site, documents, options, clock, Ignoring(), person.attend, guide=guide)
            truth = list(sim.truth.entries)
        judged = judge_record(options.record)
        events = tuple(judged.reader.events())
        sketches = outlines_of(judged.site, judged.evidence)
        judged.reader.close()
        return Outcome(
            results=judged.judgement.results,
            stimuli={it.id: it for it in judged.evidence.stimuli},
            timed=timed_by_reference(judged.site, judged.evidence.stimuli, sketches),
            rows={row.key: row for row in site.expectations},
            events=events,
            truth=truth,
            person=person,
            why=why,
        )

    return run(main)


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What was really done for one stimulus: by step, when; and when the next one was raised."""

    at_ns: dict[Step, int]
    until_ns: int


def done_of(outcome: Outcome) -> dict[str, Done]:
    """By stimulus. The robot does what it is asked, in its order, so that raises and stimuli pair off."""
    acts = [entry for entry in outcome.truth if entry["kind"] == "stimulus"]
    raises = [entry["at_ns"] for entry in acts if entry["action"] == "raise"]
    assert len(raises) == len(outcome.stimuli)
    found = {}
    for number, (name, at) in enumerate(zip(outcome.stimuli, raises, strict=True)):
        until = raises[number + 1] if number + 1 < len(raises) else 10**30
        mine = [it for it in acts if at <= it["at_ns"] < until]
        assert {it["alarm"] for it in mine} == {outcome.stimuli[name].alarm}
        steps = {step: [it["at_ns"] for it in mine if it["action"] == step.value] for step in Step}
        found[name] = Done(at_ns={step: times[0] for step, times in steps.items() if times}, until_ns=until)
    return found


def check_steps(outcome: Outcome) -> None:
    """Every step lies within its bounds."""
    done = done_of(outcome)
    for name, stimulus in (*outcome.stimuli.items(), *outcome.timed.items()):
        obeyed_ns = SCAN_NS if stimulus.timed_by else 0
        steps = {
            Step.RAISE: stimulus.raised,
            Step.SILENCE: stimulus.silenced,
            Step.ACKNOWLEDGE: stimulus.acknowledged,
            Step.CLEAR: stimulus.cleared,
            Step.RESET: stimulus.reset,
        }
        for step, at_ns in done[name].at_ns.items():
            bounds = steps[step]
            assert bounds is not None, (step, stimulus)
            assert bounds.lo - obeyed_ns - STAMPS_NS <= at_ns <= bounds.hi + STAMPS_NS, (step, at_ns, stimulus)


def place_of(row: Expectation) -> tuple[str, str]:
    match row.behaviour:
        case Behaviour.FOLLOWS:
            return "bms", row.alarm
        case Behaviour.UNTIL_ACKNOWLEDGED:
            return "bms.horn", "horn"
        case _:
            return "bms.latched", row.alarm


def check_results(outcome: Outcome, counted: Counter[str]) -> None:
    """Nothing passes that broke a limit, nothing fails that met them all."""
    done = done_of(outcome)
    for result in outcome.results:
        row, mine = outcome.rows[result.expectation], done[result.stimulus]
        raised = mine.at_ns[Step.RAISE]
        release = max(
            mine.at_ns[step]
            for step in {
                Behaviour.FOLLOWS: (Step.CLEAR,),
                Behaviour.UNTIL_ACKNOWLEDGED: (Step.ACKNOWLEDGE,),
                Behaviour.LATCHED: (Step.ACKNOWLEDGE, Step.CLEAR),
            }[row.behaviour]
        )
        times = [it for it in shown(outcome.truth, *place_of(row)) if raised <= it.appeared.after_ns < mine.until_ns]
        latency = times[0].appeared.after_ns - raised if times else None
        gone = times[0].gone.after_ns - release if times and times[0].gone is not None else None
        counted[str(result.verdict)] += 1
        told = f"{result}\n{outcome.stimuli[result.stimulus]}\n{mine}\n{times}"
        checks = [(latency, row.limits.appears_within_ns), (gone, row.limits.gone_within_ns)]
        if result.verdict.verdict_class is PASS:
            assert latency is not None, told
            for value, limit in checks:
                assert limit is None or (value is not None and value <= limit + STAMPS_NS), told
        if result.verdict.verdict_class is FAIL:
            assert any(
                value is None or (limit is not None and value >= limit - STAMPS_NS) for value, limit in checks
            ) or (gone is not None and gone < 0), told


STEADY = Ways(within_s=WITHIN_S)
HASTY = Ways(within_s=WITHIN_S, late=0.1, early=0.25, just_before=0.35, twice=0.3)
LIMITS = ("", ", appears within: 1 s, gone within: 1 s", ", appears within: 1.4 s, gone within: 1.5 s")
DEFECTS: tuple[tuple[str, ...], ...] = (
    (),
    ("late:bulk-a.low@bms=900ms", "late:bulk-a.water@bms=900ms", "stuck:day.low@bms"),
    ("late:bulk-b.water@bms=1300ms", "late:bulk-b.low@bms=1300ms", "late:horn@bms.horn=700ms"),
    ("never-appears:day.high@bms", "never-appears:day.low@bms", "unlatched:bulk-b.low@bms.latched"),
)


def test_a_steady_person_at_a_healthy_site_sees_everything_pass(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With limits that are met by far, whatever the key leaves open."""
    counted: Counter[str] = Counter()
    outcome = outcome_of(tmp_path / "run", STEADY, seed=1, limits=", appears within: 2 s, gone within: 2 s")
    check_steps(outcome)
    check_results(outcome, counted)
    with capsys.disabled():
        sys.stdout.write(f"\nsteady: {dict(counted)}\n")
    assert outcome.why == ""
    assert counted == {"on-time": 18}
    for stimulus in outcome.timed.values():
        assert bool(stimulus.timed_by) is (stimulus.alarm in TIMED)
        widest = 120 * NS_PER_MS if stimulus.timed_by else round((WITHIN_S + 0.1) * 1e9)
        assert stimulus.raised.width <= widest


def test_keys_early_late_and_twice_make_no_verdict_wrong(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Limits inside and outside the bounds, defects of every output, with a reference point and without."""
    counted: Counter[str] = Counter()
    ways: Counter[str] = Counter()
    for number, defects in enumerate(DEFECTS):
        limits = LIMITS[number % len(LIMITS)]
        outcome = outcome_of(tmp_path / str(number), HASTY, seed=number, limits=limits, defects=defects)
        assert outcome.why == ""
        check_steps(outcome)
        check_results(outcome, counted)
        ways += outcome.person.counted
    with capsys.disabled():
        sys.stdout.write(f"\nhasty: {dict(counted)}, {dict(ways)}\n")
    assert counted["on-time"] + counted["appeared"] > 30
    assert counted["missed"] >= 2
    assert sum(ways.values()) > 8


def test_a_late_key_that_an_output_contradicts_is_taken_for_a_late_key(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nobody says that the keys came late; what the outputs did before says it."""
    counted: Counter[str] = Counter()
    ways = Ways(within_s=WITHIN_S, silent_late=0.7)
    outcome = outcome_of(tmp_path / "run", ways, seed=3, limits=LIMITS[2])
    check_results(outcome, counted)
    late = [it for it in outcome.events if it.kind == "step" and "its key came late" in str(it.data["note"])]
    with capsys.disabled():
        sys.stdout.write(f"\nsilently late: {dict(counted)}, {len(late)} seen\n")
    assert len(late) > 2
    assert counted["brief"] == 0


def test_another_alarm_than_was_asked_for_proves_nothing_of_that_one(tmp_path: Path) -> None:
    """Its points come on and nothing explains them: the run pauses, has it cleared, and goes on."""
    asked = ("bulk-a.low", "bulk-a.water")
    outcome = outcome_of(tmp_path / "run", STEADY, seed=5, only=asked, raises=lambda _: "day.low")
    assert outcome.why == ""
    verdicts = {(it.alarm, outcome.rows[it.expectation].behaviour): it.verdict for it in outcome.results}
    for alarm, verdict in ((asked[0], Verdict.NOT_RUN), (asked[1], Verdict.CROSSED)):
        assert verdicts[alarm, Behaviour.FOLLOWS] is verdict, "its reference point denies it, or its own point does"
        assert verdicts[alarm, Behaviour.LATCHED].verdict_class is not PASS
    interrupted = [it.data["why"] for it in outcome.events if it.kind == "interrupted"]
    assert interrupted == ["unexplained", "unexplained"]
    assert all(it.data["gone"] for it in outcome.events if it.kind == "unexplained")


def test_what_is_done_without_being_asked_is_a_step_too(tmp_path: Path) -> None:
    """A silence where no row is released by silence: it is in the record, with its bounds."""
    outcome = outcome_of(tmp_path / "run", Ways(within_s=WITHIN_S, silences=True), seed=6, only=("bulk-a.water",))
    (stimulus,) = outcome.stimuli.values()
    assert stimulus.silenced is not None
    check_steps(outcome)
