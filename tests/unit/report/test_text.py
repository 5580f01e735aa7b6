"""The terminal's report: all of what did not pass, little room for what did, and nothing lost."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import pytest
from rich.cells import cell_len

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.verdicts import Verdict, VerdictClass
from harness.report.document import BlindTime, LinkFigures, ReportDocument
from harness.report.gathered import in_runs, pass_words
from harness.report.link_words import figure_words
from harness.report.standing import standing_of
from harness.report.text import render_text


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


def test_rows_that_were_not_tested_are_a_line_for_each_link(document: ReportDocument) -> None:
    nothing = replace(document, attempts=())
    told = render_text(nothing, width=120)
    lines = [line for line in told.splitlines() if line.startswith("not tested: ")]
    by_link = {link: sum(row.point.link == link for row in standing_of(nothing).rows) for link in document.site.links}
    assert [line.split(" row")[0] for line in lines] == [f"not tested: {number}" for number in by_link.values()]
    assert [line.split(" on ")[1].split(";")[0] for line in lines] == list(by_link)


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
    assert "bms: not listened to in this attempt" in told
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
