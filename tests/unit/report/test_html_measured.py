"""What the page says of rows that were tried again and again: the same numbers as the text, and readable for many."""

from __future__ import annotations

import itertools
import os
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from harness.core.instants import FOREVER, Bounds
from harness.core.model import Site
from harness.core.verdicts import VerdictClass
from harness.measure.claims import decide
from harness.measure.describe import Description
from harness.measure.phase_lock import Locking
from harness.measure.poll_period import SeenShare, slower_poll
from harness.measure.sequential import curtailed
from harness.measure.shortest_shown import Answer, Outcome, ShortestShown
from harness.measure.trials import RowSummary, RowTrials, Shown
from harness.report.document import ReportDocument
from harness.report.html import render_html
from harness.report.html_measured import DRAWN_MAX, NAMED_MAX, SLOWER_MAX, MeasuredView
from harness.report.measured import ClaimTold, SearchTold
from harness.report.measured_panels import latency_panel, thinned, visible_panel
from harness.report.measured_sentences import between, quantile_words
from harness.report.measured_tables import ALIKE_FROM, EACH_MAX, OWN_MAX
from harness.report.repeated import Repeated
from tests.unit.report.conftest import MS, mapped, repeated_with, tried
from tests.unit.report.test_hostile import PAYLOADS, Shape, hidden
from tests.unit.report.test_html import Page

GOLDEN = Path(__file__).parents[2] / "golden" / "report"
SVG = {"polygon", "line", "rect"}


def section_of(page: str) -> str:
    """The section alone."""
    start = page.index('<section id="measured"')
    return page[start : page.index("</section>", start) + len("</section>")] + "\n"


def told(document: ReportDocument) -> str:
    """Its words."""
    return " ".join(Page(render_html(document)).texts["measured"].split())


def with_told(document: ReportDocument, **changes: object) -> ReportDocument:
    """The document with other things measured."""
    repeated = document.repeated
    assert repeated is not None
    assert repeated.told is not None
    return replace(document, repeated=replace(repeated, told=replace(repeated.told, **changes)))  # type: ignore[arg-type]


def rows_of(document: ReportDocument) -> Sequence[RowSummary]:
    assert document.repeated is not None
    assert document.repeated.told is not None
    return document.repeated.told.rows


def stated(told: Description | None, *bounds: Bounds) -> Description | None:
    """A description with these bounds, whatever the statistics make of the trials."""
    if told is None:
        return None
    quantiles = zip(told.quantiles, bounds, strict=True)
    return replace(told, quantiles=tuple(replace(it, bounds=at, likely=at) for it, at in quantiles))


def test_the_golden_section(repeated_document: ReportDocument) -> None:
    """FAREND_WRITE_GOLDEN=1 writes it anew; then read the difference before committing it.

    Its bounds are stated here: what the statistics hold is tested where they are.
    """
    rows = tuple(
        replace(
            it,
            latency=stated(it.latency, Bounds((50 + 20 * number) * MS, 210 * MS), Bounds(90 * MS, FOREVER)),
            visible=stated(it.visible, Bounds(0, 1_510 * MS), Bounds(1_350 * MS, 1_510 * MS), Bounds(0, FOREVER)),
        )
        for number, it in enumerate(rows_of(repeated_document))
    )
    section = section_of(render_html(with_told(repeated_document, rows=rows))).encode()
    if os.environ.get("FAREND_WRITE_GOLDEN") == "1":
        (GOLDEN / "measured.html").write_bytes(section)
    assert section == (GOLDEN / "measured.html").read_bytes()


def test_the_summary_says_what_the_section_comes_to(repeated_document: ReportDocument) -> None:
    page = render_html(repeated_document)
    summary = page.split('<section id="summary"')[1].split("</section>")[0]
    told = repeated_document.repeated
    assert told is not None
    tried = [*(it.row for it in rows_of(repeated_document)), *told.few]
    whole = sum(it.count(Shown.SHOWN) == len(it.trials) for it in tried)
    assert 0 < whole < len(tried)
    assert f"Raised again and again: {len(tried)} outputs, {whole} of them shown every time" in summary
    assert '<a href="#measured">' in summary


def test_a_page_of_single_trials_has_nothing_of_it(repeated_document: ReportDocument) -> None:
    page, single = render_html(repeated_document), render_html(replace(repeated_document, repeated=None))
    for text in ('id="measured"', "#measured", ".measured", ".spread", "How often, how late"):
        assert text in page
        assert text not in single
    without = page.replace(section_of(page).rstrip("\n"), "").replace(
        '<li><a href="#measured">How late, how long</a></li>\n', ""
    )
    without = re.sub(r"<p>Raised again and again: [^\n]*</p>\n", "", without)
    start, end = without.index("\n.measured tbody th"), without.index("</style>")
    assert without[:start] + without[end:] == single, "and nothing else of the page is changed by it"


