"""The live screen: what matters stands highest, nothing is drawn below the last line, hostile names stay names."""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Iterator
from dataclasses import replace

import pytest
from rich.cells import cell_len
from rich.console import Console

from harness.cli.live_view import LiveView
from harness.cli.views import PlainView
from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.model import Result, Site
from harness.core.verdicts import Verdict, VerdictClass
from harness.links.base import LinkState
from harness.run.guide import REASONS, Said
from harness.run.live import LiveSource
from harness.run.order import Item, Selection, plan_of
from harness.run.tools import Progress
from harness.site.profiles import profiles_folder
from harness.site.reading import load_site

SIZES = [(80, 24), (100, 30), (200, 50), (80, 10)]


@pytest.fixture(scope="module")
def site() -> Site:
    """The demo's site: eight links, 28 alarms."""
    return load_site(profiles_folder() / "demo" / "site.yaml")[0]


@pytest.fixture
def items(site: Site) -> tuple[Item, ...]:
    """Its whole plan."""
    return plan_of(site, Selection())


def _screen(view: LiveView, width: int, height: int) -> list[str]:
    console = Console(file=io.StringIO(), width=width, height=height, force_terminal=False, highlight=False)
    with console.capture() as told:
        console.print(view)
    return told.get().splitlines()


def _view(site: Site, items: tuple[Item, ...], asked: list[str] | None = None) -> LiveView:
    return LiveView(site, len(items), None if asked is None else lambda: asked)


def _results(item: Item, verdict: Verdict) -> list[Result]:
    return [
        Result(
            expectation=row.key,
            alarm=row.alarm,
            point=row.point,
            stimulus="1",
            verdict=verdict,
            latency=Bounds(NS_PER_MS, 2 * NS_PER_S),
        )
        for row in item.rows
    ]


def _busy(site: Site, items: tuple[Item, ...]) -> tuple[LiveView, LiveSource]:
    """Everything at once: many notes, links down, persons asked, fails and unknowns by the hundred."""
    view = _view(site, items, ["annunciator: look", "  ? l lit  L dark   lamp: not reported", "  q clear and stop"])
    source = LiveSource(site, lambda: 0)
    view.follow(source)
    for name in site.links:
        source.link_state(name, 1, LinkState.UP, "")
    for name in list(site.links)[1:6]:
        source.link_state(name, 2, LinkState.DOWN, f"no answer from {name}")
    view.baseline(sorted(site.points), ["bus"])
    for number in range(30):
        view.trouble(f"trouble {number}")
    for number, item in enumerate(items):
        view.raising(item, Progress(number=number, total=len(items), left_ns=40 * NS_PER_S))
        for verdict in (Verdict.ON_TIME, Verdict.UNRESOLVED, Verdict.LATE):
            view.judged(item, _results(item, verdict))
    view.raising(items[0], Progress(number=len(items) - 1, total=len(items), left_ns=40 * NS_PER_S))
    view.phase("raised; waiting for its outputs")
    return view, source


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_nothing_is_lost_below_the_last_line(site: Site, items: tuple[Item, ...], width: int, height: int) -> None:
    view, _ = _busy(site, items)
    told = _screen(view, width, height)
    assert len(told) < height
    assert max(map(cell_len, told)) <= width
    assert told[0].startswith(f"{len(items)}/{len(items)} {items[0].alarm.name}   about 40 s left")
    total = sum(len(item.rows) for item in items)
    assert f"\u2717 {total:,} fail  ? {total:,} unknown  \u2713 {total:,} pass" in told[1]
    loud = [row.point for row in items[0].loud]
    assert told[2].startswith(f"raised; waiting for its outputs ({len(loud)}): {loud[0]}"[: width - 1])
    assert told[3] == f"links: {len(site.links) - 5} of {len(site.links)} up; down:"


@pytest.mark.parametrize(("width", "height"), SIZES[:3])
def test_persons_notes_fails_and_matrix_share_the_rest(
    site: Site, items: tuple[Item, ...], width: int, height: int
) -> None:
    view, _ = _busy(site, items)
    told = _screen(view, width, height)
    text = "\n".join(told)
    for line in ("  DOWN ", "and 2 more", "trouble 29 (and", "annunciator: look", "q clear and stop"):
        assert line in text
    assert "\u2717 late" in text
    if height > 24:
        assert any(line.startswith(items[-1].alarm.name) for line in told)
        assert "alarm (" in text


