"""A budget in a terminal, for programs and as a picture; and what a record measured, beside it."""

from __future__ import annotations

import json
import os
import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from rich.cells import cell_len

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.measure.budget import Chance
from harness.measure.budget_steps import HELD, Need
from harness.report.budget import budget_json, budget_lines
from harness.report.budget_chart import BLOCKS, curves_of
from harness.report.budget_document import Budget, Measured, RowMeasured
from harness.report.budget_measured import measured_lines
from harness.report.budget_picture import budget_html, budget_svg
from harness.report.budget_words import about_words, chance_words, need_words, share_words, span_of
from harness.report.columns import Terminal
from harness.site.profiles import profiles_folder
from harness.site.reading import load_site, read_site
from harness.studies.budget import Asked, budget_of
from harness.studies.budget_what_if import WhatIf

GOLDEN = Path(__file__).parents[2] / "golden" / "report"
F = Fraction
UNITS = "".join(
    f"  - {{alarm: {alarm}, link: bus, unit: {unit}, address: {address}, behaviour: follows}}\n"
    for unit in range(1, 9)
    for alarm, address in (("tank.high", "10001"), ("tank.low", "10016"))
)
SITE = f"""
site: small
title: Small plant (invented)
controller: {{name: panel}}
links:
  bms:
    modbus-tcp: 192.0.2.1
    numbering: reference
    poll every: 500 ms
    output delay: 100 ms
    round trip: 4 ms
    read every: 30 s
  gateway:
    modbus-tcp: 192.0.2.2
    numbering: reference
    behind: bms
    device polls every: 5 s
    poll every: 8 s
  bus:
    modbus-rtu: /dev/ttyUSB0
    baud: 9600
    way: receive-only
    numbering: reference
    timeout: 1 s
    output delay: 0 s
    answer time: 0 s
  building:
    bacnet: 192.0.2.12
    device: 1001
    listen on: 192.0.2.5/24
    poll every: 2 s
    longest delay: 300 ms
    promises every change: yes
    time delay: 5 s
    time delay normal: 3 s
loops:
  level:
    link: bms
    address: 30001
    raw at 4 mA: 819
    raw at 20 mA: 4095
    input from: 0 mA
    input to: 22 mA
    damping: 2 s
    at rest: 42 to 58
alarms:
  tank.high: {{side effects: none}}
  tank.low: {{side effects: none}}
  sump.leak: {{side effects: none, lasts: 6 s +/- 500 ms}}
defaults: {{appears within: 6 s}}
points:
{UNITS}
  - {{alarm: sump.leak, link: bms, address: 10003, behaviour: follows}}
  - {{alarm: tank.low, link: bms, address: 40001.0, behaviour: latched}}
  - {{alarm: tank.high, loop: level, on when: above 90, driven to: 92, behaviour: follows}}
  - {{alarm: sump.leak, link: gateway, address: 10003, behaviour: follows}}
  - {{alarm: sump.leak, link: building, object: BI 3, arrives by: event, behaviour: follows}}
"""


@pytest.fixture(scope="module")
def budget() -> Budget:
    site, _ = read_site({"site.yaml": SITE.encode()}, "site.yaml")
    lengths_ns = (200 * NS_PER_MS, 6 * NS_PER_S)
    return budget_of(site, Asked(lengths_ns=lengths_ns))


def told(budget: Budget, width: int, *, ascii_only: bool = False) -> list[str]:
    return [line.rstrip() for line in budget_lines(budget, Terminal(width=width, ascii_only=ascii_only))]


@pytest.mark.parametrize(("name", "width", "ascii_only"), [("budget-80-ascii", 80, True), ("budget-100", 100, False)])
def test_the_pinned_text(budget: Budget, name: str, width: int, ascii_only: bool) -> None:
    """FAREND_WRITE_GOLDEN=1 writes them anew; then read the difference before committing it."""
    path, text = GOLDEN / f"{name}.txt", "\n".join(told(budget, width, ascii_only=ascii_only)) + "\n"
    if os.environ.get("FAREND_WRITE_GOLDEN") == "1":
        path.write_text(text, encoding="utf-8")
    assert text == path.read_text(encoding="utf-8")
    assert text.isascii() == ascii_only


