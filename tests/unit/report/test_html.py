"""The page stands alone, says everything that it has to say, and can be read without seeing colours."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from harness.core.instants import NS_PER_S, Bounds
from harness.core.verdicts import Verdict, VerdictClass
from harness.report.document import ReportDocument
from harness.report.html import COLUMNS_MAX, render_html
from harness.report.matrix import matrix_of
from harness.report.standing import standing_of
from harness.report.words import CAUTIONS, NOT_TESTED

VOID = {"meta", "link", "br", "wbr"}


class Page(HTMLParser):
    """A page as lists: tags with attributes, the text of each section, ids and the targets of links."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.texts: dict[str, str] = {}
        self._section = "front"
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        self.tags.append((tag, named))
        if tag == "section":
            self._section = named["id"] or ""
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not {"style", "title", "svg"} & set(self.open):
            self.texts[self._section] = self.texts.get(self._section, "") + data

    def values(self, name: str) -> list[str]:
        """Every value of an attribute."""
        return [attributes[name] or "" for _, attributes in self.tags if name in attributes]


@pytest.fixture(scope="module")
def page(document: ReportDocument) -> Page:
    return Page(render_html(document))


def _words(page: Page, section: str) -> str:
    return " ".join(page.texts[section].split())


def test_it_is_well_formed_and_says_its_language(page: Page) -> None:
    assert page.open == []
    assert ("html", {"lang": "en"}) in page.tags


def test_it_fetches_nothing_and_runs_nothing(document: ReportDocument, page: Page) -> None:
    tags = {tag for tag, _ in page.tags}
    assert not tags & {"script", "iframe", "img", "object", "embed", "base", "form"}
    assert page.values("src") == []
    assert all(link.startswith("#") or link == "data:," for link in page.values("href"))
    assert not [name for _, attributes in page.tags for name in attributes if name.startswith("on") or name == "style"]
    style = render_html(document).split("<style>")[1].split("</style>")[0]
    assert set(re.findall(r"url\((.*?)\)", style)) == {"#hatch", "#dots"}
    assert "@import" not in style


def test_every_link_within_the_page_leads_somewhere_and_ids_are_unique(page: Page) -> None:
    ids = page.values("id")
    assert len(ids) == len(set(ids))
    named = [*page.values("href"), *page.values("aria-labelledby")]
    assert {link.removeprefix("#") for link in named if link != "data:,"} <= set(ids)


def test_the_front_page_says_who_when_what_and_the_cautions(page: Page) -> None:
    front = " ".join(page.texts["front"].split())
    for said in (
        "Hollowmere Hospital, standby fuel plant",
        "plant controller (simulated) typed",
        "3.2.1 read",
        "A. Technician",
        "2026-11-25 23:51:07 UTC",
        "2026-11-26 00:51:07 UTC+01:00",
        "farend 0.1.0",
        "interrupted : stopped with Ctrl-C".replace(" :", ":"),
        NOT_TESTED,
        *CAUTIONS,
    ):
        assert said in front
    assert "the authority having jurisdiction" in front
    assert "licensed practice" in front


def test_the_summary_counts_every_class_and_says_what_was_not_restored(document: ReportDocument, page: Page) -> None:
    summary, standing = _words(page, "summary"), standing_of(document)
    for one in VerdictClass:
        assert f"{one.value}{standing.count(one)}" in summary
    assert "not tested1" in summary
    assert "The test failed" in summary
    assert "Not restored after attempt 2: 1 thing is not as found." in summary


def test_every_fail_and_unknown_is_told_with_its_reason_and_picture(document: ReportDocument, page: Page) -> None:
    standing = standing_of(document)
    for section, wanted in (("failures", VerdictClass.FAIL), ("unknowns", VerdictClass.UNKNOWN)):
        told = _words(page, section)
        rows = standing.of_class(wanted)
        assert rows
        for row in rows:
            assert f"{row.verdict} {row.alarm.name} at {row.point.name}" in told.replace("\u2002", "")
            assert row.reason in told
            for cause in row.results[0].causes:
                assert cause.text in told
                assert cause.evidence in told + _words(page, "causes")
                assert cause.next_check in told + _words(page, "causes")
    pictures = [attributes for tag, attributes in page.tags if tag == "svg" and attributes.get("role") == "img"]
    assert len(pictures) == len(standing.of_class(VerdictClass.FAIL)) + len(standing.of_class(VerdictClass.UNKNOWN))
    assert all("off until" in (attributes["aria-label"] or "") for attributes in pictures)


