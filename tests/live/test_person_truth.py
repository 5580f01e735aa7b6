"""A person's eyes against the truth: bounds hold what really happened, and no verdict contradicts it.

The simulated annunciator, its face over TCP, a robot that looks at it and presses real keys on a real pseudo-terminal,
and a whole test on real sockets, all in virtual time. What a result should be is worked out from the simulated site's
own log, with nothing of the correlator.
"""

from __future__ import annotations

import asyncio
import os
import sys
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from harness.cli.keys import KeyClient, TerminalKeys
from harness.core.instants import NS_PER_MS, Bounds
from harness.core.model import Result, Stimulus
from harness.core.verdicts import Verdict, VerdictClass
from harness.results.judging import judge_record
from harness.run.gate import Reviews
from harness.run.order import Selection
from harness.run.testing import TestOptions, run_test
from harness.site.reading import gather, read_site
from sims import SimulatedSite, SiteOptions
from sims.alarms import BY_NAME
from sims.truth import Shown, shown
from tests.peers.annunciator_person import Habits, Robot
from tests.peers.views import Ignoring
from tests.peers.virtual_time import run

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals")

ALARMS = ("bulk-a.water", "bulk-b.water", "day.high", "bulk-a.temperature-high", "bulk-b.probe-fault")
LOCAL = ("printer.paper-low", "panel.battery-low")
"""Warnings, which move neither lamp nor horn."""
STAMPS_NS = 2 * NS_PER_MS
"""What the truth log's own stamps leave open, before and after a change."""

PASS, FAIL = VerdictClass.PASS, VerdictClass.FAIL