def test_the_numbers_are_those_of_the_text(repeated_document: ReportDocument) -> None:
    words = told(repeated_document)
    for one in rows_of(repeated_document):
        for share in (0.5, 0.95):
            assert quantile_words(one.latency, share) in words
        if one.row.ends_by_itself:
            for share in (0.05, 0.5):
                assert quantile_words(one.visible, share) in words
    assert "8 of 8 not shown: at most 31.3 %" in words
    assert "6 of 8 not shown: 4.6 % to 60 %" in words
    assert "8 trials: 6 shown, 2 missed" in words
    assert "8 trials: 7 shown, 1 left out (not observed, masked or in doubt)" in words


def test_what_cannot_be_said_is_said(repeated_document: ReportDocument) -> None:
    words = told(repeated_document)
    assert words.count("not proven") == 2
    assert "To name a poll period that sees 95 % of them takes 63 trials at least." in words
    assert "it takes 6 to bound a median at both ends (95 %)" in words
    assert "1 row shown 3 of 3; not shown: at most 63.2 % of each (one-sided)" in words
    assert "1 row shown 2 of 3; not shown: 1.6 % to 86.5 % of each (each one-sided): " in words
    assert words.index("shown 2 of 3") < words.index("shown 3 of 3")


def test_times_that_are_not_to_be_relied_on_say_so_beside_the_number(repeated_document: ReportDocument) -> None:
    first = rows_of(repeated_document)[0]
    assert first.phase is not None
    row = replace(first.row, poll_ns=100 * MS)
    locked = replace(first, row=row, phase=replace(first.phase, finding=Locking.LOCKED))
    words = told(with_told(repeated_document, rows=(locked,)))
    assert f"{quantile_words(first.visible, 0.5)} raised in step with the polls" in words
    assert "poll every 97 ms, which shares none" in words
    beat = replace(first, beat=locked.phase)
    words = told(with_told(repeated_document, rows=(beat,)))
    assert f"{quantile_words(first.latency, 0.5)} raised in step with a device on the way" in words
    assert f"{quantile_words(first.visible, 0.5)} raised in step with a device on the way" in words


def test_a_poll_period_that_is_proven_is_named_rounded_down(repeated_document: ReportDocument) -> None:
    first = rows_of(repeated_document)[0]
    proven = SeenShare(period_ns=1_299_999_999, trials=63, least=0.95, confidence=0.95)
    words = told(with_told(repeated_document, rows=(replace(first, longest=proven),)))
    assert re.search(r"Longest poll that sees 95 % .*1\.29 s", words)
    assert "not proven" not in words
    assert "63 trials at least" not in words


def test_rows_of_several_records_are_said_to_be_counted_together(repeated_document: ReportDocument) -> None:
    repeated = repeated_document.repeated
    assert repeated is not None
    assert "counted together" not in told(repeated_document)
    words = told(replace(repeated_document, repeated=replace(repeated, records=2)))
    assert "All trials of the 2 records are counted together, those before something was put right included." in words
    words = told(replace(repeated_document, repeated=replace(repeated, records=2, firmware=("3.2.1", "3.3"))))
    assert "though the records state different firmware (3.2.1, 3.3)" in words


def test_claims_and_searches_are_told(repeated_document: ReportDocument) -> None:
    rule = curtailed(0.95)
    claim = ClaimTold(
        alarm="a",
        point="p",
        share=0.95,
        confidence=0.95,
        trials=59,
        at_claim=rule.rates(0.05),
        at_good=rule.rates(0.0),
        decided=decide(rule, [VerdictClass.PASS] * 59),
    )
    search = ShortestShown(share=0.95, longest_ns=9 * MS, shortest_ns=9 * MS, tries_max=100)
    finding = search.finding([Outcome(held_ns=9 * MS, answer=Answer.SHOWN)] * 100)
    found = with_told(repeated_document, claims=(claim,), searches=(SearchTold(alarm="a", point="p", finding=finding),))
    words = told(found)
    assert "at least 95 % of the raises pass (95 %, each output by itself). a at p: proven after 59 trials" in words
    assert "The rule says proven of an output of just under 95 % with a chance of 4.9 %" in words
    assert "the shortest alarm of which at least 95 % are shown (95 %). a at p: shown when held for 9 ms" in words