def test_passes_points_blind_time_reviews_and_log_are_there(document: ReportDocument, page: Page) -> None:
    standing = standing_of(document)
    rows = [attributes["id"] for tag, attributes in page.tags if tag == "tr" and "id" in attributes]
    assert len(rows) == len(standing.of_class(VerdictClass.PASS))
    proved = _words(page, "proved")
    for row in standing.rows:
        assert row.point.name in proved
    assert proved.count("Not proved: that the building system reads the same address") == 2
    coverage = _words(page, "coverage")
    assert "bms was blind: connection reset by the device (8 s from" in coverage
    assert "97.61 %" in coverage
    assert "jumped by -13 ms" in coverage
    assert "taken as set to UTC+01:00: 3.1 to 4.6 s ahead" in coverage
    assert "hold of 1 s, not declared" in _words(page, "assumptions")
    for note in (*document.site.notes, *document.attempts[0].notes):
        assert page.texts["assumptions"].count(note) == 1
    effects = _words(page, "side-effects")
    assert effects.count("isolated by B. Operator") == 2 * len(document.site.side_effects)
    assert "bms.bulk-b.high" in _words(page, "as-left")
    assert "repeated attempt 1: a second line arrived" in _words(page, "attempts")
    log = _words(page, "log")
    for stimulus in (one for attempt in document.attempts for one in attempt.stimuli):
        assert f"{stimulus.alarm}{document.site.alarms[stimulus.alarm].text}" in log
    assert "2026-11-25 00:51:12.4 to 12.5" in log


def test_notices_and_inhibits_are_told_with_their_state(document: ReportDocument, page: Page) -> None:
    told = _words(page, "ledger")
    assert "The site file wants these told before a test: monitoring station." in told
    assert "B. Operator, 2026-11-26 00:31:07 UTC+01:002026-11-26 02:31:07 UTC+01:00not told" in told
    assert "stays off with its relay pulled inC. Fitterby C. Fitter, 2026-11-26 01:31:07 UTC+01:00; shown to" in told
    assert "Still open after attempt 2: a notice or an inhibit." in _words(page, "summary")
    effects = _words(page, "side-effects")
    assert "Reviews of attempt 2: reviews.yaml, valid through 2026-12-24, bound to 3f2a-91c0-77de." in effects
    assert "On before anything was raised in attempt 1: bms.bulk-a.low (float switch stuck)." in effects
    assert effects.count("shut by hand and tagged") == 2 * len(document.site.side_effects)


def test_a_site_without_a_ledger_says_nothing_of_one(document: ReportDocument) -> None:
    attempts = tuple(replace(one, ledger=None, standing=(), reviewed="") for one in document.attempts)
    page = render_html(replace(document, attempts=attempts))
    assert "Notices and inhibits" not in page
    assert "On before anything was raised" not in page


def test_the_glossary_has_every_verdict_word(page: Page) -> None:
    glossary = _words(page, "glossary")
    for verdict in Verdict:
        assert f"{verdict.value}{verdict.meaning}" in glossary


def test_tables_say_what_their_heads_are_for(page: Page) -> None:
    scopes = [attributes.get("scope") for tag, attributes in page.tags if tag == "th"]
    assert scopes
    assert set(scopes) == {"col", "row", "colgroup"}


def test_no_verdict_is_told_by_colour_alone(page: Page) -> None:
    """Every coloured verdict has its shape beside its word."""
    tags = page.tags
    for at, (tag, attributes) in enumerate(tags):
        if tag == "span" and re.match(r"v v-", attributes.get("class") or ""):
            shape = attributes["class"].split()[1]  # type: ignore[union-attr]
            assert tags[at + 1][0] == "svg"
            assert tags[at + 2] == ("use", {"href": f"#{shape}"})