def test_fails_come_before_unknowns_and_the_newest_first(site: Site, items: tuple[Item, ...]) -> None:
    view = _view(site, items)
    for item in items[:3]:
        view.judged(item, _results(item, Verdict.UNRESOLVED)[:1] + _results(item, Verdict.LATE)[:1])
    told = [line for line in _screen(view, 120, 40) if line.startswith(("\u2717", "?"))]
    assert [line[0] for line in told] == ["\u2717"] * 3 + ["?"] * 3
    assert [line.split(": ")[1].split(" at ")[0] for line in told[:3]] == [it.alarm.name for it in items[2::-1]]


def test_what_is_waited_for_follows_what_is_seen(site: Site, items: tuple[Item, ...]) -> None:
    view, source = _view(site, items), LiveSource(site, lambda: 0)
    view.follow(source)
    item = items[0]
    view.raising(item, Progress(number=0, total=len(items), left_ns=0))
    printed = next(row.point for row in item.loud if site.points[row.point].link == "printer")
    view.phase("raised; waiting for its outputs")
    before = _screen(view, 200, 40)[2]
    assert f"({len(item.loud)})" in before
    assert printed in before
    text = next(it.alarm.text for it in items if it is item)
    source.message("printer", 1, 2, f"2026-11-24 12:00:00 {text} RAISED".encode())
    on = [row.point for row in item.loud if row.point in source.states and source.states[row.point].on]
    after = _screen(view, 200, 40)[2]
    assert f"({len(item.loud) - len(on)})" in after
    assert not any(f" {point}," in after for point in on)


def test_where_the_links_do_not_fit_totals_stand_for_them(site: Site, items: tuple[Item, ...]) -> None:
    names = {name: f"{name}-{'x' * 30}" for name in site.links}
    wide = replace(
        site,
        links={names[name]: replace(link, name=names[name]) for name, link in site.links.items()},
        points={name: replace(point, link=names[point.link]) for name, point in site.points.items()},
    )
    view = _view(wide, items)
    view.judged(items[0], _results(items[0], Verdict.ON_TIME))
    told = _screen(view, 80, 24)
    assert told[-2].split() == ["alarm", "rows"]
    assert told[-1].split() == [items[0].alarm.name, f"\u2713{len(items[0].rows)}"]


HOSTILE = "\x1b[2J\x1b]52;c;aGk=\x07\r\n\u202e\u200b[red]x[/red]"


def test_hostile_texts_move_no_cursor(site: Site, items: tuple[Item, ...]) -> None:
    view, source = _busy(site, items)
    source.link_state("bms", 3, LinkState.DOWN, HOSTILE)
    view.trouble(HOSTILE)
    odd = replace(items[0], alarm=replace(items[0].alarm, name=HOSTILE))
    view.raising(odd, Progress(number=0, total=1, left_ns=0))
    view.judged(odd, [replace(it, alarm=HOSTILE) for it in _results(items[0], Verdict.MISSED)[:1]])
    told = _screen(view, 100, 60)
    drawn = "".join(told)
    assert not [one for one in drawn if unicodedata.category(one) in ("Cc", "Cf", "Zl", "Zp")]
    assert "[red]x" in drawn


@pytest.fixture
def plain(site: Site) -> Iterator[tuple[PlainView, LiveSource]]:
    """The plain view of a source."""
    view, source = PlainView(), LiveSource(site, lambda: 0)
    view.follow(source)
    with view:
        yield view, source


