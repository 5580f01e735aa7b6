"""The terminal's report: all of what did not pass, little room for what did, and nothing lost."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import pytest
from rich.cells import cell_len

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.verdicts import Verdict, VerdictClass
from harness.core.wording import NOT_CONNECTED
from harness.report import human
from harness.report.document import BlindTime, Difference, LinkFigures, ReportDocument
from harness.report.gathered import in_runs, pass_words
from harness.report.link_words import figure_words
from harness.report.standing import standing_of
from harness.report.text import render_text
from harness.report.text_left import left_words


@pytest.mark.parametrize("width", [80, 100, 132, 200])
def test_a_crowded_site_is_told_by_links_in_one_line_an_alarm(crowded_document: ReportDocument, width: int) -> None:
    told = render_text(crowded_document, width=width).splitlines()
    assert max(map(cell_len, told)) <= width
    head = next(index for index, line in enumerate(told) if line.startswith("alarm "))
    assert told[head].split()[:4] == ["alarm", "panel", "bms", "printer"]
    table = told[head + 2 : head + 2 + len(crowded_document.site.alarms)]
    assert [line.split()[0] for line in table] == list(crowded_document.site.alarms)
    counts = {
        shape: sum(int(number) for line in table for number in re.findall(shape + r"(\d+)", line))
        for shape in ("\u2713", "\u2717", "[?]", "\u00b7")
    }
    standing = standing_of(crowded_document)
    rows = [len(standing.of_class(one)) for one in (VerdictClass.PASS, VerdictClass.FAIL, VerdictClass.UNKNOWN, None)]
    assert list(counts.values()) == rows


def test_every_fail_and_unknown_is_told_at_any_width(crowded_document: ReportDocument) -> None:
    standing = standing_of(crowded_document)
    odd = standing.of_class(VerdictClass.FAIL) + standing.of_class(VerdictClass.UNKNOWN)
    for width in (80, 200):
        told = " ".join(render_text(crowded_document, width=width).split())
        for row in odd:
            assert f"{row.verdict}: {row.alarm.name} at {row.point.name}: {row.reason}" in told


def test_the_counts_stand_first_and_last(document: ReportDocument) -> None:
    told = render_text(document, width=200).splitlines()
    counts = [index for index, line in enumerate(told) if re.match(r"\d+ rows? ", line)]
    assert len(counts) == 2
    assert told[counts[0]] == told[counts[1]]
    assert counts[1] >= len(told) - 2


def test_all_tells_every_row(document: ReportDocument) -> None:
    told = render_text(document, width=120, every_row=True).splitlines()
    for row in standing_of(document).rows:
        word = row.verdict.value if row.verdict else "not tested"
        assert any(re.match(rf"  {re.escape(row.point.name)} +\S {word}", line) for line in told)
    assert not any("--all" in line for line in told)


def test_unknowns_that_differ_in_their_names_only_are_told_at_once(document: ReportDocument) -> None:
    """A link that is down costs a few lines, with every row of it named; what has bounds of its own stands alone."""
    newest = document.attempts[-1]
    blind = "no sample in the whole window"
    results = tuple(
        replace(
            it, verdict=Verdict.NOT_OBSERVED, reason=blind, onset=None, end=None, latency=None, visible=None, causes=()
        )
        if it.point.startswith("panel.")
        else it
        for it in newest.judgement.results
    )
    changed = replace(newest, judgement=replace(newest.judgement, results=results))
    told = render_text(replace(document, attempts=(changed,)), width=100)
    rows = [it for it in results if it.point.startswith("panel.")]
    assert f"UNKNOWN not-observed: {len(rows)} rows on panel: {blind}" in told
    assert told.count(blind) == 1
    flat = " ".join(told.split())
    assert all(f"{it.alarm} at {it.point}" in flat for it in rows)


def test_rows_that_were_not_tested_are_told_once(document: ReportDocument) -> None:
    """How many of each link; neither their alarms nor what their points would prove are told beside what was tested."""
    nothing = replace(document, attempts=())
    rows = standing_of(nothing).rows
    by_link = {link: sum(row.point.link == link for row in rows) for link in document.site.links}
    told = " ".join(render_text(nothing, width=120).split())
    alarms = len({row.alarm.name for row in rows})
    counts = ", ".join(f"{number} on {link}" for link, number in by_link.items())
    assert f"not tested, since no record here set out to: {len(rows)} rows of {alarms} alarms: {counts}" in told
    assert f"0 rows: 0 fail, 0 unknown, 0 pass; {len(rows)} more not tested" in told
    assert "proved up to:" not in told


def test_what_was_not_selected_is_left_out(document: ReportDocument) -> None:
    """One link of two alarms was selected: only these are counted, shown, and told of what they prove."""
    newest = document.attempts[0]
    names = tuple(document.site.alarms)[:2]
    own = [row for row in document.site.expectations if row.alarm in names and row.point.startswith("bms.")]
    keys = {row.key for row in own}
    results = tuple(it for it in newest.judgement.results if it.expectation in keys)
    judgement = replace(newest.judgement, results=results, strays=(), causes=())
    attempt = replace(newest, planned=tuple(keys), judgement=judgement, timelines=())
    told = render_text(replace(document, attempts=(attempt,)), width=200)
    others = len(document.site.expectations) - len(own)
    assert re.search(rf"^{len(own)} rows: .*; {others} more not tested$", told, re.MULTILINE)
    proved = told.split("proved up to:\n")[1].split("\n\n")[0]
    heads = [line.split(",")[0] for line in proved.splitlines() if not line.startswith(" " * 8)]
    assert heads == ["    bms", "    nothing on panel"]
    assert f"of {len(own)} rows passed" in proved
    assert proved.endswith("nothing on panel, printer: not tested")


def test_a_link_that_was_never_up_says_where_and_why_at_each_place(document: ReportDocument) -> None:
    newest = document.attempts[0]
    why = "10.0.0.9:502: no connection: Connection refused; check the address"
    figures = next(it for it in newest.links if it.link == "bms")
    blind = (BlindTime(from_ns=figures.watched.lo, to_ns=figures.watched.hi, reason=f"{NOT_CONNECTED}: {why}"),)
    links = tuple(replace(it, blind=blind) if it is figures else it for it in newest.links)
    judgement = replace(newest.judgement, results=(), strays=(), causes=())
    attempt = replace(newest, links=links, judgement=judgement, timelines=())
    told = " ".join(render_text(replace(document, attempts=(attempt,)), width=120).split())
    assert f"planned in this attempt and not reached: link bms: {why}" in told
    assert f"blind: {human.measured(figures.watched.width)} not connected yet: {why}" in told
    assert replace(figures, blind=blind).never_up == why
    later = replace(blind[0], from_ns=blind[0].from_ns + 1)
    assert replace(figures, blind=(later,)).never_up == "", "it was observed for a while"


def test_what_is_not_as_it_was_found_is_named_within_limits_and_in_whole(document: ReportDocument) -> None:
    newest = document.attempts[0]
    many = tuple(Difference(what=f"bms.{number}", as_found="off", as_left="on") for number in range(9))
    assert left_words(many[:1]) == "bms.0 was off, is on"
    assert left_words(many).endswith("bms.5 was off, is on; and 3 more")
    told = render_text(replace(document, attempts=(replace(newest, as_left=many),)), width=120)
    part = told.split("as left after attempt 1, not as it was found:\n")[1].split("\n\n")[0]
    assert part.splitlines() == [f"    {it.what} was off, is on" for it in many]
    assert "as left after" not in render_text(replace(document, attempts=(replace(newest, as_left=()),)))


def test_passes_in_few_words(document: ReportDocument) -> None:
    one = next(it for it in document.attempts[0].judgement.results if it.verdict is Verdict.ON_TIME)
    slow = replace(one, point="bms.slow", latency=Bounds(300 * NS_PER_MS, 433_000_001))
    untimed = replace(one, verdict=Verdict.APPEARED, latency=None)
    quiet = replace(one, verdict=Verdict.QUIET, latency=Bounds(0, 5 * NS_PER_S))
    late = replace(one, verdict=Verdict.LATE, latency=Bounds(0, 9 * NS_PER_S))
    told = pass_words([one, slow, untimed, quiet, quiet, late])
    assert told == "2 on-time within 0.44 s (slowest: bms.slow), 1 appeared, 2 quiet"
    assert pass_words([slow]) == "1 on-time within 0.44 s"
    assert pass_words([late]) == ""


@pytest.mark.parametrize(
    ("figures", "told"),
    [
        ({"polls": 1, "polls_failed": 0}, ["1 answered poll"]),
        (
            {"polls": 3281, "polls_failed": 8, "overruns": 1, "widest_gap_ns": 110 * NS_PER_MS},
            ["3,281 answered polls", "8 failed", "1 overrun", "widest gap 110 ms"],
        ),
        ({"lines": 1, "told_word": "notification", "dropped": 2}, ["1 notification", "2 dropped"]),
        (
            {"polls": 2, "wire_ns": 312 * NS_PER_MS, "conditions": ("polled every 100 ms",)},
            ["2 answered polls", "wire busy at least 31.2 % of the time", "polled every 100 ms"],
        ),
    ],
)
def test_the_figures_of_a_link_in_words(figures: dict[str, int], told: list[str]) -> None:
    link = LinkFigures(link="bus", address="", watched=Bounds(0, NS_PER_S), **figures)  # type: ignore[arg-type]
    assert figure_words(link) == told


def test_a_link_that_nobody_listened_to_was_not_blind(document: ReportDocument) -> None:
    newest = document.attempts[0]
    idle = replace(newest.links[1], listened=False, blind=())
    many = tuple(BlindTime(from_ns=at, to_ns=at + 1, reason=f"reason {at}") for at in range(9))
    busy = replace(newest.links[0], blind=many)
    told = render_text(replace(document, attempts=(replace(newest, links=(busy, idle)), *document.attempts[1:])))
    assert "not listened to in this attempt: bms\n" in told
    assert "and 3 more reasons" in " ".join(told.split())


def test_a_hundred_alarms_with_links_that_do_not_fit(
    document_of: Callable[[tuple[str, ...]], ReportDocument], crowded_of: Callable[[ReportDocument], ReportDocument]
) -> None:
    """Where even alarms by links are too wide, each alarm is a line that names what did not pass."""
    names = tuple(f"{'quite-long-tank-name-' * 3}{number:03d}.high" for number in range(100))
    told = render_text(crowded_of(document_of(names)), width=80)
    lines = told.splitlines()
    assert max(map(cell_len, lines)) <= 80
    for name in names:
        assert any(line.startswith(f"{name}: ") for line in lines)


def test_unknowns_that_differ_in_their_reasons_are_a_line_each_under_one_head(document: ReportDocument) -> None:
    newest = document.attempts[-1]
    results = tuple(
        replace(it, verdict=Verdict.UNRESOLVED, reason=f"the limit lies inside {number} ms", causes=())
        if it.point.startswith("panel.")
        else it
        for number, it in enumerate(newest.judgement.results)
    )
    changed = replace(newest, judgement=replace(newest.judgement, results=results))
    told = " ".join(render_text(replace(document, attempts=(changed,)), width=100).split())
    rows = [it for it in results if it.point.startswith("panel.")]
    assert f"UNKNOWN unresolved: {len(rows)} rows on panel:" in told
    for it in rows:
        assert f"{it.alarm} at {it.point}: {it.reason}" in told


@pytest.mark.parametrize(
    ("names", "told"),
    [
        (["10001", "10002", "10003", "10005"], ["10001 to 10003", "10005"]),
        (["1", "2"], ["1, 2"]),
        (
            ["binary-input 9 by cov", "binary-input 10 by cov", "binary-input 11 by cov"],
            ["binary-input 9 by cov to binary-input 11 by cov"],
        ),
        (["40101.0", "40101.1", "40102.1", "40103.1"], ["40101.0, 40101.1", "40102.1, 40103.1"]),
        (["30201=1", "30202>0", "30203>0"], ["30201=1", "30202>0, 30203>0"]),
        (["a", "b", "a"], ["a", "b", "a"]),
        (["9" * 13, "1" + "0" * 13], ["9" * 13, "1" + "0" * 13]),
        (["\u0661", "\u0662"], ["\u0661", "\u0662"]),
        ([], []),
    ],
)
def test_names_that_count_up_are_told_as_runs(names: list[str], told: list[str]) -> None:
    assert in_runs(names) == told