def site_file(
    folder: Path,
    port: int,
    limits: dict[str, str],
    *,
    in_sight: bool,
    least: str = "100 ms",
    quiet: tuple[str, ...] = (),
) -> Path:
    """A site of five alarms with lamp, horn and display; ``limits`` by sign: fields of its rows.

    ``quiet``: and of alarms that must move neither lamp nor horn.
    """
    sight = f"    reaction: {least} to 1 s\n" if in_sight else "    in sight: no\n"
    lines = [
        "site: lodge\ntitle: Lodge (invented)\ncontroller:\n  name: controller\n  firmware: '1'\n",
        f"links:\n  panel:\n    modbus-tcp: 127.0.0.1:{port}\n    numbering: reference\n    poll every: 100 ms\n",
        "    timeout: 500 ms\n    shortest on: 200 ms\n    shortest off: 200 ms\n",
        f"  door:\n    person: annunciator at the door\n{sight}",
        "stimulus:\n",
        *(
            f"  {step}: {{link: panel, holding register: 40901, values: [code, {number}]}}\n"
            for step, number in (("raise", 1), ("acknowledge", 3), ("clear", 4), ("reset", 5))
        ),
        "writable:\n  - {link: panel, holding register: 40901-40902, as left: may differ}\n",
        "defaults:\n  search: 8 s\n  settle: 1 s\nalarms:\n",
    ]
    for name in (*ALARMS, *quiet):
        spec = BY_NAME[name]
        lines.append(
            f"  {name}:\n    class: {spec.alarm_class.value}\n    priority: 1\n    text: {spec.text}\n"
            f"    code: {spec.number + 1}\n    reference: panel:{10001 + spec.number}\n    side effects: none\n"
        )
    lines.append("points:\n")
    for name in ALARMS:
        for sign, label, behaviour in (
            ("lamp", "ALARM", "latched"),
            ("horn", "SIREN", "until-acknowledged"),
            ("text", BY_NAME[name].text, "follows"),
        ):
            lines.append(
                f"  - {{alarm: {name}, link: door, sign: {sign}, label: {label}, behaviour: {behaviour}"
                f"{limits.get(sign, '')}}}\n"
            )
    lines += [
        f"  - {{alarm: {name}, link: door, sign: {sign}, label: {label}, behaviour: quiet, search: 3 s,\n"
        "     shortest leak: 1.2 s}\n"
        for name in quiet
        for sign, label in (("lamp", "ALARM"), ("horn", "SIREN"))
    ]
    path = folder / "site.yaml"
    path.write_text("".join(lines), encoding="utf-8")
    return path


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came out of one run, and the truth behind it."""

    results: tuple[Result, ...]
    stimuli: dict[str, Stimulus]
    truth: list[dict[str, Any]]
    limits: dict[str, tuple[int | None, int | None]]
    robot: Robot


def outcome_of(
    folder: Path,
    habits: Habits,
    *,
    seed: int,
    limits: dict[str, str],
    repeat: int = 1,
    in_sight: bool = True,
    quiet: tuple[str, ...] = (),
    defects: tuple[str, ...] = (),
) -> Outcome:
    """A whole test in virtual time."""
    folder.mkdir()
    hand, terminal = os.openpty()

    async def main() -> Outcome:
        clock = time.monotonic_ns  # virtual here
        async with SimulatedSite(
            SiteOptions(defects=defects, seed=seed, bus_port=None, bus_tap_port=None, scan_ns=50 * NS_PER_MS)
        ) as sim:
            documents = gather(site_file(folder, sim.panel_port, limits, in_sight=in_sight, quiet=quiet))
            site, _ = read_site(documents.files, documents.entry)
            client = KeyClient(TerminalKeys(terminal), clock, lambda: None, poll_s=0.05)
            robot = Robot(sim.annunciator_port, hand, client.lines, habits, seed)
            options = TestOptions(
                record=folder / "run.farend",
                selection=Selection(links=("door",)),
                arm=site.name,
                reviews=Reviews(by="test"),
                who="test",
                seed=seed,
                repeat=repeat,
                command=(),
            )
            looking = asyncio.create_task(robot.look())
            try:
                assert await run_test(site, documents, options, clock, Ignoring(), client.attend) == ""
            finally:
                looking.cancel()
                await asyncio.wait([looking])
            truth = list(sim.truth.entries)
        judged = judge_record(options.record)
        judged.reader.close()
        limits_ns = {row.key: (row.limits.appears_within_ns, row.limits.gone_within_ns) for row in site.expectations}
        return Outcome(
            results=judged.judgement.results,
            stimuli={it.id: it for it in judged.evidence.stimuli},
            truth=truth,
            limits=limits_ns,
            robot=robot,
        )

    try:
        return run(main)
    finally:
        os.close(hand)
        os.close(terminal)


def place_of(result: Result) -> tuple[str, str]:
    """Place and signal of a result's point in the truth log."""
    if " text " in f" {result.point.partition(':')[2]}":
        return "annunciator.display", result.alarm
    return "annunciator", "lamp" if ":lamp " in result.point else "horn"


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What really happened at one point after one raise: latency, and how long after its release it was gone."""

    onset: Bounds | None
    latency_ns: int | None
    gone_ns: int | None


def truth_of(outcome: Outcome, result: Result) -> Truth:
    """From the simulated site's log: the first time shown after this raise and before the next."""
    mine = outcome.stimuli[result.stimulus]
    raises = [entry["at_ns"] for entry in outcome.truth if entry["kind"] == "stimulus" and entry["action"] == "raise"]
    raised = next(at for at in raises if mine.raised.lo - STAMPS_NS <= at <= mine.raised.hi + STAMPS_NS)
    until = min((at for at in raises if at > raised), default=10**30)
    times: list[Shown] = [
        it for it in shown(outcome.truth, *place_of(result)) if raised <= it.appeared.after_ns < until
    ]
    if not times:
        return Truth(onset=None, latency_ns=None, gone_ns=None)
    done = {
        name: next(
            (entry["at_ns"] for entry in outcome.truth
             if entry["kind"] == "stimulus" and entry["action"] == name and raised < entry["at_ns"] < until),
            None,
        )
        for name in ("acknowledge", "clear")
    }  # fmt: skip
    behaviour = {"lamp": ("acknowledge", "clear"), "horn": ("acknowledge",)}.get(place_of(result)[1], ("clear",))
    release = max(at for name in behaviour if (at := done[name]) is not None)
    gone = times[0].gone
    return Truth(
        onset=Bounds(times[0].appeared.before_ns, times[0].appeared.after_ns),
        latency_ns=times[0].appeared.after_ns - raised,
        gone_ns=None if gone is None else gone.after_ns - release,
    )