def test_headings_are_in_order_and_tables_say_what_their_heads_are_for(repeated_document: ReportDocument) -> None:
    page = Page(render_html(repeated_document))
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h[1-6]", tag)]
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    assert {attributes.get("scope") for tag, attributes in page.tags if tag == "th"} == {"col", "row", "colgroup"}
    ids = page.values("id")
    assert len(ids) == len(set(ids))
    assert {it.removeprefix("#") for it in page.values("href") if it != "data:,"} <= set(ids)


def test_each_picture_says_in_words_what_it_shows(repeated_document: ReportDocument) -> None:
    section = section_of(render_html(repeated_document))
    drawn = re.findall(r'<svg viewBox="0 0 440 248" role="img" aria-label="(.*?)">', section)
    rows = rows_of(repeated_document)
    assert len(drawn) == sum(1 + it.row.ends_by_itself for it in rows)
    for one in rows:
        mine = [it for it in drawn if it.startswith(f"{one.row.alarm} at {one.row.point}: ")]
        assert f"50 % within {quantile_words(one.latency, 0.5)}" in mine[0]
        assert not one.row.ends_by_itself or f"50 % longer than {quantile_words(one.visible, 0.5)}" in mine[1]
    root = ET.fromstring(f"<x>{''.join(re.findall(r'<svg viewBox=.0 0 440.*?</svg>', section, re.DOTALL))}</x>")  # noqa: S314
    for it in root.iter():
        assert not SVG & {it.tag} or {"style", "fill"} & set(it.attrib) == set(), "what it looks like is in the styles"


def test_thinned_areas_are_the_same_areas(repeated_document: ReportDocument) -> None:
    """Every corner that was left out lies on the edge between the two that stand before and after it."""
    for one in rows_of(repeated_document):
        panels = [latency_panel(one, confidence=0.95), visible_panel(one, confidence=0.95)]
        for area in [it for panel in panels if panel for it in (panel.outer, panel.likely)]:
            kept = list(thinned(area))
            assert len(kept) < len(area) / 2
            at = 0
            for x, y in ((round(x, 1), round(y, 1)) for x, y in area):
                if at + 1 < len(kept) and (x, y) == kept[at + 1]:
                    at += 1
                (x1, y1), (x2, y2) = kept[at], kept[min(at + 1, len(kept) - 1)]
                assert min(x1, x2) <= x <= max(x1, x2)
                assert min(y1, y2) <= y <= max(y1, y2)
                assert (x2 - x1) * (y - y1) == pytest.approx((y2 - y1) * (x - x1), abs=1e-6)
            assert at == len(kept) - 1


def many(site: Site, made: Callable[[int, RowTrials], RowTrials] = lambda _, row: row) -> Repeated:
    """All rows of a site, eight trials each; summarised but once, since what is told of each is not the point here."""
    rows = [row for row in site.expectations if row.behaviour.value != "quiet"]
    pattern = repeated_with(site, [tried(rows[0], "s" * 8)])
    assert pattern.told is not None
    (one,) = pattern.told.rows
    assert one.latency is not None
    found = []
    for number, row in enumerate(rows):
        later = replace(
            one.latency,
            quantiles=tuple(
                replace(it, bounds=Bounds(it.bounds.lo + number * MS, min(FOREVER, it.bounds.hi + number * MS)))
                for it in one.latency.quantiles
            ),
        )
        trials = made(number, replace(one.row, key=row.key, alarm=row.alarm, point=row.point))
        found.append(replace(one, row=trials, latency=later))
    return replace(pattern, told=replace(pattern.told, rows=tuple(found)))