def test_the_numbers_of_the_table_are_those_published(budget: Budget) -> None:
    """0.99174 and 0.16869 of 0.2 s on eight units at 9,600 baud, all alive and one dead; 0.7 of 6 s through polls of 5
    and 8; a pulse of 6 s behind a Time_Delay of 5 s, and none of 0.2 s.
    """
    lines = told(budget, 100)
    assert any("201.667 ms" in line and line.split()[-2] == "0.99174" for line in lines)
    assert any("with one dead unit: every 1.185625 s" in line and line.split()[-2] == "0.16869" for line in lines)
    assert any("gateway polled by farend every 8 s" in line and line.split()[-2:] == ["0.025", "0.7"] for line in lines)
    assert any("Time_Delay 5 s, Time_Delay_Normal 3 s" in line and line.split()[-2:] == ["0", "1"] for line in lines)


@pytest.mark.parametrize(("width", "ascii_only"), [(80, True), (100, False), (200, False)])
def test_a_large_site_stays_readable(width: int, ascii_only: bool) -> None:
    site, _ = load_site(profiles_folder() / "demo" / "site.yaml")
    demo = budget_of(site, Asked(what_if=WhatIf(reads={"bms": 30 * NS_PER_S})))
    lines = told(demo, width, ascii_only=ascii_only)
    assert max(map(cell_len, lines)) <= width
    assert sum(len(group.rows) for group in demo.groups) > 1000
    assert len(lines) < 200
    flat = " ".join(" ".join(lines).split())
    for group in demo.groups:
        assert f"{group.link}, {len(group.rows)} row" in flat
    assert "sump-a.leak, 1.4 s to 1.6 s: 0.046 to 0.054 by building system at bms:10019" in flat
    assert "what if: the building system reads bms every 30 s" in flat


@pytest.mark.parametrize("width", [80, 100, 120])
@pytest.mark.parametrize("count", [1, 2, 3, 4, 5])
def test_as_many_lengths_as_may_be_asked_fit(width: int, count: int) -> None:
    site, _ = read_site({"site.yaml": SITE.encode()}, "site.yaml")
    lengths_ns = tuple(number * 1_234_567_000 for number in range(1, count + 1))
    lines = told(budget_of(site, Asked(lengths_ns=lengths_ns)), width)
    assert max(map(cell_len, lines)) <= width
    (gateway,) = (number for number, line in enumerate(lines) if "gateway polled by" in line)
    assert "6.61 s" in " ".join(lines[gateway : gateway + 3]), "numbers stand beside the hop or right below it"


def test_rows_are_named_where_asked(budget: Budget) -> None:
    lines = told(replace(budget, explicit=True), 100)
    for group in budget.groups:
        assert all(f"  {row.key}, {row.behaviour}" in lines for row in group.rows)


def test_what_is_certain_is_a_full_block_and_nothing_else(budget: Budget) -> None:
    """The least and the greatest height stand for 0 and 1 alone."""
    lines = told(budget, 100)
    strips = [line for line in lines if set(line) & set(BLOCKS[1:])]
    assert len(strips) > 3
    for curve in curves_of(budget):
        assert curve.at(F(1, 100)) < 1
    ascii_strips = [line for line in told(budget, 80, ascii_only=True) if line.endswith("####")]
    assert ascii_strips


def test_few_ways_have_a_chart_each(budget: Budget) -> None:
    site, _ = read_site({"site.yaml": SITE.encode()}, "site.yaml")
    one = budget_of(site, Asked(rows=("sump.leak@gateway*",), lengths_ns=(6 * NS_PER_S,)))
    lines = told(one, 80, ascii_only=True)
    top = next(index for index, line in enumerate(lines) if line.startswith("   1 |"))
    heights = [line[6:].rstrip() for line in lines[top : top + 10]]
    assert all(len(a) == len(heights[0]) for a in heights[:5])
    firsts = [len(line) - len(line.lstrip()) for line in heights]
    assert firsts == sorted(firsts, reverse=True), "it rises from left to right"


