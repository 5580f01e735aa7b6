"""A comparison as a page: findings first, every row once, and nothing in it that a text could break."""

from __future__ import annotations

import itertools
import os
import re
from pathlib import Path

import pytest

from harness.core.verdicts import VerdictClass
from harness.measure.run_comparison import Asked, Outcome, Side
from harness.report.compare_html import EACH_MAX, OWN_MAX, render_compare_html
from harness.report.compare_told import changes, failing, map_differences
from harness.report.compare_words import row_words
from harness.report.comparison import ComparisonDocument
from tests.unit.report.conftest import mapped
from tests.unit.report.test_compare import ALL, FEW, MS, document, pair, side
from tests.unit.report.test_hostile import PAYLOADS, Shape, hidden
from tests.unit.report.test_html import Page

GOLDEN = Path(__file__).parents[2] / "golden" / "report"


def body_of(page: str) -> str:
    """The page without its styles."""
    return page[page.index("<header>") : page.index("</body>")]


def words(page: Page, section: str) -> str:
    return " ".join(page.texts[section].split())


@pytest.fixture(scope="module")
def page() -> Page:
    return Page(render_compare_html(ALL))


def test_the_golden_page() -> None:
    """FAREND_WRITE_GOLDEN=1 writes it anew; then read the difference before committing it."""
    body = body_of(render_compare_html(ALL)).encode()
    if os.environ.get("FAREND_WRITE_GOLDEN") == "1":
        (GOLDEN / "compared.html").write_bytes(body)
    assert body == (GOLDEN / "compared.html").read_bytes()


def test_findings_come_first_and_are_those_of_the_text(page: Page) -> None:
    assert list(page.texts)[:2] == ["front", "findings"]
    front = words(page, "front")
    assert "FAILED: of 11 expectations: 3 regressed, 1 vanished, 1 unknown and not allowed" in front
    assert "before.farend, firmware 1.4.1" in front
    assert front.count("ab" * 32) == 2
    assert "false alarms at most 5 % over all tests together" in front
    likely = "points:\n  bms:10003: tank-3  # the same address\n"
    assert f'<pre class="lines">{likely}</pre>' in render_compare_html(ALL)
    for section, told in (("findings", failing), ("changes", changes), ("maps", map_differences)):
        found = list(told(ALL))
        assert found
        for head, text in found:
            assert f"{head} {text}" in words(page, section)


@pytest.mark.parametrize(
    ("after", "shape"),
    [(side(missed=8), "v-fail"), (Side(), "v-unknown"), (side(), "")],
    ids=("fail", "unknown", "none"),
)
def test_a_comparison_that_fails_by_unknowns_alone_shows_no_fail(after: Side, shape: str) -> None:
    text = render_compare_html(document([pair(1, side(), after)]))
    (outcome,) = re.findall(r'<p class="outcome">(.*?)</p>', text)
    assert re.findall(r'href="#(.*?)"', outcome) == ([shape] if shape else [])
    assert ("FAILED" in outcome) is bool(shape)


def test_how_many_trials_it_takes_is_said_with_the_findings(page: Page) -> None:
    assert "it takes 4 in each run for one test alone, and 6 where each row is tested" in words(page, "findings")
    enough = Page(render_compare_html(document([pair(1, side(), side())])))
    assert "Too few trials" not in words(enough, "findings")
    assert "Nothing is, of what was compared." in words(enough, "findings")
    assert "no regression in 1 expectation" in words(enough, "front")


def test_what_was_not_compared_is_a_finding_and_unknown() -> None:
    text = render_compare_html(FEW)
    told = words(Page(text), "findings")
    assert "NOT COMPARED tank-1.high at bms:10001: times and misses not compared: too few trials, 6 against 2" in told
    assert "Too few trials in all 3 rows, each by itself:" in told
    assert "Nothing is" not in told
    (outcome,) = re.findall(r'<p class="outcome">(.*?)</p>', text)
    assert re.findall(r'href="#(.*?)"', outcome) == ["v-unknown"]
    verdicts = Page(render_compare_html(document([pair(1, side(), side())], asked=Asked(verdicts_only=True))))
    assert "No verdict is; times and misses are not compared (--verdicts)." in words(verdicts, "findings")