def onsets_of(outcome: Outcome, result: Result) -> list[Bounds]:
    """Every time at which the point of a result really came on."""
    return [Bounds(it.appeared.before_ns, it.appeared.after_ns) for it in shown(outcome.truth, *place_of(result))]


def check(outcome: Outcome, counted: Counter[str]) -> None:
    """Bounds hold the truth; nothing passes that broke a limit, nothing fails that met them all."""
    for result in outcome.results:
        truth = truth_of(outcome, result)
        within, gone = outcome.limits[result.expectation]
        shown_text = f"{result}\n{truth}\n{outcome.stimuli[result.stimulus]}"
        counted[str(result.verdict)] += 1
        if result.onset is not None and truth.onset is not None and result.verdict is not Verdict.CROSSED:
            wide = Bounds(result.onset.lo - STAMPS_NS, result.onset.hi + STAMPS_NS)
            # An unknown may name what another alarm did at the shared sign; it really did, within these bounds.
            is_known = result.verdict.verdict_class is not VerdictClass.UNKNOWN
            assert any(wide.touches(it) for it in ([truth.onset] if is_known else onsets_of(outcome, result))), (
                shown_text
            )
        broken = (
            truth.latency_ns is None
            or (within is not None and truth.latency_ns > within + STAMPS_NS)
            or (gone is not None and (truth.gone_ns is None or truth.gone_ns > gone + STAMPS_NS))
        )
        met = (
            truth.latency_ns is not None
            and (within is None or truth.latency_ns < within - STAMPS_NS)
            and (gone is None or (truth.gone_ns is not None and truth.gone_ns < gone - STAMPS_NS))
        )
        if result.verdict.verdict_class is PASS:
            assert not broken, shown_text
        if result.verdict.verdict_class is FAIL:
            assert not met, shown_text


HABITS = Habits(least_s=0.15, most_s=0.95)
CLUMSY = Habits(least_s=0.15, most_s=0.95, wrong_key=0.15, overlooks=0.1, silent=0.05)
LIMITS: tuple[dict[str, str], ...] = (
    {},
    {"lamp": ", appears within: 400 ms", "horn": ", appears within: 2 s, gone within: 3 s"},
    {"lamp": ", appears within: 1.2 s", "text": ", appears within: 1 s, gone within: 900 ms"},
    {"horn": ", appears within: 120 ms", "text": ", appears within: 3 s, gone within: 4 s"},
)

DEFECTS: tuple[tuple[str, ...], ...] = (
    ("never-appears:day.high@annunciator.display",),
    ("late:bulk-b.water@annunciator.display=1500ms", "never-appears:lamp@annunciator"),
    ("stuck:bulk-a.water@annunciator.display", "late:horn@annunciator=2500ms"),
    ("too-short:bulk-b.probe-fault@annunciator.display=600ms", "unlatched:lamp@annunciator"),
    ("swapped-pair:bulk-a.water@annunciator.display=day.high", "never-appears:horn@annunciator"),
)


