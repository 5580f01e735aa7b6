"""Which alarms that come on during a test are explained by what is raised, and which are not."""

from __future__ import annotations

import pytest

from harness.core.instants import NS_PER_S
from harness.core.places import Table
from harness.links.base import Block
from harness.run.live import LiveSource
from harness.run.order import gone_within_ns
from harness.run.unexplained import Unexplained
from tests.peers.sites import site_of

SITE = site_of()
BIT = {"hh": 0, "high": 1, "leak": 3, "due": 4}
"""The points on link bms."""


class Plant:
    """What the links see, at instants that the test sets, and what is raised."""

    def __init__(self) -> None:
        self.now_ns = 1_000 * NS_PER_S
        self.live = LiveSource(SITE, lambda: self.now_ns)
        self.live.block(Block(id=1, link="bms", unit=1, table=Table.DISCRETE_INPUT, address=0, count=8))
        self.live.block(Block(id=2, link="panel", unit=1, table=Table.DISCRETE_INPUT, address=1, count=1))
        self.raised: dict[str, str] = {}
        self.closed_ns: dict[str, int] = {}
        self.unexplained = Unexplained(SITE, lambda: self.now_ns, self.live, self.raised, self.closed_ns)
        self.told: list[str] = []
        self.unexplained.on_found = self.told.append
        self.show()

    def show(self, *points: str, panel_high: bool = False) -> None:
        """A poll of both blocks, in which these points are on."""
        self.now_ns += NS_PER_S // 10
        self.live.poll(1, self.now_ns, self.now_ns, bytes([sum(1 << BIT[point] for point in points)]))
        self.live.poll(2, self.now_ns, self.now_ns, bytes([panel_high]))

    def clear(self, alarm: str) -> None:
        del self.raised[alarm]
        self.closed_ns[alarm] = self.now_ns

    @property
    def found(self) -> list[str]:
        return list(self.unexplained.found)


@pytest.fixture
def plant() -> Plant:
    made = Plant()
    made.unexplained.watch(())
    return made


def test_a_row_of_what_is_raised_explains_its_point(plant: Plant) -> None:
    plant.raised["a.high"] = "0001"
    plant.show("high")
    assert plant.found == []


def test_what_an_alarm_brings_along_is_explained_by_it(plant: Plant) -> None:
    plant.raised["a.high-high"] = "0001"
    plant.show("hh", "high", panel_high=True)
    assert plant.found == []


def test_what_it_is_brought_along_by_is_not(plant: Plant) -> None:
    """The low alarm does not bring the high one along."""
    plant.raised["a.high"] = "0001"
    plant.show("high", "hh")
    assert plant.found == ["hh"]
    assert plant.unexplained.named(plant.found) == "hh (a.high-high)"


def test_its_reference_point_is_explained(plant: Plant) -> None:
    plant.raised["a.high"] = "0001"
    plant.show(panel_high=True)
    assert plant.found == []


def test_a_quiet_row_explains_nothing(plant: Plant) -> None:
    """b.leak must not react at panel-high, and b.due nowhere: if they do, somebody has to know."""
    plant.raised |= {"b.leak": "0001", "b.due": "0002"}
    plant.show("due", panel_high=True)
    assert sorted(plant.found) == ["due", "panel-high"]


def test_nothing_raised_explains_nothing(plant: Plant) -> None:
    plant.show("leak")
    assert plant.found == plant.told == ["leak"]


def test_it_is_told_once_and_until_somebody_dealt_with_it(plant: Plant) -> None:
    for points in (("leak",), (), ("leak",)):
        plant.show(*points)
    assert plant.told == ["leak"]
    plant.unexplained.found.clear()
    plant.show()
    plant.show("leak")
    assert plant.told == ["leak", "leak"]


def test_what_stood_before_may_go_and_come() -> None:
    plant = Plant()
    plant.show("leak")
    plant.unexplained.watch(["leak"])
    for points in ((), ("leak",)):
        plant.show(*points)
    plant.unexplained.look()
    assert plant.found == []


def test_nothing_is_noted_before_it_watches_or_after_it_stopped() -> None:
    plant = Plant()
    plant.show("leak")
    plant.unexplained.watch(())
    plant.show()
    plant.unexplained.stop()
    plant.show("leak")
    assert plant.found == []


def tail_ns(alarm: str) -> int:
    rows = SITE.expectations_of(alarm)
    return max(row.limits.search_ns + gone_within_ns(SITE, row) + row.limits.settle_ns for row in rows)


def test_a_late_output_comes_and_goes_after_the_clear(plant: Plant) -> None:
    plant.raised["a.high"] = "0001"
    plant.show()
    plant.clear("a.high")
    plant.show("high")
    plant.show()
    plant.now_ns += tail_ns("a.high")
    plant.unexplained.look()
    assert plant.found == []


def test_what_came_on_after_the_clear_and_stays_is_not_explained_for_ever(plant: Plant) -> None:
    """The real alarm comes on just after the simulated one: it must not pass for a late output of that one."""
    plant.raised["a.high"] = "0001"
    plant.show("high")
    plant.clear("a.high")
    plant.show()
    plant.show("high")
    plant.unexplained.look()
    assert plant.found == [], "it may be a second onset of the simulated one"
    plant.now_ns += tail_ns("a.high")
    plant.show("high")
    plant.unexplained.look()
    assert plant.found == ["high"]


def test_what_came_on_while_it_was_raised_and_stays_is_stuck_and_no_alarm_of_its_own(plant: Plant) -> None:
    plant.raised["a.high"] = "0001"
    plant.show("high")
    plant.clear("a.high")
    plant.now_ns += 2 * tail_ns("a.high")
    plant.show("high")
    plant.unexplained.look()
    assert plant.found == []


def test_long_after_the_clear_it_is_at_once(plant: Plant) -> None:
    plant.raised["a.high"] = "0001"
    plant.clear("a.high")
    plant.now_ns += tail_ns("a.high")
    plant.show("high")
    assert plant.found == ["high"]


def test_how_long_it_may_take_to_go_follows_its_rows() -> None:
    plant = Plant()
    (row,) = [row for row in SITE.expectations if row.point == "high"]
    assert plant.unexplained.gone_ns(["high"]) >= gone_within_ns(SITE, row)
    assert plant.unexplained.gone_ns([]) == 0
