"""Over how long a time raises are spread: by each alarm's own way, by what the run was asked for, and nothing else."""

from __future__ import annotations

from dataclasses import replace
from random import Random
from typing import Any

import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.links import BusWay, ModbusRtuLink, ModbusTcpLink, SerialPort, TextLink
from harness.core.model import Alarm, Behaviour, Site
from harness.run.order import Item, Selection, gone_within_ns, plan_of, show_within_ns, usual_ns
from harness.run.preview import preview_of
from harness.run.spread import (
    LEAST_NS,
    SEEN_MAX_NS,
    SEEN_TIMES,
    SINGLE_MAX_NS,
    UNDECLARED_NS,
    Spread,
    slowest_poll_ns,
    undeclared_polls,
)
from harness.run.testing import TestOptions, takes_ns
from tests.peers.sites import site_of

MINUTE_NS = 60 * NS_PER_S


def item_of(site: Site, alarm: str, *links: str) -> Item:
    (item,) = plan_of(site, Selection(only=(alarm,), links=links))
    return item


def timed(site: Site, link: str, **times: Any) -> Site:
    return replace(site, times={**site.times, link: replace(site.times_of(link), **times)})


def test_over_the_slowest_poll_on_its_own_way() -> None:
    site = site_of()
    own_ns = Spread(site).over_ns(item_of(site, "a.high", "bms"))
    assert own_ns == 100 * NS_PER_MS
    slow = timed(site, "bms", device_poll_ns=7 * own_ns)
    assert Spread(slow).over_ns(item_of(slow, "a.high", "bms")) == 7 * own_ns
    behind = replace(timed(site, "panel", device_poll_ns=3 * NS_PER_S), behind={"bms": "panel"})
    assert Spread(behind).over_ns(item_of(behind, "a.high", "bms")) == 3 * NS_PER_S


def test_what_is_slow_on_another_ones_way_holds_nothing_up() -> None:
    site = timed(site_of(), "log", device_poll_ns=MINUTE_NS)
    spread = Spread(site, repeat=10)
    assert spread.over_ns(item_of(site, "a.high", "log")) == MINUTE_NS + SEEN_MAX_NS
    assert spread.over_ns(item_of(site, "a.high")) == MINUTE_NS + SEEN_MAX_NS, "one of its rows is there"
    assert spread.over_ns(item_of(site, "a.high", "bms")) < 2 * NS_PER_S


@pytest.mark.parametrize(
    ("asked", "over_ns"),
    [
        ({}, SINGLE_MAX_NS),
        ({"repeat": 2}, MINUTE_NS + SEEN_MAX_NS),
        ({"held_ns": (NS_PER_S,)}, MINUTE_NS + SEEN_MAX_NS),
        ({"by_hand": True}, 0),
        ({"by_hand": True, "repeat": 2}, 0),
    ],
)
def test_only_what_is_raised_again_and_again_waits_for_a_slow_poll(asked: dict[str, Any], over_ns: int) -> None:
    site = timed(site_of(), "bms", device_poll_ns=MINUTE_NS)
    assert Spread(site, **asked).over_ns(item_of(site, "a.high")) == over_ns


def test_what_a_run_raised_before_is_measured_with_it() -> None:
    site = timed(site_of(), "bms", device_poll_ns=MINUTE_NS)
    item = item_of(site, "a.high")
    assert Spread(site).over_ns(item, is_again=True) == MINUTE_NS + SEEN_MAX_NS
    assert Spread(site, by_hand=True).over_ns(item, is_again=True) == 0


def test_a_cycle_that_a_rate_makes_longer_than_its_period_counts_as_it_is() -> None:
    site = site_of()
    spec = site.links["bms"]
    assert isinstance(spec, ModbusTcpLink)
    limited = replace(site, links={**site.links, "bms": replace(spec, requests_per_s_max=2.0)})
    assert slowest_poll_ns(limited, "bms") >= 500 * NS_PER_MS, (
        "one read at the least, of which two a second may be sent"
    )
    slow = timed(site, "bms", round_trip=Bounds(0, 2 * NS_PER_S))
    assert slowest_poll_ns(slow, "bms") >= 2 * NS_PER_S


def test_a_cycle_of_a_slow_line_and_of_the_master_of_a_bus_that_is_overheard() -> None:
    site = site_of()
    spec = site.links["bms"]
    assert isinstance(spec, ModbusTcpLink)
    port = SerialPort(port="", baud=300)
    bus = ModbusRtuLink(
        name="bms", serial=port, numbering=spec.numbering, poll_period_ns=spec.poll_period_ns, timeout_ns=NS_PER_S,
        quiet_ns=NS_PER_S, origin=spec.origin,
    )  # fmt: skip
    polled = replace(site, links={**site.links, "bms": bus})
    assert slowest_poll_ns(polled, "bms") > 5 * spec.poll_period_ns, "at 300 baud"
    heard = replace(bus, way=BusWay.RECEIVE_ONLY, poll_period_ns=4 * NS_PER_S)
    overheard = replace(site, links={**site.links, "bms": heard}, behind={"log": "bms"})
    assert slowest_poll_ns(overheard, "bms") == 4 * NS_PER_S
    assert slowest_poll_ns(overheard, "log") == 4 * NS_PER_S, "what is behind the bus is its master"


def test_what_is_told_may_have_a_cycle_of_its_own() -> None:
    site = site_of()
    spec = site.links["log"]
    assert isinstance(spec, TextLink)
    assert Spread(site).over_ns(item_of(site, "a.high", "log")) == spec.longest_delay_ns
    alarms = {**site.alarms, "a.high": replace(site.alarms["a.high"], reference=None)}
    quick = replace(site, links={**site.links, "log": replace(spec, longest_delay_ns=None)}, alarms=alarms)
    assert Spread(quick).over_ns(item_of(quick, "a.high", "log")) == LEAST_NS