def test_for_programs(budget: Budget) -> None:
    document = json.loads(json.dumps(budget_json(budget)))
    assert document["schema"] == "farend-budget/1"
    assert document["transients_ns"] == [200_000_000, 6_000_000_000]
    ways = {way["link"]: way for way in document["ways"]}
    bus = ways["bus"]["watchers"][0]
    assert bus["hops"][0]["seen"][0]["usual"] == "120/121"
    assert bus["with_one_dead_unit"]["hops"][0]["seen"][0]["chance"] == pytest.approx(0.16869, abs=5e-6)
    assert bus["certain_from_ns"] == 201_666_667
    assert bus["with_one_dead_unit"]["certain_from_ns"] == 1_185_625_000
    gateway = ways["gateway"]["watchers"][0]
    assert gateway["hops"][-1]["seen"][1]["usual"] == "7/10"
    assert gateway["hops"][-1]["latency_ns"]["worst"] == 13_104_000_000
    assert document["not_declared"] == list(budget.assumed)
    assert document["measured"] is None


# --- the picture ----------------------------------------------------------------------------------

SVG = "{http://www.w3.org/2000/svg}"


def test_the_picture_stands_alone_and_says_what_the_table_says(budget: Budget) -> None:
    root = ET.fromstring(budget_svg(budget))  # noqa: S314 - made here
    texts = [it.text or "" for it in root.iter(f"{SVG}text")]
    assert any(text.startswith("Small plant (invented)") for text in texts)
    assert {"0.99174", "0.16869", "0.7", "0.025"} <= set(texts)
    panels = len(list(root.iter(f"{SVG}polyline")))
    assert 4 <= panels <= len(curves_of(budget))
    assert len(list(root.iter(f"{SVG}polygon"))) >= 1, "the loop's rest is known within bounds only"
    for line in root.iter(f"{SVG}polyline"):
        points = [tuple(map(float, pair.split(","))) for pair in str(line.get("points")).split()]
        assert [x for x, _ in points] == sorted(x for x, _ in points)
        assert [y for _, y in points] == sorted((y for _, y in points), reverse=True), "longer is never seen less"
    assert {tag.tag for tag in root.iter()} <= {f"{SVG}{it}" for it in (
        "svg", "style", "rect", "text", "g", "line", "polyline", "polygon", "circle")}  # fmt: skip
    style = root.find(f"{SVG}style")
    assert style is not None
    colours = set(re.findall(r"#([0-9a-f]{3,6})", style.text or ""))
    assert all(len(set(colour)) == 1 for colour in colours), "grey: colour is for verdicts"


def test_a_long_title_fits_the_picture_and_stands_above_it_on_a_narrow_screen(budget: Budget) -> None:
    for title, is_long in ((budget.title, False), ("A very long name of a plant, " * 5, True)):
        named = replace(budget, title=title)
        drawn = ET.fromstring(budget_svg(named)).find(f"{SVG}text[@class='t']")  # noqa: S314 - made here
        assert drawn is not None
        assert (drawn.get("textLength") is not None) == is_long
        assert f"<h1>{title.strip()}" in " ".join(budget_html(named).split()).replace(" : ", ": ")


def test_names_of_a_site_file_cannot_break_out_of_the_picture(budget: Budget) -> None:
    sharp = replace(budget, title="<script>alert(1)</script> & \x1b[31m", what_if=("</svg>",))
    for text in (budget_svg(sharp), budget_html(sharp)):
        assert "<script" not in text
        assert "\x1b" not in text
    ET.fromstring(budget_svg(sharp))  # noqa: S314 - made here


def test_an_alarm_that_may_last_no_time_at_all_can_be_missed() -> None:
    text = SITE.replace("lasts: 6 s +/- 500 ms", "lasts: 3 s +/- 3 s")
    site, _ = read_site({"site.yaml": text.encode()}, "site.yaml")
    lines = " ".join(" ".join(told(budget_of(site, Asked(rows=("sump.leak@bms*",))), 100)).split())
    assert "where they can be missed (chance seen) sump.leak, 0 s to 6 s: 0 to 1 by farend at bms" in lines


def test_where_nothing_can_be_missed_the_picture_says_so() -> None:
    site, _ = read_site({"site.yaml": SITE.encode()}, "site.yaml")
    held = budget_of(site, Asked(rows=("tank.low@bms*",)))
    assert "Nothing here can be missed" in budget_svg(held)