def test_every_row_is_there_with_what_both_runs_have_and_the_size_of_change(page: Page) -> None:
    told = words(page, "rows")
    for row in ALL.compared.rows:
        assert told.count(row_words(row)) == 1
    assert "regressed all 8 passed all 8 passed comes later, by 0.382 to 0.419 s; 8 against 8 trials (chance" in re.sub(
        r"(regressed|passed)(?=\S)", r"\1 ", told
    )
    assert "too few trials (3 against 3)" in told
    assert "no change worth more than 100 ms (8 against 8)" in told
    assert told.count("is missed more often: 8 of 8, before 0 of 8") == 1
    assert "fails more often" not in told, "that it fails so often is not told beside that it is missed so often"
    assert told.index("tank-9.high") < told.index("tank-5.high"), "what fails the comparison stands first"


def test_a_run_is_told_by_shape_and_word_and_not_by_colour_alone(page: Page) -> None:
    tags = page.tags
    sides = [at for at, (tag, given) in enumerate(tags) if tag == "span" and (given.get("class") or "")[:5] == "side "]
    assert len(sides) == 2 * len(ALL.compared.rows)
    for at in sides:
        shape = (tags[at][1]["class"] or "").removeprefix("side ")
        assert shape in {f"v-{it}" for it in (*VerdictClass, "none")}
        assert tags[at + 2] == ("use", {"href": f"#{shape}"})


def test_it_stands_alone_and_its_headings_and_tables_are_in_order(page: Page) -> None:
    tags = {tag for tag, _ in page.tags}
    assert page.open == []
    assert not tags & {"script", "iframe", "img", "object", "embed", "base", "form"}
    assert page.values("src") == []
    ids = page.values("id")
    assert len(ids) == len(set(ids))
    named = [*page.values("href"), *page.values("aria-labelledby")]
    assert {it.removeprefix("#") for it in named if it != "data:,"} <= set(ids)
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    assert {given.get("scope") for tag, given in page.tags if tag == "th"} == {"col", "row"}


def large(rows: int) -> ComparisonDocument:
    """Some that fail, and so many of which the same is to be said."""
    pairs = [pair(it, side(), side(missed=8)) for it in range(20)]
    pairs += [pair(it, side(), side(1)) for it in range(20, rows)]
    pairs += [pair(it, side(trials=3), side(trials=3), link="panel") for it in range(rows, rows + 30)]
    return document(pairs, asked=Asked(level=0.2, worth_ns=200 * MS))


def test_three_hundred_rows_stay_readable_and_what_fails_is_never_folded() -> None:
    whole = large(300)
    text = render_compare_html(whole)
    assert len(text) < 700 * len(whole.compared.rows) + 40_000
    assert text.count('<th scope="row">tank-') == len(whole.compared.rows), "each is on the page once"
    folded = re.findall(r"<details.*?</details>", text, re.DOTALL)
    assert [re.search(r"<strong>(.*?)</strong>", it)[1] for it in folded] == [  # type: ignore[index]
        "bms: 280 rows, same",
        "panel: 30 rows, same",
    ]
    assert "latency: no change worth more than 200 ms" in folded[0]
    assert "latency: too few trials" in folded[1]
    assert not any("regressed" in it for it in folded)
    assert "Rows that are told together are not printed one by one" in text


def test_a_fold_with_a_change_has_bounds_that_hold_for_each_of_its_rows() -> None:
    pairs = [pair(it, side(400 + it), side()) for it in range(50)]
    whole = document(pairs, asked=Asked(level=0.2))
    assert {it.outcome for it in whole.compared.rows} == {Outcome.CHANGED}
    (fold,) = re.findall(r"<details.*?</summary>", render_compare_html(whole), re.DOTALL)
    told = re.search(r"comes sooner, by ([\d.]+) to ([\d.]+) s", fold)
    assert told is not None
    low, high = (float(it) for it in told.groups())
    for row in whole.compared.rows:
        (latency,) = [it for it in row.compared if it.difference is not None]
        assert low <= -latency.difference.hi / 1e9  # type: ignore[union-attr]
        assert -latency.difference.lo / 1e9 <= high  # type: ignore[union-attr]


def test_more_that_fail_than_fit_a_table_are_folded_and_said() -> None:
    count = OWN_MAX + 30
    assert count > EACH_MAX
    many = document([pair(it, side(), side(missed=8)) for it in range(count)], asked=Asked(level=0.2))
    text = render_compare_html(many)
    assert text.count('<th scope="row">tank-') == count
    assert "<strong>30 more rows</strong>" in text


@pytest.mark.parametrize("payload", PAYLOADS, ids=range(len(PAYLOADS)))
def test_a_hostile_text_changes_nothing_but_texts(payload: str) -> None:
    def poisoned(text: str) -> str:
        return render_compare_html(mapped(ALL, lambda it: text + it))

    text = poisoned(payload)
    assert not hidden(text)
    text.encode()
    assert Shape(text).shape == Shape(poisoned("x")).shape