def _luminance(colour: str) -> float:
    channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in channels]
    return sum(weight * one for weight, one in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


@pytest.mark.parametrize(
    ("ink", "ground"),
    [
        ("ink", "paper"),
        ("soft", "paper"),
        ("soft", "fail-tint"),
        ("soft", "unknown-tint"),
        ("fail", "fail-tint"),
        ("unknown", "unknown-tint"),
        ("pass", "paper"),
        ("ink", "faint"),
    ],
)
def test_texts_stand_out_from_their_ground(document: ReportDocument, ink: str, ground: str) -> None:
    """WCAG 2.1, success criterion 1.4.3: a contrast of 4.5 to 1 for text."""
    style = render_html(document).split("<style>")[1]
    colours = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]+)", style))
    colours["paper"] = "#ffffff"
    light, dark = sorted((_luminance(colours[ink]), _luminance(colours[ground])), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 4.5


def test_an_empty_report_says_so(document: ReportDocument) -> None:
    words = Page(render_html(replace(document, attempts=())))
    assert "Everything passed" not in _words(words, "summary")
    assert "Nothing failed, and not everything is proven" in _words(words, "summary")
    assert "Nothing passed." in _words(words, "passes")


def test_nothing_compared_afterwards_is_not_called_restored(document: ReportDocument) -> None:
    attempts = tuple(replace(one, as_left=None) for one in document.attempts)
    left = _words(Page(render_html(replace(document, attempts=attempts))), "as-left")
    assert left.count("Nothing was compared afterwards.") == 2
    attempts = tuple(replace(one, as_left=()) for one in document.attempts)
    left = _words(Page(render_html(replace(document, attempts=attempts))), "as-left")
    assert left.count("Everything that was compared is as it was found.") == 2


def test_a_row_with_many_results_is_one_entry(document: ReportDocument) -> None:
    newest = document.attempts[0]
    judgement = newest.judgement
    late = next(result for result in judgement.results if result.verdict is Verdict.LATE)
    passed = replace(late, verdict=Verdict.ON_TIME, causes=())
    many = replace(newest, judgement=replace(judgement, results=(*judgement.results, *[late] * 2, *[passed] * 3)))
    told = _words(Page(render_html(replace(document, attempts=(many, *document.attempts[1:])))), "failures")
    assert "3 of 6 results" in told


def test_six_hundred_rows(document_of: Callable[[tuple[str, ...]], ReportDocument]) -> None:
    names = tuple(f"tank-{number:03d}.high" for number in range(160))
    large = document_of(names)
    assert len(large.site.expectations) > 500
    page = Page(render_html(large))
    for row in large.site.expectations:
        assert row.point in page.texts["passes"]


def test_a_crowded_site_is_first_told_by_links(crowded_document: ReportDocument) -> None:
    page = Page(render_html(crowded_document))
    told = _words(page, "matrix")
    standing = standing_of(crowded_document)
    for link in crowded_document.site.links:
        assert link in told
    for one in (VerdictClass.PASS, None):
        word = "pass" if one else "not tested"
        counted = sum(int(number) for number in re.findall(rf"(\d+) {word}", told))
        assert counted == len(standing.of_class(one))
    for row in standing.of_class(VerdictClass.FAIL):
        assert re.search(rf"\d+ {row.verdict}", told)
    hrefs = {attributes["href"] for tag, attributes in page.tags if tag == "a"}
    ids = {f"#{attributes['id']}" for _, attributes in page.tags if "id" in attributes}
    assert hrefs <= ids


def test_outputs_come_in_tables_that_fit_a_sheet_each_under_its_link(crowded_document: ReportDocument) -> None:
    page = Page(render_html(crowded_document))
    groups = [int(attributes["colspan"] or 0) for tag, attributes in page.tags if attributes.get("scope") == "colgroup"]
    assert sum(groups) == len(matrix_of(crowded_document.site, standing_of(crowded_document)).columns)
    assert max(groups) <= COLUMNS_MAX
    told = _words(page, "outputs")
    for name in crowded_document.site.alarms:
        assert name in told


def test_passes_are_folded_by_link_and_said_not_to_be_printed_row_by_row(page: Page) -> None:
    opened = [attributes for tag, attributes in page.tags if tag == "details"]
    assert opened
    assert not any("open" in attributes for attributes in opened)
    assert "Not printed row by row" in _words(page, "passes")
    assert sum(tag == "summary" for tag, _ in page.tags) == len(opened)


def test_a_crossed_card_shows_where_it_did_appear(document: ReportDocument) -> None:
    oldest = document.attempts[-1]
    crossed = next(it for it in oldest.judgement.results if it.verdict is Verdict.CROSSED)
    place = "panel.day.low"
    there = replace(next(it for it in oldest.timelines if it.stimulus == crossed.stimulus), point=place, expectation="")
    results = tuple(
        replace(it, elsewhere=place, latency=Bounds(0, NS_PER_S)) if it is crossed else it
        for it in oldest.judgement.results
    )
    changed = replace(
        oldest,
        judgement=replace(oldest.judgement, results=results),
        timelines=(*oldest.timelines, there),
    )
    page = Page(render_html(replace(document, attempts=(changed,))))
    pictures = [attributes["aria-label"] or "" for tag, attributes in page.tags if attributes.get("role") == "img"]
    lane = f"{place} (it appeared here instead, the place of day.low): "
    told = next(it for it in pictures if f"{crossed.point}: " in it and lane in it)
    assert told.index(lane) < told.index(f"{crossed.point}: "), "next to where it should have been"
    assert f"Latency at {place}" in _words(page, "failures")


def test_unknowns_with_the_same_causes_share_a_card_and_keep_their_own_bounds(document: ReportDocument) -> None:
    oldest = document.attempts[-1]
    results = tuple(
        replace(it, verdict=Verdict.UNRESOLVED, reason=f"the limit lies inside, number {number}", causes=())
        if it.point.startswith("panel.")
        else it
        for number, it in enumerate(oldest.judgement.results)
    )
    changed = replace(oldest, judgement=replace(oldest.judgement, results=results))
    page = Page(render_html(replace(document, attempts=(changed,))))
    told = _words(page, "unknowns")
    mine = [it for it in results if it.point.startswith("panel.")]
    assert f"{len(mine)} rows on panel" in told
    for it in mine:
        assert it.reason in told
    ids = [attributes["id"] for _, attributes in page.tags if re.fullmatch(r"r\d+", attributes.get("id") or "")]
    assert len(ids) == len(set(ids))


def test_a_link_that_was_not_listened_to_has_no_figures(document: ReportDocument) -> None:
    newest = document.attempts[0]
    links = tuple(replace(it, listened=it.link != "bms", conditions=("polled every 100 ms",)) for it in newest.links)
    page = Page(render_html(replace(document, attempts=(replace(newest, links=links), *document.attempts[1:]))))
    told = _words(page, "coverage")
    assert told.count("not listened to in this attempt") == 1
    assert "polled every 100 ms" in told
