"""Late behind a hop, or along with another alarm: the first cause is what the device read, or that it came along."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.core.model import Cause, Judgement, Limits
from harness.core.verdicts import Verdict
from harness.correlate.engine import correlate
from tests.peers.trace_bench import MS, Bench, one

LIMITS = Limits(appears_within_ns=1000 * MS, gone_within_ns=1000 * MS, search_ns=1500 * MS, settle_ns=400 * MS)


def plant(*, brings: bool = False) -> Bench:
    """Alarms a0 and a1 at a point of their own on link bms, and at the same place of link gw behind it."""
    bench = Bench()
    bench.alarm("a0")
    bench.alarm("a1", brings=("a0",) if brings else ())
    for number, name in enumerate(("a0", "a1")):
        for link in ("bms", "gw"):
            bench.input(f"{link}.{name}", number, link=link)
            bench.row(name, f"{link}.{name}", limits=LIMITS)
    return bench


def judge(bench: Bench) -> Judgement:
    judgement = correlate(replace(bench.site(), behind={"gw": "bms"}), bench.evidence())
    assert not judgement.failures_of_checkers
    return judgement


def cause_at(judgement: Judgement, expectation: str) -> Cause:
    (cause,) = one(judgement, expectation).causes
    return cause


def test_missed_behind_a_hop_and_on_too_late_is_first_of_all_what_the_device_before_did() -> None:
    bench = plant()
    bench.raised("a0", 1000, clear=3000)
    bench.on("bms.a0", 2350, 4350)
    bench.on("gw.a0", 2650, 4700)
    judgement = judge(bench)
    assert one(judgement, "a0@bms.a0").verdict is Verdict.LATE
    assert one(judgement, "a0@gw.a0").verdict is Verdict.MISSED
    cause = cause_at(judgement, "a0@gw.a0")
    assert cause.text == (
        "what it read was late itself: link gw is behind bms and passes on what comes late there: gw.a0 (10001, "
        "discrete input address 0)"
    )
    assert cause.evidence == (
        "bms.a0 (10001, discrete input address 0) came on 1.29 to 1.41 s after the raise of a0 (s1), and gw.a0 0.19 to "
        "0.41 s after that; they went off 1.29 to 1.41 s after its release, and 0.19 to 0.41 s after that"
    )
    assert not cause.equals
    (stray,) = judgement.strays
    assert stray.causes == (cause,)


def test_late_at_both_tells_both_bounds_too() -> None:
    bench = plant()
    bench.raised("a0", 1000, clear=3000)
    bench.on("bms.a0", 2150, 4150)
    bench.on("gw.a0", 2350, 4350)
    judgement = judge(bench)
    assert one(judgement, "a0@gw.a0").verdict is Verdict.LATE
    assert "what it read was late itself" in cause_at(judgement, "a0@gw.a0").text


def test_stuck_behind_a_hop_that_went_off_late_itself() -> None:
    bench = plant()
    bench.raised("a0", 1000, clear=3000)
    bench.on("bms.a0", 1150, 4250)
    bench.on("gw.a0", 1350, 4550)
    judgement = judge(bench)
    assert one(judgement, "a0@gw.a0").verdict is Verdict.STUCK
    cause = cause_at(judgement, "a0@gw.a0")
    assert "what it read was late itself" in cause.text
    assert "they went off 1.19 to 1.31 s after its release" in cause.evidence


@pytest.mark.parametrize(
    ("bms", "gw"),
    [((1150, 3150), (2650, 4700)), ((2050, 4050), (3700, 5000)), ((2350, 4350), (2200, 4300))],
    ids=["in-time-before-the-hop", "the-hop-takes-too-long-by-itself", "before-what-it-would-have-read"],
)
def test_a_hop_that_is_late_by_itself_is_not_excused(bms: tuple[float, float], gw: tuple[float, float]) -> None:
    bench = plant()
    bench.raised("a0", 1000, clear=3000)
    bench.on("bms.a0", *bms)
    bench.on("gw.a0", *gw)
    assert "what it read was late itself" not in str(judge(bench))


def test_a_late_point_beside_the_one_that_is_read_excuses_nothing() -> None:
    """The same place of both devices is what the gateway reads; it was in time, and another one of a0 was not."""
    bench = plant()
    bench.bit("bms.a0-bit", 40, 1)
    bench.row("a0", "bms.a0-bit", limits=LIMITS)
    bench.raised("a0", 1000, clear=3000)
    bench.on("bms.a0", 1150, 3150)
    bench.on("bms.a0-bit", 2350, 4350)
    bench.on("gw.a0", 2650, 4700)
    assert "what it read was late itself" not in str(judge(bench))


def test_what_comes_along_late_behind_a_hop_is_nobody_elses_alarm() -> None:
    bench = plant(brings=True)
    bench.raised("a1", 1000, clear=3000)
    bench.on("bms.a1", 1150, 3150)
    bench.on("gw.a1", 1350, 3350)
    bench.on("bms.a0", 2350, 4350)
    bench.on("gw.a0", 2650, 4700)
    judgement = judge(bench)
    (stray,) = judgement.strays
    assert stray.point == "gw.a0"
    (cause,) = stray.causes
    assert "what it read was late itself" in cause.text
    assert "after the raise of a1 (s1), which brings a0 along" in cause.evidence


def test_what_comes_along_late_by_itself_is_said_to_come_along_before_anything_else() -> None:
    bench = plant(brings=True)
    bench.raised("a1", 1000, clear=2500)
    bench.on("bms.a1", 1150, 2650)
    bench.on("gw.a1", 1350, 2850)
    bench.on("bms.a0", 1150, 2650)
    bench.on("gw.a0", 2850, 3700)
    (stray,) = judge(bench).strays
    (cause,) = stray.causes
    assert cause.text.startswith("it came along late: a1 brings a0 along")
    assert [it.code for it in cause.equals] == ["hop-polls-slowly", "not-raised-here"]


def test_what_comes_along_late_where_there_is_no_hop_says_nothing_of_one() -> None:
    bench = plant(brings=True)
    bench.raised("a1", 1000, clear=2500)
    for name in ("bms.a1", "gw.a1", "gw.a0"):
        bench.on(name, 1150, 2650)
    bench.on("bms.a0", 2850, 3700)
    judgement = judge(bench)
    (cause,) = judgement.strays[0].causes
    assert cause.text.startswith("it came along late: a1 brings a0 along")
    assert [it.code for it in cause.equals] == ["not-raised-here"]


def test_what_comes_on_after_an_alarm_that_brings_nothing_along_is_not_said_to_come_along() -> None:
    bench = plant()
    bench.raised("a1", 1000, clear=2500)
    bench.on("bms.a1", 1150, 2650)
    bench.on("gw.a1", 1350, 2850)
    bench.on("gw.a0", 2850, 3700)
    (stray,) = judge(bench).strays
    assert "along" not in str(stray.causes)


def test_what_comes_on_before_anything_was_raised_is_nothing_that_came_along() -> None:
    bench = plant(brings=True)
    bench.on("gw.a0", 500, 900)
    bench.raised("a1", 4000, clear=6000)
    bench.on("bms.a1", 4150, 6150)
    bench.on("gw.a1", 4350, 6350)
    (stray,) = judge(bench).strays
    assert "without a raise" in stray.causes[0].text
