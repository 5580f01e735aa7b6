"""The plan: which alarms, in which order, with which rows, and how long it may take."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from harness.core.errors import UsageError
from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import Framing, TextLink
from harness.core.model import Site, Step
from harness.run.order import (
    MARGIN_NS,
    Item,
    Selection,
    check_selection,
    gap_ns,
    gone_within_ns,
    hold_ns,
    listened_links,
    longest_ns,
    needs,
    plan_of,
    push_delay_ns,
    settle_ns,
    show_within_ns,
    usual_ns,
)
from tests.peers.sites import site_of


def names(site: Site, **selection: object) -> list[str]:
    return [item.alarm.name for item in plan_of(site, Selection(**selection))]  # type: ignore[arg-type]


def test_all_alarms_in_the_order_of_the_site_file() -> None:
    assert names(site_of()) == ["a.high-high", "a.high", "a.low", "b.leak", "b.due"]


def test_a_plan_does_not_depend_on_the_order_of_the_rows() -> None:
    site = site_of()
    turned = replace(site, expectations=tuple(reversed(site.expectations)))
    assert names(turned) == names(site)


@pytest.mark.parametrize(
    ("only", "expected"),
    [
        (("a.*",), ["a.high-high", "a.high", "a.low"]),
        (("b.due", "a.low"), ["a.low", "b.due"]),
        (("*.high*",), ["a.high-high", "a.high"]),
        (("A.*",), []),  # names are as the site file writes them, on every system
        (("a.high",), ["a.high"]),
    ],
)
def test_patterns(only: tuple[str, ...], expected: list[str]) -> None:
    assert names(site_of(), only=only) == expected


def test_a_link_takes_only_its_rows_and_alarms_without_any_are_left_out() -> None:
    (item,) = plan_of(site_of(), Selection(links=("log",)))
    assert [row.key for row in item.rows] == ["a.high@high-printed"]


def test_keys_take_rows_and_all_conditions_hold_together() -> None:
    site = site_of()
    keys = frozenset({"a.high@high-printed", "b.due@due"})
    assert names(site, keys=keys) == ["a.high", "b.due"]
    assert names(site, keys=keys, only=("a.*",)) == ["a.high"]
    assert names(site, keys=keys, only=("a.*",), links=("bms",)) == []
    assert names(site, keys=frozenset()) == [], "nothing failed earlier is not everything"


def test_excluded_alarms_are_left_out() -> None:
    items = plan_of(site_of(), Selection(only=("a.*",)), excluded=["a.low"])
    assert [item.alarm.name for item in items] == ["a.high-high", "a.high"]


def test_loud_and_quiet_rows() -> None:
    (item,) = plan_of(site_of(), Selection(only=("b.leak",)))
    assert [row.point for row in item.loud] == ["leak"]
    assert [row.point for row in item.quiet] == ["panel-high"]


def test_what_can_be_raised_must_be_able_to_be_cleared() -> None:
    site = site_of()
    high, leak = (plan_of(site, Selection(only=(name,)))[0] for name in ("a.high", "b.leak"))
    assert high.can_be_raised

    def without(item: Item, *steps: Step) -> bool:
        alarm = item.alarm
        left = {step: writes for step, writes in alarm.writes.items() if step not in steps}
        return replace(item, alarm=replace(alarm, writes=left)).can_be_raised

    assert not without(high, Step.RAISE)
    assert not without(high, Step.CLEAR), "an alarm that nobody can clear is never raised"
    assert without(leak, Step.CLEAR), "it clears by itself"
    assert without(high, Step.ACKNOWLEDGE)


def test_listening_covers_the_reference_points_too() -> None:
    site = site_of()
    assert listened_links(site, plan_of(site, Selection(links=("log",)))) == ("panel", "log")
    assert listened_links(site, plan_of(site, Selection(only=("a.low",)))) == ("bms",)


@pytest.mark.parametrize(
    ("selection", "message"),
    [
        (
            Selection(only=("a.*", "b.laek")),
            "--only b.laek: fits no alarm of the site; alarms are a.high-high, ",
        ),
        (Selection(links=("bms", "bsm")), "--link bsm: no such link; links are panel, bms, log"),
    ],
)
def test_a_typing_mistake_does_not_test_less(selection: Selection, message: str) -> None:
    with pytest.raises(UsageError) as caught:
        check_selection(site_of(), selection)
    assert str(caught.value).startswith(message)
    check_selection(site_of(), Selection(only=("a.*", "b.leak"), links=("log",)))


def test_waits_follow_the_limits_and_the_poll_period() -> None:
    site = site_of()
    rows = {row.key: row for row in site.expectations}
    polled, printed, quiet = rows["a.high@high"], rows["a.high@high-printed"], rows["b.due@due"]
    assert gap_ns(site, polled) == 200 * NS_PER_MS + MARGIN_NS
    assert gap_ns(site, printed) == 300 * NS_PER_MS + MARGIN_NS
    assert show_within_ns(site, polled) == 1 * NS_PER_S + gap_ns(site, polled)
    assert show_within_ns(site, quiet) == 3 * NS_PER_S + gap_ns(site, quiet), "without a limit: as long as searched"
    assert gone_within_ns(site, polled) == 2 * NS_PER_S + gap_ns(site, polled)
    dwelling = replace(polled, limits=replace(polled.limits, dwell_ns=5 * NS_PER_S, gone_within_ns=None))
    assert gone_within_ns(site, dwelling) == 5 * NS_PER_S + 400 * NS_PER_MS + gap_ns(site, polled)


def test_what_is_acknowledged() -> None:
    site = site_of()
    assert [item.alarm.name for item in plan_of(site, Selection()) if needs(item, Step.ACKNOWLEDGE)] == ["a.low"]
    assert not any(needs(item, Step.RESET) for item in plan_of(site, Selection()))


def test_the_longest_time_is_never_below_the_usual_one_and_covers_the_limits() -> None:
    site = site_of()
    for item in plan_of(site, Selection()):
        assert usual_ns(site, item) <= longest_ns(site, item)
        for row in item.loud:
            owed = 0 if item.alarm.lasts_ns else row.limits.visible_for_ns or 0
            assert usual_ns(site, item) >= owed
            assert longest_ns(site, item) >= show_within_ns(site, row) + owed + gone_within_ns(site, row)
        for row in item.quiet:
            assert longest_ns(site, item) >= row.limits.search_ns
        if item.alarm.lasts_ns is not None:
            assert usual_ns(site, item) >= item.alarm.lasts_ns.hi


def told(site: Site, **link: Any) -> Site:
    log = site.links["log"]
    assert isinstance(log, TextLink)
    return replace(site, links={**site.links, "log": replace(log, **link)})


def test_what_is_told_is_held_for_longer_than_its_longest_delay() -> None:
    """Two changes less than D apart have bounds that overlap, so no step comes sooner after the one before it."""
    site = told(site_of(), longest_delay_ns=800 * NS_PER_MS)
    (item,) = plan_of(site, Selection(links=("log",)))
    (row,) = item.rows
    assert push_delay_ns(site, row) == 800 * NS_PER_MS
    assert gap_ns(site, row) == hold_ns(site, item.rows) == 800 * NS_PER_MS + MARGIN_NS
    assert settle_ns(site, item.rows) >= 800 * NS_PER_MS + MARGIN_NS
    quick = told(site, longest_delay_ns=10 * NS_PER_MS)
    assert usual_ns(site, item) >= usual_ns(quick, item) + 2 * 790 * NS_PER_MS
    assert longest_ns(site, item) > longest_ns(quick, item)


def test_what_is_framed_by_silence_is_known_only_after_it() -> None:
    site = told(site_of(), longest_delay_ns=100 * NS_PER_MS, framing=Framing.IDLE_GAP, idle_gap_ns=50 * NS_PER_MS)
    (item,) = plan_of(site, Selection(links=("log",)))
    assert push_delay_ns(site, item.rows[0]) == 150 * NS_PER_MS


def test_what_is_polled_or_has_no_longest_delay_is_not_held() -> None:
    site = told(site_of(), longest_delay_ns=None)
    for item in plan_of(site, Selection()):
        for row in item.rows:
            is_told = site.points[row.point].link == "log"
            assert push_delay_ns(site, row) == (0 if is_told else None)
            assert hold_ns(site, [row]) == 0
            assert settle_ns(site, [row]) == row.limits.settle_ns