def test_three_hundred_rows_of_one_story_are_told_in_a_line_a_link(
    document_of: Callable[[tuple[str, ...]], ReportDocument],
) -> None:
    large = document_of(tuple(f"tank-{number:03d}.high" for number in range(160)))
    repeated = many(large.site)
    assert repeated.told is not None
    rows = repeated.told.rows
    assert len(rows) > 200
    page = render_html(replace(large, repeated=repeated))
    assert len(page) - len(render_html(large)) < 500 * len(rows) + 100_000
    section = section_of(page)
    heads = re.findall(r"<summary><strong>(.*?)</strong><span class=\"soft\">(.*?)</span>", section)
    counted = {}
    for head, words in heads:
        link, count = re.fullmatch(r"(\w+): (\d+) rows, each shown 8 of 8", head).groups()  # type: ignore[union-attr]
        counted[link] = int(count)
        mine = [it for it in rows if large.site.points[it.row.point].link == link]
        assert len(mine) == int(count)
        medians = [next(it for it in one.latency.quantiles if it.share == 0.5) for one in mine]  # type: ignore[union-attr]
        whole = Bounds(min(it.bounds.lo for it in medians), max(it.bounds.hi for it in medians))
        assert f"50 % within {between(replace(medians[0], bounds=whole))}" in words
        slowest = max(mine, key=lambda it: it.latency.quantiles[0].bounds.hi)  # type: ignore[union-attr]
        assert f"slowest: {slowest.row.alarm} at {slowest.row.point}" in words
        assert "not shown: at most 31.3 % of each (one-sided)" in words
    assert set(counted) == {"panel", "bms", "printer"}
    assert section.count('<th scope="row">') == len(rows), "each is on the page once"
    assert section.count("<figure") == len(counted)
    assert f"Not drawn: {len(rows) - len(counted)} more outputs" in section
    assert "Rows that are told together are not printed one by one" in section


def test_rows_that_differ_stand_first_and_each_by_itself(
    document_of: Callable[[tuple[str, ...]], ReportDocument],
) -> None:
    large = document_of(tuple(f"tank-{number:03d}.high" for number in range(20)))
    missing = tried(large.site.expectations[0], "sssmssss").trials
    odd = ALIKE_FROM - 1

    def made(number: int, row: RowTrials) -> RowTrials:
        return replace(row, trials=missing) if number % 3 == 0 and number < 3 * odd else row

    repeated = many(large.site, made)
    view = MeasuredView(repeated, {name: it.link for name, it in large.site.points.items()})
    (table,) = view.tables
    assert [it.cells[0].text for it in table.lines] == ["7 of 8"] * odd
    assert sum(len(it.lines) for it in table.folds) + odd == len(repeated.told.rows)  # type: ignore[union-attr]


def test_more_rows_that_differ_than_fit_a_table_are_folded_and_said(
    document_of: Callable[[tuple[str, ...]], ReportDocument],
) -> None:
    large = document_of(tuple(f"tank-{number:03d}.high" for number in range(30)))

    def made(number: int, row: RowTrials) -> RowTrials:
        return replace(row, trials=row.trials * (number + 1))

    repeated = many(large.site, made)
    total = len(repeated.told.rows)  # type: ignore[union-attr]
    assert total > OWN_MAX + 1 > EACH_MAX
    view = MeasuredView(repeated, {name: it.link for name, it in large.site.points.items()})
    (table,) = view.tables
    (rest,) = table.folds
    assert (len(table.lines), len(rest.lines)) == (OWN_MAX, total - OWN_MAX)
    assert rest.head == f"{total - OWN_MAX} more rows"
    assert (len(view.drawings), view.not_drawn) == (DRAWN_MAX, total - DRAWN_MAX)


def test_what_slower_polls_would_have_seen_is_told_of_so_many(repeated_document: ReportDocument) -> None:
    first = rows_of(repeated_document)[0]
    slow = replace(first, slower=(slower_poll(first.row.sightings, 2_000 * MS),))
    words = told(with_told(repeated_document, rows=(slow,)))
    assert "a poll every 2 s would have seen 5.1 to 6.1 of these 8 sightings on average" in words
    assert "What slower polls" not in words
    words = told(with_told(repeated_document, rows=(slow,) * (SLOWER_MAX + 2)))
    assert words.count("a poll every 2 s would have seen") == SLOWER_MAX
    assert "What slower polls would have seen of 2 more outputs 'farend measure' tells." in words


def test_names_behind_a_sentence_are_limited_and_the_rest_is_counted(repeated_document: ReportDocument) -> None:
    site = repeated_document.site
    few = [tried(row, "sms") for row in site.expectations]
    words = told(replace(repeated_document, repeated=repeated_with(site, [], few)))
    assert f"{len(few)} rows shown 2 of 3" in words
    assert f"and {len(few) - NAMED_MAX} more" in words


@pytest.mark.parametrize("payload", PAYLOADS, ids=range(len(PAYLOADS)))
def test_a_hostile_text_changes_nothing_but_texts(repeated_document: ReportDocument, payload: str) -> None:
    def poisoned(text: str) -> str:
        first, *_, last = rows_of(repeated_document)
        mine = with_told(repeated_document, rows=(first, last))
        return render_html(mapped(mine, lambda it: text + it))

    page = poisoned(payload)
    assert not hidden(page)
    assert Shape(page).shape == Shape(poisoned("x")).shape