def test_points_that_must_stay_quiet_and_reference_points_are_on_the_way() -> None:
    site = timed(site_of(), "bms", device_poll_ns=2 * NS_PER_S)
    quiet = [it for it in plan_of(site, Selection()) if it.quiet and not it.loud]
    assert quiet
    assert all(Spread(site).over_ns(it) == 2 * NS_PER_S for it in quiet)
    point = next(it.name for it in site.points.values() if it.link == "bms")
    alarm: Alarm = replace(site.alarms["a.high"], reference=point)
    timed_by = replace(site, alarms={**site.alarms, alarm.name: alarm})
    assert Spread(timed_by).over_ns(item_of(timed_by, "a.high", "log")) == 2 * NS_PER_S
    assert Spread(site).over_ns(item_of(site, "a.high", "log")) < NS_PER_S


def test_two_alarms_together_are_on_the_way_of_both() -> None:
    site = timed(site_of(), "log", device_poll_ns=NS_PER_S)
    first, second = item_of(site, "a.high", "bms"), item_of(site, "a.high", "log")
    pair = replace(first, rows=(*first.rows, *second.rows), also=site.alarms["a.low"])
    assert Spread(site).over_ns(pair) == NS_PER_S


def test_a_plan_tells_the_wait_before_each_raise() -> None:
    site = timed(site_of(), "bms", device_poll_ns=MINUTE_NS)
    items = plan_of(site, Selection())
    preview = preview_of(site, Selection())
    for told, item in zip(preview.raised, items, strict=True):
        over_ns = Spread(site).over_ns(item)
        assert told.usual_ns == usual_ns(site, item) + over_ns // 2
    assert {
        Spread(site).over_ns(it) for it in items if any(site.points[row.point].link == "bms" for row in it.rows)
    } == {SINGLE_MAX_NS}


@pytest.mark.parametrize(
    ("asked", "more_ns"),
    [({}, SINGLE_MAX_NS), ({"repeat": 3}, 3 * MINUTE_NS), ({"stepwise": True}, MINUTE_NS), ({"guided": True}, 0)],
)
def test_whoever_is_told_of_the_test_is_told_of_the_wait_too(
    asked: dict[str, Any], more_ns: int, tmp_path: Any
) -> None:
    quick = replace(site_of(), times={})
    slow = timed(quick, "bms", device_poll_ns=MINUTE_NS)
    options = TestOptions(
        record=tmp_path / "r.farend",
        selection=Selection(),
        arm=None,
        reviews=None,
        who="test",
        seed=0,
        command=(),
        **asked,
    )
    rows = [row for row in quick.expectations_of("a.high") if quick.points[row.point].link == "bms"]
    item = Item(alarm=quick.alarms["a.high"], rows=tuple(rows))
    assert all(row.behaviour is not Behaviour.QUIET for row in rows)
    usual = 0 if asked.get("guided") else asked.get("repeat", 1) * 100 * NS_PER_MS
    waited_ns = max(max(show_within_ns(quick, row), gone_within_ns(quick, row)) for row in rows)
    seen_ns = SEEN_MAX_NS - SEEN_TIMES * waited_ns  # the longer an output may take, the more it is spread
    seen_ns = seen_ns * asked.get("repeat", 1) if asked.get("stepwise") or "repeat" in asked else 0
    assert takes_ns(slow, [item], options) - takes_ns(quick, [item], options) == more_ns - usual + seen_ns


def test_what_is_repeated_is_spread_over_a_multiple_of_what_an_output_took_so_far() -> None:
    site, poll_ns = site_of(), 100 * NS_PER_MS
    item = item_of(site, "a.high", "bms")

    def waits(took_ns: int, **asked: Any) -> list[int]:
        spread, random = Spread(site, **asked), Random(1)
        spread.took(item.loud[0], took_ns)
        spread.took(item.loud[0], took_ns // 3)  # the longest counts
        return [spread.wait_ns(item, random) for _ in range(500)]

    assert max(waits(0, repeat=2)) <= poll_ns
    assert max(waits(NS_PER_S)) <= poll_ns, "a single raise is not held up"
    for took_ns, over_ns in ((NS_PER_S, SEEN_TIMES * NS_PER_S), (MINUTE_NS, SEEN_MAX_NS)):
        found = waits(took_ns, repeat=2)
        assert 0.8 * over_ns < max(found) <= over_ns + poll_ns
        assert sum(found) / len(found) == pytest.approx((over_ns + poll_ns) / 2, rel=0.05)
        assert found == waits(took_ns, repeat=2), "alike from one seed"
    spread = Spread(site, repeat=2)
    spread.took(item.loud[0], MINUTE_NS)
    assert spread.wait_ns(item_of(site, "a.high", "log"), Random(1)) <= spread.over_ns(item_of(site, "a.high", "log"))


def test_how_often_a_device_polls_is_not_declared() -> None:
    site = replace(timed(site_of(), "bms", device_poll_ns=None), behind={"bms": "panel"})
    item = item_of(site, "a.high", "bms")
    assert undeclared_polls(site, "bms") == (("bms", "panel"),)
    random, spread = Random(1), Spread(site, repeat=2)
    assert UNDECLARED_NS // 2 < max(spread.wait_ns(item, random) for _ in range(100)) <= 2 * UNDECLARED_NS
    assert spread.over_ns(item) >= UNDECLARED_NS
    assert Spread(site).over_ns(item) < NS_PER_S
    declared = timed(site, "bms", device_poll_ns=NS_PER_S)
    assert not undeclared_polls(declared, "bms")
    assert undeclared_polls(replace(declared, behind={"bms": "panel", "log": "bms"}), "log") == (("log", "bms"),)
