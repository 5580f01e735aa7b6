"""References that are wrong themselves or are not seen, and what looks like it and is none."""

from __future__ import annotations

from collections.abc import Iterable

from harness.core.model import Judgement
from harness.core.verdicts import Verdict
from tests.peers.trace_bench import Bench, codes

EVERY = 8000
UP = 3000
LINKS = ("bms", "bus")


def site(links: Iterable[str] = LINKS) -> Bench:
    """Three alarms in turn; all outputs follow each of them. The panel is the reference, and nothing is said of it."""
    bench = Bench()
    for number in range(3):
        bench.alarm(f"a{number}", reference=f"panel.a{number}")
        bench.input(f"panel.a{number}", number, link="panel")
    for link in links:
        bench.inputs(3, link=link)
    for number in range(3):
        start = 1000 + EVERY * number
        bench.raised(f"a{number}", start, clear=start + UP)
        for link in links:
            bench.on(f"{link}.a{number}", start + 150, start + UP + 150)
    return bench


def panel_on(bench: Bench, *but: int) -> Bench:
    for number in range(3):
        if number not in but:
            start = 1000 + EVERY * number
            bench.on(f"panel.a{number}", start + 10, start + UP + 10)
    return bench


def named(judgement: Judgement) -> set[str]:
    assert not judgement.failures_of_checkers
    return {code for each in codes(judgement).values() for code in each}


def test_references_that_follow_name_nothing() -> None:
    assert codes(panel_on(site()).judge()) == {}


def test_a_reference_that_drops_while_the_others_stay_on_is_named_and_not_the_others() -> None:
    bench = panel_on(site(), 1)
    bench.on("panel.a1", 9010, 9310)
    judgement = bench.judge()
    assert named(judgement) == {"reference-wrong"}
    (cause,) = judgement.causes
    assert "goes off before the alarm was cleared" in cause.text
    assert "bms.a1 and bus.a1" in cause.evidence


def test_outputs_of_one_link_alone_do_not_say_that_a_reference_drops() -> None:
    bench = panel_on(site(links=("bms",)), 1)
    bench.on("panel.a1", 9010, 9310)
    judgement = bench.judge()
    assert named(judgement)
    assert "reference-wrong" not in named(judgement)


def test_a_reference_that_stays_on_is_named_where_one_output_is_only_in_doubt() -> None:
    bench = panel_on(site(), 1)
    bench.on("panel.a1", 9010)
    assert named(bench.judge()) == {"reference-wrong"}


def test_a_reference_that_comes_on_for_another_alarm_is_named_where_its_own_stays_off() -> None:
    bench = panel_on(site(), 1)
    bench.on("panel.a2", 9010, 12_010)
    bench.raised("a0", 10_500, clear=13_500)  # so soon after that silence denies nothing
    bench.on("panel.a0", 10_510, 13_510)
    for link in LINKS:
        bench.on(f"{link}.a0", 10_650, 13_650)
    judgement = bench.judge()
    assert [cause.code for it in judgement.strays for cause in it.causes] == ["reference-wrong"]


def test_a_reference_that_comes_on_beside_the_right_one_is_not_called_wrong() -> None:
    bench = panel_on(site())
    bench.on("panel.a2", 9010, 12_010)
    judgement = bench.judge()
    assert [cause.code for it in judgement.strays for cause in it.causes] == ["extra-place"]


def test_a_reference_that_was_not_seen_when_the_alarm_came_is_why_its_time_is_not_known() -> None:
    bench = panel_on(site())
    bench.blind_from("panel", 11_900, 13_500, "no answer within 500 ms")
    for link in LINKS:
        bench.on(f"{link}.a1", 12_150, 13_300)  # gone in time, or not: that hangs on when it was cleared
    judgement = bench.judge()
    assert {it.verdict for it in judgement.results if it.causes} == {Verdict.UNRESOLVED}
    assert named(judgement) == {"reference-not-seen"}
    assert "no answer within 500 ms" in judgement.causes[0].text


def test_a_reference_that_was_not_seen_at_another_time_explains_nothing() -> None:
    bench = panel_on(site(), 1)
    bench.on("panel.a1", 9010, 9310)
    bench.blind_from("panel", 14_000, 15_000)
    assert named(bench.judge()) == {"reference-wrong"}
