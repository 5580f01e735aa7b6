"""What was measured, in words: bounds outwards, sides named, nothing told that the trials do not prove."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from collections.abc import Callable
from dataclasses import replace

import pytest
from rich.cells import cell_len

from harness.core.verdicts import VerdictClass
from harness.measure.claims import decide
from harness.measure.sequential import Decision, Rule, curtailed, ratio_rule
from harness.measure.shortest_shown import Answer, Outcome, ShortestShown
from harness.measure.trials import Asked, RowTrials, Shown, summarise
from harness.report.columns import Terminal
from harness.report.measured import ClaimTold, Measured, MeasuredRecord, SearchTold
from harness.report.measured_json import measured_json
from harness.report.measured_picture import measured_html, measured_svg
from harness.report.measured_sentences import claim_words, off_beat_ns
from harness.report.measured_words import percent
from harness.report.text_measured import render_measured
from harness.report.text_searches import search_words
from tests.unit.measure.test_trials import MS, row

WIDTHS = (80, 100, 200)


def told(*rows: RowTrials, slower: tuple[int, ...] = (), share: float = 0.95) -> Measured:
    asked = Asked(slower_ns=slower, share=share)
    record = MeasuredRecord(name="a.farend", sha256="ab" * 32, firmware="1.4.2", seed=3)
    return Measured(
        site="ashby", title="Ashby", records=(record,), asked=asked, rows=tuple(summarise(it, asked) for it in rows)
    )


def words(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("width", WIDTHS)
def test_no_line_is_wider_than_the_terminal(width: int) -> None:
    shown = told(row(*[Shown.SHOWN] * 20), row(*[Shown.MISSED] * 3, *[Shown.SHOWN] * 17), slower=(2_000 * MS,))
    for every_number in (False, True):
        text = render_measured(shown, width=width, every_number=every_number)
        assert max(Terminal(width=width).size(line) for line in text.splitlines()) <= width


def test_the_table_tells_shown_latency_and_visible_time_even_where_it_is_narrow() -> None:
    text = render_measured(told(row(*[Shown.SHOWN] * 20)), width=80)
    assert "20 of 20" in text
    assert "latency" in text
    assert "visible for" in text
    assert "not shown is at most 14 % of them (one-sided, 95 %)" in words(text)
    assert "takes 63 trials at least" in words(text)


def test_what_a_narrow_table_leaves_out_is_said_and_is_not_what_a_reader_came_for() -> None:
    shown = told(row(*[Shown.SHOWN] * 63))
    heads = ("sees 95 %", "95 % more than", "95 % within", "50 % within", "50 % more than")
    narrow, wide = render_measured(shown, width=80), render_measured(shown, width=200)
    table = narrow.split("----")[0]
    assert [head in table for head in heads[:2]] == [True, True]
    assert "no room for:" in narrow
    assert f"{shown.rows[0].row.point}: shown every time in 63 trials: not shown is at most" in words(narrow)
    assert all(head in words(narrow) for head in heads)
    assert "no room for:" not in wide
    assert all(head in wide.split("----")[0] for head in heads)


@pytest.mark.parametrize(
    ("names", "cut"),
    [
        (("building:binary-input 21 by cov", "building:binary-input 21 by event", "panel:lamp"),
         ["buildin..1 by cov", "buildin..by event", "panel:lamp       "]),
        (tuple(f"building:binary-input {number} by {way}" for number in (21, 22) for way in ("cov", "event")),
         ["build.. 21 by cov", "build..1 by event", "build.. 22 by cov", "build..2 by event"]),
        (("bms:a long name by itself", "bms:b long name by itself"), ["bms:a long name..", "bms:b long name.."]),
        (("x" * 30, "x" * 30), ["xxxxxxxxxxxxxxx..", "xxxxxxxxxxxxxxx.."]),
    ],
)  # fmt: skip
def test_names_are_cut_in_the_middle_where_their_beginnings_are_alike(names: tuple[str, ...], cut: list[str]) -> None:
    fitted = Terminal(width=80).names_fitted(names, 17)
    assert {cell_len(it) for it in fitted} == {17}
    assert len(set(fitted)) == len(set(names))
    assert fitted == cut


def test_misses_are_told_with_both_sides_and_their_count() -> None:
    text = words(render_measured(told(row(*[Shown.MISSED] * 4, *[Shown.SHOWN] * 16))))
    assert "16 shown, 4 missed" in text
    assert "not shown: 7.1 % to 40.2 % of them (each one-sided)" in text


def test_a_poll_period_is_named_where_the_trials_prove_it() -> None:
    text = words(render_measured(told(row(*[Shown.SHOWN] * 63)), every_number=True))
    assert "a poll every" in text
    assert "sees at least 95 % of such alarms (95 %, one-sided)" in text


def test_what_a_slower_poll_would_have_seen_goes_over_all_phases() -> None:
    """Visible for 0.8 to 1 s: every 2 s a poll sees each with a chance of 0.4 to 0.5, so 8 to 10 of 20."""
    text = words(render_measured(told(row(*[Shown.SHOWN] * 20), slower=(2_000 * MS,)), every_number=True))
    assert "a poll every 2 s would have seen 8.0 to 10.0 of these 20 sightings on average" in text


def test_a_claim_is_told_for_each_output_with_the_rates_of_its_rule() -> None:
    rule = curtailed(0.95)
    shown = row(*[Shown.SHOWN] * 59)
    claim = ClaimTold(
        alarm="a", point="p", share=0.95, confidence=0.95, trials=59,
        at_claim=rule.rates(0.05), at_good=rule.rates(0.0),
        decided=decide(rule, [it.verdict.verdict_class for it in shown.trials]),
    )  # fmt: skip
    document = Measured(site="s", title="t", records=(), asked=Asked(), rows=(), claims=(claim,), single=1)
    text = words(render_measured(document))
    assert "a at p: proven after 59 trials" in text
    assert "with a chance of 4.9 %, and of a good one with 100 %" in text
    (found,) = measured_json(document)["claims"]
    assert (found["decision"], found["confidence"], found["good"]) == ("proven", 0.95, None)
    both = render_measured(replace(told(row(*[Shown.SHOWN] * 59)), claims=(claim,)))
    assert "all other bounds are those of as many trials fixed beforehand" in words(both)
    assert "fixed beforehand" not in words(render_measured(told(row(*[Shown.SHOWN] * 59))))


def test_a_plan_that_cannot_come_out_any_more_is_not_told_as_a_proof_of_the_contrary() -> None:
    """At an output of which 95 % pass it comes to that 95 times in 100, so nothing is refuted but the plan."""

    def words_of(rule: Rule, good: float, classes: list[VerdictClass], data: str) -> str:
        claim = ClaimTold(
            alarm="a", point="p", share=0.95, confidence=0.95, trials=len(classes), at_claim=rule.rates(0.05),
            at_good=rule.rates(1.0 - good), decided=decide(rule, classes),
        )  # fmt: skip
        document = Measured(site="s", title="t", records=(), asked=Asked(), rows=(), claims=(claim,), single=1)
        assert measured_json(document)["claims"][0]["decision"] == data
        return claim_words(claim)

    fails = [VerdictClass.FAIL] * 5
    assert curtailed(0.95).rates(0.05).refuted > 0.95
    told = words_of(curtailed(0.95), 1.0, fails, "not-to-be-proven")
    assert told == "not to be proven any more after 1 trial: more failed than the plan allows, which may be chance"
    told = words_of(ratio_rule(good=0.01, bad=0.05, trials_max=500), 0.99, fails, "refuted")
    assert told == (
        "not to be proven any more after 2 trials: fewer pass than the 99 % of a good output; whether 95 % do is not "
        "decided"
    )


def test_a_search_tells_what_is_proven_and_what_is_lost() -> None:
    search = ShortestShown(share=0.8, longest_ns=1_000 * MS, shortest_ns=10 * MS, tries_max=300)
    outcomes: list[Outcome] = []
    while (held_ns := search.next_ns(outcomes)) is not None:
        outcomes.append(Outcome(held_ns=held_ns, answer=Answer.SHOWN if held_ns >= 400 * MS else Answer.LOST))
    finding = search.finding(outcomes)
    document = Measured(
        site="s",
        title="t",
        records=(),
        asked=Asked(),
        rows=(),
        searches=(SearchTold(alarm="a", point="p", finding=finding),),
    )
    text = words(render_measured(document))
    assert "a at p: shown when held for 0.4" in text
    assert "lost too often at 3" in text
    assert "takes it that one that is held for longer is shown no less often" in text
    assert json.loads(json.dumps(measured_json(document)))["searches"][0]["reliable"]["held_ns"] >= 400 * MS


def searched(answers: Callable[[int, int], Answer], tries_max: int = 40) -> str:
    """In words: what a search from 3 s down to 20 ms comes to, each try answered by its length and number."""
    search = ShortestShown(share=0.8, longest_ns=3_000 * MS, shortest_ns=20 * MS, tries_max=tries_max)
    outcomes: list[Outcome] = []
    while (held_ns := search.next_ns(outcomes)) is not None:
        outcomes.append(Outcome(held_ns=held_ns, answer=answers(held_ns, len(outcomes))))
    return search_words(search.finding(outcomes))


def test_where_no_length_is_proven_the_search_says_why_and_what_to_do() -> None:
    lost = searched(lambda _, __: Answer.LOST)
    assert lost.startswith("of no length that was tried it is proven that it is shown often enough: 0 of ")
    assert (
        "were shown for certain when held for 3.00 s, the longest that was tried; give a longer --held; lost " in lost
    )
    some = searched(lambda _, number: Answer.LOST if number % 4 == 3 else Answer.SHOWN)
    assert "when held for 3.00 s, the longest that was tried; give a longer --held, or more --tries; " in some
    none = searched(lambda _, __: Answer.UNKNOWN)
    assert "often enough: nobody can tell of any; see what 'farend explain' finds, or poll faster; " in none
    slow = "they count as not shown, so that a slow poll of farend's own makes the length longer"
    assert none.endswith(f"tries, {none.split(' tries, ')[1].split()[0]} of which nobody can tell: {slow}")


def test_what_was_always_shown_and_is_not_proven_is_named_with_what_to_do() -> None:
    told = searched(lambda held_ns, _: Answer.SHOWN if held_ns >= 300 * MS else Answer.LOST)
    assert told.startswith("shown when held for 3.00 s or longer (19 of 19 were); held for ")
    assert "it was shown every time (3 of 3), which proves nothing: more --tries could; 40 tries" in told


def test_claims_and_searches_of_several_records_stand_below_their_own_share() -> None:
    """Three trials prove half, and must not be read as a proof of 95 %."""
    claims = []
    for share, confidence, trials in ((0.95, 0.95, 59), (0.5, 0.8, 3)):
        rule = curtailed(share, confidence=confidence)
        decided = decide(rule, [it.verdict.verdict_class for it in row(*[Shown.SHOWN] * trials).trials])
        at_claim, at_good = rule.rates(1 - share), rule.rates(0.0)
        claims.append(
            ClaimTold(
                alarm="a",
                point="p",
                share=share,
                confidence=confidence,
                trials=trials,
                decided=decided,
                at_claim=at_claim,
                at_good=at_good,
            )
        )
    searches = []
    for share in (0.95, 0.5):
        search = ShortestShown(share=share, longest_ns=9 * MS, shortest_ns=9 * MS, tries_max=100)
        finding = search.finding([Outcome(held_ns=9 * MS, answer=Answer.SHOWN)] * 100)
        searches.append(SearchTold(alarm="a", point="p", finding=finding))
    document = Measured(
        site="s", title="t", records=(), asked=Asked(), rows=(), claims=tuple(claims), searches=tuple(searches)
    )
    text = words(render_measured(document))
    assert text.index("at least 95 % of the raises pass (95 %") < text.index("proven after 59")
    assert text.index("proven after 59") < text.index("at least 50 % of the raises pass (80 %") < text.index("after 3 ")
    assert text.count("the rule says proven") == 2
    assert text.count("of which at least 50 % are shown") == text.count("of which at least 95 % are shown") == 1


def test_shares_are_rounded_outwards_and_never_to_all() -> None:
    assert percent(0.95) == "95 %"
    assert percent(0.999999999) == "99.9999999 %", "nobody asked for all of them"
    assert percent(0.049507, up=True) == "5 %"
    assert percent(0.0495, up=False) == "4.9 %"
    assert percent(0.9999999, up=False) == "99.9999 %"
    assert percent(1e-9, up=True) == "0.0001 %"
    assert percent(0.0, up=False) == "0 %"


def test_nothing_measured_says_what_to_do() -> None:
    assert "raise alarms again and again" in words(render_measured(told()))


def test_the_picture_is_well_formed_and_tells_what_it_draws() -> None:
    shown = told(
        row(*[Shown.SHOWN] * 20), row(*[Shown.SHOWN, Shown.UNSEEN] * 10), row(Shown.SHOWN, ends_by_itself=False)
    )
    picture = ET.fromstring(measured_svg(shown))  # noqa: S314  # our own text
    texts = ["".join(it.itertext()) for it in picture.iter("{http://www.w3.org/2000/svg}text")]
    assert "visible times of 20 trials, 10 met by no reading" in texts
    assert "latency of 20 that showed" in texts
    assert texts.count("share of trials") == texts.count("visible for at most") == 2
    assert texts.count("share of those shown") == texts.count("latency of at most") == 2
    assert "most likely" in texts[:4], "the legend stands above what it explains"
    assert any("1 more outputs" in it for it in texts), "one trial is no distribution, and that is said"
    assert measured_html(shown).startswith("<!DOCTYPE html>")


def test_the_curves_of_the_picture_lie_within_each_other() -> None:
    """What is most likely lies in the band that holds the whole distribution, at each time that is drawn."""
    shown = told(row(*[Shown.SHOWN, Shown.UNSEEN] * 10))
    picture = ET.fromstring(measured_svg(shown))  # noqa: S314  # our own text
    areas = {"b": [], "l": []}  # type: dict[str, list[list[tuple[float, float]]]]
    for it in picture.iter("{http://www.w3.org/2000/svg}polygon"):
        pairs = [pair.split(",") for pair in it.attrib["points"].split()]
        areas[it.attrib["class"]].append([(float(x), float(y)) for x, y in pairs])
    assert len(areas["b"]) == len(areas["l"]) == 2
    for outer, likely in zip(areas["b"], areas["l"], strict=True):
        half = len(outer) // 2
        for at in range(half):
            assert outer[at][1] >= likely[at][1] - 0.2, "the least of the band is no higher"
            assert outer[half + at][1] <= likely[half + at][1] + 0.2


def test_a_claim_that_may_rest_on_one_phase_is_no_proof_and_names_its_record_and_later_failures() -> None:
    rule = curtailed(0.5, confidence=0.8)
    classes = [VerdictClass.PASS] * 3
    claim = ClaimTold(
        alarm="a", point="p", share=0.5, confidence=0.8, trials=5, decided=decide(rule, classes),
        at_claim=rule.rates(0.5), at_good=rule.rates(0.0), failed=1, record="monday.farend",
    )  # fmt: skip
    document = Measured(site="s", title="t", records=(), asked=Asked(), rows=(), claims=(claim,), single=1)
    assert "a at p (monday.farend): proven after 3 trials; of all 5 1 failed" in words(render_measured(document))
    unproven = replace(claim, unproven=("how often it polls is not declared",))
    assert unproven.decision is Decision.UNDECIDED
    document = replace(document, claims=(unproven,))
    text = words(render_measured(document))
    assert "NOT PROVEN" in text
    assert "how often it polls is not declared" in text
    assert " proven after" not in text
    (found,) = measured_json(document)["claims"]
    assert (found["decision"], found["unproven"]) == (Decision.UNDECIDED.value, ["how often it polls is not declared"])


def test_no_poll_period_is_proven_by_raises_in_step_or_against_what_is_not_declared() -> None:
    many = row(*[Shown.SHOWN] * 70)
    assert summarise(many).longest is not None
    assert summarise(replace(many, unproven=("because",))).longest is None
    assert summarise(replace(many, phases=(0.5,) * 70)).longest is None
    assert summarise(replace(many, phases=tuple(at / 70 for at in range(70)))).longest is not None
    asked = Asked(slower_ns=(2_000_000_000,))
    locked = summarise(replace(many, phases=(0.5,) * 70, poll_ns=100 * MS), asked)
    text = words(render_measured(Measured(site="s", title="t", records=(), asked=asked, rows=(locked,)), width=120))
    assert "poll every 97 ms" in text
    assert "not to be relied on" in text.split("by its phase")[1].split("the raises")[0], "beside the slower poll"


def test_a_poll_period_that_shares_no_beat_with_a_round_scan() -> None:
    assert [off_beat_ns(it * MS) // MS for it in (100, 97, 20, 500, 1000, 5, 0)] == [97, 89, 19, 499, 997, 0, 0]


def test_a_search_says_what_could_prove_a_length_and_why_none_may_be_called_proven() -> None:
    search = ShortestShown(share=0.5, confidence=0.8, longest_ns=900 * MS, shortest_ns=9 * MS, tries_max=60)
    outcomes: list[Outcome] = []
    while (held_ns := search.next_ns(outcomes)) is not None:
        outcomes.append(Outcome(held_ns=held_ns, answer=Answer.SHOWN if held_ns > 100 * MS else Answer.LOST))
    found = search.finding(outcomes)
    assert found.reliable is not None
    hopeful = replace(found.reliable, held_ns=50 * MS)
    assert "another run with --held 50 ms could" in search_words(replace(found, hopeful=hopeful, tries_left=5))
    assert "more --tries could" in search_words(replace(found, hopeful=hopeful, tries_left=0))
    assert search_words(replace(found, tries=1)).endswith("; 1 try")
    told = SearchTold(alarm="a", point="p", finding=found)
    assert told.is_proven
    unproven = replace(told, unproven=("its beat is not declared",), record="monday.farend")
    assert not unproven.is_proven
    document = Measured(site="s", title="t", records=(), asked=Asked(), rows=(), searches=(unproven,), single=1)
    text = words(render_measured(document))
    assert "a at p (monday.farend): NOT PROVEN: its beat is not declared; shown when held for" in text