def test_over_a_hundred_signs_seen_by_a_steady_person(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A healthy annunciator and limits that are met by far: all is definite, and all passes."""
    counted: Counter[str] = Counter()
    limits = dict.fromkeys(("lamp", "horn", "text"), ", appears within: 3 s, gone within: 4 s")
    outcome = outcome_of(tmp_path / "run", HABITS, seed=1, limits=limits, repeat=8)
    check(outcome, counted)
    with capsys.disabled():
        sys.stdout.write(f"\nsteady: {dict(counted)}, {outcome.robot.pressed} keys\n")
    assert counted == {"on-time": 120}
    widths = [it.latency.width for it in outcome.results if it.latency is not None]
    assert max(widths) <= 900 * NS_PER_MS + 220 * NS_PER_MS, "no wider than reaction, key, and the reference point"
    assert min(widths) >= 100 * NS_PER_MS


@pytest.mark.parametrize("limits", LIMITS, ids=lambda it: ", ".join(it) or "none")
def test_limits_close_to_the_truth_are_never_judged_wrongly(
    limits: dict[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Limits inside and outside the bounds, and defects of lamp, horn and display; nothing contradicts the truth."""
    counted: Counter[str] = Counter()
    for number, defects in enumerate(DEFECTS):
        outcome = outcome_of(tmp_path / str(number), HABITS, seed=number, limits=limits, repeat=1, defects=defects)
        check(outcome, counted)
    with capsys.disabled():
        sys.stdout.write(f"\n{limits}: {dict(counted)}\n")
    assert counted["missed"] > 0
    assert counted["on-time"] + counted["appeared"] > 0


def test_a_person_who_errs_overlooks_and_falls_silent_makes_no_verdict_wrong(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Wrong keys taken back, changes that are only reported when asked, questions left unanswered."""
    counted: Counter[str] = Counter()
    undone = 0
    for number, limits in enumerate(LIMITS):
        outcome = outcome_of(tmp_path / str(number), CLUMSY, seed=10 + number, limits=limits, repeat=2)
        check(outcome, counted)
        undone += outcome.robot.undone
    with capsys.disabled():
        sys.stdout.write(f"\nclumsy: {dict(counted)}, {undone} taken back\n")
    assert undone > 12
    assert counted["on-time"] + counted["appeared"] > 20


def test_out_of_sight_seen_is_a_pass_of_appeared_and_never_of_a_time_limit(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Raise, hold, walk, report. The robot takes a while to walk; one alarm never shows on the display."""
    counted: Counter[str] = Counter()
    walking = Habits(least_s=4.0, most_s=9.0, walks=True)
    limits = {"horn": ", appears within: 3 s", "lamp": ", gone within: 20 min"}
    outcome = outcome_of(
        tmp_path / "run", walking, seed=3, limits=limits, repeat=1, in_sight=False,
        defects=("never-appears:day.high@annunciator.display",),
    )  # fmt: skip
    check(outcome, counted)
    by_sign: dict[str, Counter[str]] = {"lamp": Counter(), "horn": Counter(), "display": Counter()}
    for result in outcome.results:
        sign = place_of(result)[1] if place_of(result)[0] == "annunciator" else "display"
        by_sign[sign][str(result.verdict)] += 1
        assert result.latency is None
        if result.verdict is Verdict.APPEARED:
            assert result.reason.startswith("seen, time not measured")
    with capsys.disabled():
        sys.stdout.write(f"\nout of sight: { {sign: dict(found) for sign, found in by_sign.items()} }\n")
    assert by_sign["display"] == {"appeared": 4, "missed": 1}
    assert set(by_sign["horn"]) | set(by_sign["lamp"]) <= {"unresolved", "masked"}


@pytest.mark.parametrize("loud", ["", "day.low"], ids=["healthy", "leaking"])
def test_what_stayed_dark_is_proven_by_who_kept_looking(
    loud: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Warnings that must stay local: watched from before the raise to the end of the window, then one key."""
    counted: Counter[str] = Counter()
    quiet = (*LOCAL, loud) if loud else LOCAL
    late = (
        ("late:lamp@annunciator=1500ms", "late:horn@annunciator=1500ms") if loud else ()
    )  # after the raise for certain
    outcome = outcome_of(tmp_path / "run", HABITS, seed=5, limits={}, repeat=2, quiet=quiet, defects=late)
    for result in outcome.results:
        if result.alarm in quiet:
            reacted = truth_of(outcome, result).onset is not None
            counted[f"{result.verdict} {'reacted' if reacted else 'dark'}"] += 1
    with capsys.disabled():
        sys.stdout.write(f"\nquiet: {dict(counted)}\n")
    assert counted == {"quiet dark": 8} | ({"leaked reacted": 4} if loud else {})
