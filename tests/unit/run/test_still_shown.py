"""Which alarms are taken for real since they are still shown after their clear, and which are not."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import pytest

from harness.core.instants import NS_PER_S, Bounds
from harness.core.model import Site, Step
from harness.core.places import Table
from harness.links.base import Block
from harness.results.steps import STEP_EVENT, STILL_SHOWN_EVENT, StepDone
from harness.run.live import LiveSource
from harness.run.still_shown import StillShown, left_shown, still_shown, still_shown_words
from tests.peers.sites import site_of

_LOW: Final = "  - {alarm: a.low, link: bms,"
_MORE: Final = (
    "  - {alarm: a.high, link: panel, table: discrete-input, address: 6, behaviour: follows, point: high-on-panel}\n"
    "  - {alarm: a.high, link: bms, table: discrete-input, address: 7, behaviour: latched, point: high-latched}\n"
)
TWICE: Final = (_LOW, _MORE + _LOW)
"""a.high on two links; its latched output on the second."""
NO_REFERENCE: Final = (", reference: panel-high}", "}")
BEHIND: Final = ("  bms: {modbus-tcp:", "  bms: {behind: panel, modbus-tcp:")
BITS: Final = {"hh": ("bms", 0), "high": ("bms", 1), "high-latched": ("bms", 7), "panel-high": ("panel", 1),
               "high-on-panel": ("panel", 6)}  # fmt: skip


class Plant:
    """What polls see of a site."""

    def __init__(self, *changes: tuple[str, str]) -> None:
        self.site: Site = site_of(TWICE, *changes)
        self.now_ns = 1_000 * NS_PER_S
        self.live = LiveSource(self.site, lambda: self.now_ns)
        for number, link in enumerate(("bms", "panel")):
            self.live.block(Block(id=number, link=link, unit=1, table=Table.DISCRETE_INPUT, address=0, count=8))
            self.live.up[link] = True
        self.raised_ns = self.cleared_ns = 0

    def show(self, *points: str) -> None:
        """A poll of both links, in which these points are on."""
        self.now_ns += NS_PER_S // 10
        for number, link in enumerate(("bms", "panel")):
            bits = sum(1 << bit for point, (of, bit) in BITS.items() if of == link and point in points)
            self.live.poll(number, self.now_ns, self.now_ns, bytes([bits]))

    def simulated(self, *points: str, alarm: str = "a.high") -> None:
        """Raised, shown at these points, and cleared."""
        self.raised_ns = self.now_ns
        done = StepDone(
            stimulus="0001", alarm=alarm, step=Step.RAISE, at=Bounds.exactly(self.now_ns), proven=True, how="by hand"
        )
        self.live.event(STEP_EVENT, self.now_ns, done.to_data())
        self.show(*points)
        self.cleared_ns = self.now_ns

    def found(self, *excused: str, alarm: str = "a.high") -> StillShown | None:
        return still_shown(self.site, self.live, alarm, self.raised_ns, self.cleared_ns, excused.__contains__)


EVERYWHERE: Final = ("high", "high-on-panel", "panel-high", "high-latched")


def test_what_the_reference_point_shows_after_the_clear_is_sure() -> None:
    plant = Plant()
    plant.simulated(*EVERYWHERE)
    plant.show(*EVERYWHERE)
    found = plant.found()
    assert found == StillShown(points=("panel-high",), by_reference=True)
    assert found.is_sure
    assert still_shown_words(plant.site, "a.high", "a.high", found) == (
        "a.high was cleared, and the controller still shows it (panel-high): take it for real until somebody has "
        "looked at the sensing point"
    )


def test_what_came_along_is_named_with_what_brought_it() -> None:
    plant = Plant()
    plant.simulated(*EVERYWHERE, "hh", alarm="a.high-high")
    plant.show(*EVERYWHERE)
    assert plant.found(alarm="a.high-high") is None
    found = plant.found()
    assert found is not None
    words = still_shown_words(plant.site, "a.high", "a.high-high", found)
    assert words.startswith("a.high came along with a.high-high, which was cleared, and the controller still shows it")


def test_outputs_that_are_stuck_are_no_matter_where_the_reference_point_has_gone() -> None:
    plant = Plant()
    plant.simulated(*EVERYWHERE)
    plant.show("high", "high-on-panel", "high-latched")
    assert plant.found() is None


def test_outputs_that_have_gone_speak_against_the_reference_point() -> None:
    plant = Plant()
    plant.simulated(*EVERYWHERE)
    plant.show("panel-high")
    found = plant.found()
    assert found is not None
    assert not found.is_sure
    words = still_shown_words(plant.site, "a.high", "a.high", found)
    assert "(panel-high, though high and high-on-panel went off)" in words


def test_an_output_that_never_showed_speaks_against_nothing() -> None:
    plant = Plant()
    plant.simulated("high", "panel-high")
    plant.show("high", "panel-high")
    found = plant.found()
    assert found is not None
    assert found.is_sure


def test_without_a_reference_point_outputs_of_two_links_say_it_and_are_not_sure() -> None:
    plant = Plant(NO_REFERENCE)
    plant.simulated(*EVERYWHERE)
    plant.show("high", "high-on-panel")
    found = plant.found()
    assert found == StillShown(points=("high", "high-on-panel"), by_reference=False)
    assert not found.is_sure
    assert "so the controller may still have it" in still_shown_words(plant.site, "a.high", "a.high", found)


@pytest.mark.parametrize(
    ("on", "why"),
    [
        (("high-latched",), "a latched output alone"),
        (("high", "high-latched"), "one link alone"),
        (("high-latched", "high-on-panel"), "a latched output is none that follows"),
        ((), "nothing"),
    ],
)
def test_without_a_reference_point_less_says_nothing(on: tuple[str, ...], why: str) -> None:
    plant = Plant(NO_REFERENCE)
    plant.simulated(*on)
    plant.show(*on)
    assert plant.found() is None, why


def test_an_output_that_has_gone_speaks_against_the_others() -> None:
    plant = Plant(NO_REFERENCE)
    plant.simulated(*EVERYWHERE)
    plant.show("high")
    assert plant.found() is None


def test_a_link_that_reads_the_other_one_says_no_more_than_that_one() -> None:
    plant = Plant(NO_REFERENCE, BEHIND)
    plant.simulated(*EVERYWHERE)
    plant.show("high", "high-on-panel")
    assert plant.found() is None


def test_what_has_another_reason_to_be_on_says_nothing() -> None:
    plant = Plant()
    plant.simulated(*EVERYWHERE)
    plant.show(*EVERYWHERE)
    assert plant.found("panel-high") is None


def test_what_was_not_read_since_the_clear_says_nothing() -> None:
    plant = Plant()
    plant.simulated(*EVERYWHERE)
    plant.cleared_ns += 1
    assert plant.found() is None
    plant.show(*EVERYWHERE)
    assert plant.found() is not None
    plant.live.up["panel"] = False
    assert plant.found() is None


def left(plant: Plant, found: tuple[str, ...] = (), still_open: tuple[str, ...] = ()) -> list[str]:
    return [alarm for alarm, _, _ in left_shown(plant.site, plant.live, found, still_open)]


def test_after_the_run_what_it_raised_and_is_still_shown_is_told_once() -> None:
    plant = Plant()
    plant.simulated(*EVERYWHERE, "hh", alarm="a.high-high")
    plant.show(*EVERYWHERE)
    assert left(plant) == ["a.high"]
    assert left(plant, found=("panel-high",)) == [], "it was on before"
    assert left(plant, still_open=("a.high-high",)) == [], "it is known to be raised"
    told: Mapping[str, list[str]] = {"points": ["panel-high"]}
    plant.live.event(STILL_SHOWN_EVENT, plant.now_ns, {"alarm": "a.high", **told})
    assert left(plant) == [], "it was told"


def test_after_the_run_what_it_did_not_raise_is_not_said_to_have_been_cleared() -> None:
    plant = Plant()
    plant.show(*EVERYWHERE)
    assert left(plant) == []