# --- words ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        *((F(0), "0"), (F(1), "1"), (F(1, 10**7), "<0.00001"), (1 - F(1, 10**7), ">0.99999"), (F(7, 10), "0.7")),
        (F(120, 121), "0.99174"),
    ],
)
def test_0_and_1_are_told_only_where_it_is_just_that(chance: Fraction, words: str) -> None:
    assert share_words(chance) == words


def test_a_chance_that_moves_is_never_told_as_certain() -> None:
    """With the usual case at 1 and the slowest below, both ends are told."""
    assert chance_words(Chance(slowest=F(9996, 10000), usual=F(1), quickest=F(1))) == "0.999 to 1"
    assert chance_words(Chance(slowest=F(0), usual=F(0), quickest=F(1, 1000))) == "0 to 0.001"
    assert chance_words(Chance(slowest=F(1, 4), usual=F(1, 2), quickest=F(3, 4))) == "~0.5"
    assert span_of(Chance(slowest=F(1, 3), usual=F(1, 2), quickest=F(2, 3))) == "0.333 to 0.667"


def test_lengths_and_times() -> None:
    assert need_words(None) == "never for certain"
    assert need_words(Need()) == "whatever its length"
    assert need_words(Need(length=F(5))) == "longer than 5 s"
    assert need_words(Need(length=F("0.12"), longer=False)) == "from 120 ms"
    assert need_words(Need(length=HELD, longer=False)) == "only what is held"
    assert [about_words(F(it)) for it in ("0", "0.1604", "9.991", "30.17", "599.2", "700", "40000")] == [
        *("0 ms", "161 ms", "10 s", "30.2 s", "600 s", "11.7 min", "11.2 h"),
    ]


# --- measured beside it ---------------------------------------------------------------------------


def measured(**changes: object) -> RowMeasured:
    row = RowMeasured(
        key="tank.high@bms:10001", link="bms", trials=20, shown=20,
        latencies=(Bounds(90 * NS_PER_MS, 210 * NS_PER_MS),),
        predicted=Bounds(100 * NS_PER_MS, 150 * NS_PER_MS), share=(0.83, 1.0), chance=(F(1), F(1)),
    )  # fmt: skip
    return replace(row, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize("width", [80, 200])
def test_a_value_outside_is_a_result_to_explain(width: int) -> None:
    odd = measured(
        shown=12, outside=("seen 12 of 20, and at least 1 of them was predicted",), could_be=("a dead unit",)
    )
    document = Measured(records=("a.farend",), rows=(odd, measured()), confidence=0.95, left_out=1)
    lines = measured_lines(document, Terminal(width=width))
    flat = " ".join(" ".join(lines).split())
    assert "TO EXPLAIN tank.high@bms:10001: seen 12 of 20" in flat
    assert "could be: a dead unit" in flat
    assert "2 rows, 40 trials: 1 not contradicted, 1 to explain" in flat
    assert "within the prediction, bounds and all, of none of these; bounds that only reach into it" in flat
    assert "32 of 40" in flat
    assert "1 trial left out, of which nothing can be measured" in flat
    assert max(map(cell_len, lines)) <= width


def test_within_is_said_only_of_bounds_that_lie_wholly_inside() -> None:
    """Predicted 100 to 150 ms: bounds that reach out at either end only do not contradict it."""
    inside = measured(latencies=(Bounds(100 * NS_PER_MS, 150 * NS_PER_MS),))
    early, late, none = (
        measured(latencies=it)
        for it in ((Bounds(99 * NS_PER_MS, 150 * NS_PER_MS),), (Bounds(100 * NS_PER_MS, 151 * NS_PER_MS),), ())
    )
    assert [it.is_within for it in (inside, early, late, none)] == [True, False, False, False]

    def told(*rows: RowMeasured) -> str:
        lines = measured_lines(Measured(records=("a",), rows=rows, confidence=0.95), Terminal(width=200))
        return " ".join(" ".join(lines).split())

    assert "4 not contradicted, 0 to explain every latency lies within the prediction, bounds and all, of 1 of" in (
        told(inside, early, late, none)
    )
    assert "bounds and all, of all of these shares" in told(inside, inside)
    assert "lies within" not in told(measured(outside=("seen 12 of 20",)))


def test_nothing_measured_is_said() -> None:
    lines = measured_lines(Measured(records=("a.farend",), rows=(), confidence=0.95), Terminal(width=80))
    assert "  nothing of these rows was measured" in lines
