"""An alarm that was cleared and is still shown by all that was seen may be real; one stuck or latched output is not."""

from __future__ import annotations

from harness.core.model import Behaviour, CauseKind
from harness.core.verdicts import Verdict
from harness.core.wording import TAKE_FOR_REAL
from tests.peers.trace_bench import Bench, one


def on_two_links(*, reference: bool = False) -> Bench:
    """a0 has an input on bms and one on panel, and is raised at 1 s and cleared at 3 s."""
    bench = Bench()
    bench.alarm("a0", reference="ref.a0" if reference else None)
    if reference:
        bench.input("ref.a0", 0, link="ref")
    bench.inputs(1)
    bench.inputs(1, link="panel")
    bench.raised("a0", 1000, clear=3000)
    return bench


def codes_of(bench: Bench) -> dict[str, tuple[str, tuple[str, ...]]]:
    """By expectation: the verdict, and the codes of its cause."""
    judgement = bench.judge()
    assert not judgement.failures_of_checkers
    return {it.expectation: (str(it.verdict), it.causes[0].codes if it.causes else ()) for it in judgement.results}


def test_what_the_reference_point_shows_to_the_end_may_be_real_and_the_outputs_did_no_wrong() -> None:
    bench = on_two_links(reference=True)
    for point in ("ref.a0", "bms.a0", "panel.a0"):
        bench.on(point, 1100)
    judgement = bench.judge()
    for link in ("bms", "panel"):
        result = one(judgement, f"a0@{link}.a0")
        assert result.verdict is Verdict.UNRESOLVED
        (cause,) = result.causes
        assert (cause.kind, cause.codes) == (CauseKind.STIMULUS, ("still-active", "reference-wrong"))
        assert cause.text == f"a0 was cleared, and the controller still showed it: {TAKE_FOR_REAL}"
        assert "ref.a0" in cause.evidence
        assert "after the clear of s1" in cause.evidence
        assert "look at the sensing point first" in cause.next_check


def test_outputs_that_are_stuck_while_the_reference_point_has_gone_are_stuck() -> None:
    bench = on_two_links(reference=True)
    bench.on("ref.a0", 1100, 3100)
    bench.on("bms.a0", 1200)
    bench.on("panel.a0", 1200)
    found = codes_of(bench)
    assert {verdict for verdict, _ in found.values()} == {"stuck"}
    assert {codes[0] for _, codes in found.values()} == {"never-gone"}


def test_an_output_that_went_off_while_the_reference_point_stayed_is_not_said_to_be_real() -> None:
    bench = on_two_links(reference=True)
    bench.on("ref.a0", 1100)
    bench.on("bms.a0", 1200, 3200)
    bench.on("panel.a0", 1200)
    found = codes_of(bench)
    assert "still-active" not in found["a0@bms.a0"][1]


def test_a_reference_point_that_nobody_read_after_the_clear_says_nothing() -> None:
    bench = on_two_links(reference=True)
    for point in ("ref.a0", "bms.a0", "panel.a0"):
        bench.on(point, 1100)
    bench.blind_from("ref", 4000, 80_000)
    assert {codes[0] for _, codes in codes_of(bench).values()} != {"still-active"}


def test_without_a_reference_point_outputs_of_two_links_say_it() -> None:
    bench = on_two_links()
    bench.on("bms.a0", 1200)
    bench.on("panel.a0", 1200)
    assert codes_of(bench) == dict.fromkeys(("a0@bms.a0", "a0@panel.a0"), ("stuck", ("still-active", "never-gone")))


def test_one_link_that_is_stuck_is_a_stuck_output() -> None:
    bench = on_two_links()
    bench.on("bms.a0", 1200)
    bench.on("panel.a0", 1200, 3200)
    found = codes_of(bench)
    assert found["a0@panel.a0"] == ("on-time", ())
    assert found["a0@bms.a0"][1][0] == "never-gone"
    bench.was_on["panel.a0"].clear()
    assert codes_of(bench)["a0@bms.a0"][1][0] == "never-gone"


def test_a_latched_output_beside_a_stuck_one_is_no_second_witness() -> None:
    bench = Bench()
    bench.alarm("a0")
    bench.inputs(1)
    bench.input("panel.a0", 0, link="panel")
    bench.row("a0", "panel.a0", Behaviour.LATCHED)
    bench.raised("a0", 1000, clear=3000, acknowledge=3500)
    bench.on("bms.a0", 1200)
    bench.on("panel.a0", 1200)
    assert {codes[0] for _, codes in codes_of(bench).values()} == {"never-gone"}


def test_outputs_that_went_off_with_the_acknowledge_latch() -> None:
    bench = on_two_links()
    bench.stimuli.clear()
    bench.raised("a0", 1000, clear=3000, acknowledge=9000)
    bench.on("bms.a0", 1200, 9100)
    bench.on("panel.a0", 1200, 9100)
    assert {codes[0] for _, codes in codes_of(bench).values()} == {"latched"}