def test_plain_lines_one_for_all_passes_and_one_for_each_of_the_others(
    plain: tuple[PlainView, LiveSource], items: tuple[Item, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    view, _ = plain
    item = items[0]
    results = _results(item, Verdict.ON_TIME)
    results[2] = replace(results[2], verdict=Verdict.MISSED, latency=None, reason="it did not appear")
    view.raising(item, Progress(number=0, total=2, left_ns=0))
    view.judged(item, results)
    told = capsys.readouterr().err.splitlines()
    assert told == [
        f"[1/2] raising {item.alarm.name}",
        f"    \u2717 {results[2].point} missed: it did not appear",
        f"    \u2713 {item.alarm.name}: {len(results) - 1} on-time within 2.00 s (slowest: {results[0].point})",
    ]
    assert VerdictClass.FAIL is Verdict.MISSED.verdict_class


def test_plain_lines_tell_of_links_that_go_and_come(
    plain: tuple[PlainView, LiveSource], items: tuple[Item, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    view, source = plain
    source.link_state("bms", 1, LinkState.UP, "")
    view.baseline([], [])
    source.link_state("bms", 2, LinkState.DOWN, "reset by the device")
    view.phase("settling")
    view.phase("settling")
    source.link_state("bms", 3, LinkState.UP, "")
    view.raising(items[0], Progress(number=0, total=1, left_ns=0))
    told = [line.strip() for line in capsys.readouterr().err.splitlines()]
    assert told == [
        "! link bms is down: reset by the device",
        "! link bms is up again",
        f"[1/1] raising {items[0].alarm.name}",
    ]


GUIDED = [
    "> SKIP bulk-a.high-high, because:",
    *(f"    {number}  {reason}" for number, reason in enumerate(REASONS[Said.SKIP], 1)),
    "    Enter  never mind",
    "annunciator beside the door   held for 12 s",
    "> LOOK NOW: bulk-a.high-high; report each change at once",
    "  l lit  L dark          lamp common alarm: dark",
    "  h sounding  H silent   horn horn: silent",
    "  t shown  T not shown   text BULK A WATER: not shown",
    "  u take back (lamp common alarm dark)   , I was late   q clear and stop",
]
"""The most that is ever asked at once of one person who raises and watches."""


@pytest.mark.parametrize(("width", "height"), [(80, 24), (80, 40), (200, 50)])
def test_what_a_guided_person_is_asked_is_always_on_the_screen(
    site: Site, items: tuple[Item, ...], width: int, height: int
) -> None:
    """Whatever else there is to tell: urgent, notes, links down, fails by the hundred."""
    view = LiveView(site, len(items), lambda: GUIDED, guided=True, clock=lambda: 0)
    source = LiveSource(site, lambda: 0)
    view.follow(source)
    for name in site.links:
        source.link_state(name, 1, LinkState.UP, "")
    for name in list(site.links)[1:6]:
        source.link_state(name, 2, LinkState.DOWN, f"no answer from {name}")
    for number in range(30):
        view.trouble(f"trouble {number} " + "of many words " * 12)
    for number, item in enumerate(items):
        view.raising(item, Progress(number=number, total=len(items), left_ns=40 * NS_PER_S))
        view.judged(item, _results(item, Verdict.LATE))
    view.urgent("bms:10011 came on, and nothing that was raised explains it " * 20)
    screen = _screen(view, width, height)
    assert len(screen) <= height
    for line in GUIDED:
        assert line in screen
    assert sum(line.startswith("! bms:10011") for line in screen) >= 1


def test_what_was_urgent_is_gone_once_the_next_alarm_is_raised(site: Site, items: tuple[Item, ...]) -> None:
    view = _view(site, items)
    view.urgent("TAKE IT FOR REAL")
    assert "! TAKE IT FOR REAL" in _screen(view, 80, 24)
    view.raising(items[1], Progress(number=1, total=2, left_ns=0))
    assert "! TAKE IT FOR REAL" not in _screen(view, 80, 24)


def test_the_end_of_a_note_is_told_too(site: Site, items: tuple[Item, ...]) -> None:
    """In two lines at the most; what matters often stands at the end."""
    view = _view(site, items)
    view.trouble("bms:10011 (bulk-b.water) came on unexplained and went when bulk-b.low was cleared: it was ours")
    shown = [line.strip() for line in _screen(view, 80, 24)]
    assert shown[-2:] == [
        "! bms:10011 (bulk-b.water) came on unexplained and went when bulk-b.low was",
        "cleared: it was ours",
    ]


def test_the_bell_rings_with_results_and_with_what_is_urgent(site: Site, items: tuple[Item, ...]) -> None:
    heard = io.StringIO()
    console = Console(file=heard, width=80, height=24, force_terminal=True)
    for guided, bells in ((True, 2), (False, 1)):
        heard.truncate(0)
        view = LiveView(site, 1, console=console, guided=guided)
        view.judged(items[0], _results(items[0], Verdict.ON_TIME))
        view.judged(items[0], [])
        view.urgent("now")
        assert heard.getvalue().count("\a") == bells


def test_a_plan_that_is_repeated_counts_all_its_raises(site: Site, items: tuple[Item, ...]) -> None:
    view = LiveView(site, 1)
    item = items[0]
    view.raising(item, Progress(number=6, total=12, left_ns=0))
    view.judged(item, _results(item, Verdict.ON_TIME))
    head, bar = _screen(view, 80, 24)[:2]
    assert head.startswith("7/12 ")
    assert bar.startswith("[##########..........]")
