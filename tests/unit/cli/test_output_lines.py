"""A line for each output of the alarm under test: what it does, what is awaited of it, and the worst of them first."""

from __future__ import annotations

import pytest

from harness.cli.output_lines import Outputs
from harness.core.instants import NS_PER_S, Bounds
from harness.core.model import Step
from harness.core.places import Table
from harness.links.base import Block
from harness.results.steps import STEP_EVENT, StepDone
from harness.run.live import LiveSource
from harness.run.order import Selection, plan_of
from tests.peers.sites import site_of

S = NS_PER_S
SITE = site_of(
    ("address: 0, behaviour: follows", "address: 0, behaviour: until-acknowledged"),
    ("alarm: b.due, link: bms, table: discrete-input, address: 4", "alarm: a.low, link: bms, table: coil, address: 4"),
)
HH, HIGH, LOW = "a.high-high", "a.high", "a.low"


class Screen:
    """Outputs of one alarm, read at instants that the test sets."""

    def __init__(self, alarm: str) -> None:
        self.now = 100 * S
        self.source = LiveSource(SITE, lambda: self.now)
        self.source.block(Block(id=1, link="bms", unit=1, table=Table.DISCRETE_INPUT, address=0, count=4))
        self.source.block(Block(id=2, link="bms", unit=1, table=Table.HOLDING_REGISTER, address=100, count=1))
        self.source.block(Block(id=3, link="bms", unit=1, table=Table.COIL, address=0, count=8))
        self.outputs = Outputs(self.source, lambda: self.now)
        (item,) = plan_of(SITE, Selection(only=(alarm,), links=("bms",)))
        self.alarm = alarm
        self.outputs.begin(item)

    def shows(self, seconds: float, *inputs: int, low: bool = False, leak: bool = False) -> None:
        self.now = 100 * S + round(seconds * S)
        self.source.poll(1, self.now - 1, self.now, bytes([sum(1 << bit for bit in inputs)]))
        self.source.poll(2, self.now - 1, self.now, bytes([0, 4 * low]))
        self.source.poll(3, self.now - 1, self.now, bytes([16 * leak]))

    def step(self, step: Step, seconds: float, width_s: float = 0.0) -> None:
        hi = 100 * S + round(seconds * S)
        at = Bounds(hi - round(width_s * S), hi)
        done = StepDone(stimulus="0001", alarm=self.alarm, step=step, at=at, proven=True, how="by hand")
        self.source.event(STEP_EVENT, hi, done.to_data())

    def lines(self, room: int = 9) -> list[str]:
        return list(self.outputs.lines(room))


def test_before_the_raise_it_is_said_how_an_output_should_act() -> None:
    screen = Screen(HIGH)
    assert screen.lines() == ["· --   high  follows"], "nobody has read it yet"
    screen.shows(0)
    assert screen.lines() == ["○ off  high  follows"]
    screen.shows(1, 1)
    assert screen.lines() == ["● on   high  on before anything was raised"]


def test_what_it_waits_for_and_when_it_came_and_went() -> None:
    screen = Screen(HIGH)
    screen.shows(0)
    screen.step(Step.RAISE, 1)
    screen.shows(1.4)
    assert screen.lines() == ["○ off  high  not yet, after 0.4 s of 1.0 s"]
    screen.shows(1.6, 1)
    assert screen.lines() == ["● on   high  appeared after 0.6 s, still on"]
    screen.step(Step.CLEAR, 5)
    screen.shows(5.3)
    assert screen.lines() == ["○ off  high  appeared after 0.6 s, gone after 0.3 s"]


def test_the_key_of_a_clear_may_come_a_little_behind_what_it_did() -> None:
    screen = Screen(HIGH)
    screen.step(Step.RAISE, 1)
    screen.shows(1.6, 1)
    screen.shows(5)
    screen.step(Step.CLEAR, 5.2, width_s=0.6)
    assert screen.lines() == ["○ off  high  appeared after 0.6 s, gone after 0.0 s"]


def test_what_goes_by_itself_is_reckoned_from_when_it_came() -> None:
    screen = Screen(HIGH)
    screen.step(Step.RAISE, 1)
    screen.shows(1.6, 1)
    screen.shows(2.9)
    assert screen.lines() == ["○ off  high  appeared after 0.6 s, gone 1.3 s later"]


@pytest.mark.parametrize(("step", "words"), [(Step.ACKNOWLEDGE, "gone after 0.5 s"), (Step.CLEAR, "gone 3.5 s later")])
def test_each_behaviour_goes_with_its_own_step(step: Step, words: str) -> None:
    screen = Screen(HH)
    screen.step(Step.RAISE, 1)
    screen.shows(2, 0)
    screen.step(step, 5)
    screen.shows(5.5)
    assert screen.lines() == [f"○ off  hh  appeared after 1.0 s, {words}"]


def test_what_is_wrong_or_awaited_stands_first_and_the_rest_is_counted() -> None:
    screen = Screen(LOW)
    assert [line.split()[2] for line in screen.lines()] == ["low"], "what stays quiet is no line"
    screen.step(Step.RAISE, 1)
    screen.shows(2, low=True, leak=True)
    first, second = screen.lines()
    assert first.endswith("REACTS, and must stay quiet")
    assert second.endswith("appeared after 1.0 s, still on")
    assert screen.lines(1) == ["       and 2 more"]
    assert screen.lines(0) == []


def test_a_second_attempt_begins_anew() -> None:
    screen = Screen(HIGH)
    screen.step(Step.RAISE, 1)
    screen.shows(1.6, 1)
    screen.step(Step.CLEAR, 3)
    screen.shows(3.5)
    (item,) = plan_of(SITE, Selection(only=(HIGH,), links=("bms",)))
    screen.outputs.begin(item)
    assert screen.lines() == ["○ off  high  follows"]
    screen.step(Step.RAISE, 8)
    screen.shows(8.2)
    assert screen.lines() == ["○ off  high  not yet, after 0.2 s of 1.0 s"]


def test_the_steps_of_the_alarm_before_are_not_those_of_this_one() -> None:
    screen = Screen(HIGH)
    done = StepDone(stimulus="0", alarm=LOW, step=Step.RAISE, at=Bounds(1, 2), proven=True, how="by hand")
    screen.source.event(STEP_EVENT, 2, done.to_data())
    screen.shows(1)
    assert screen.lines() == ["○ off  high  follows"]
