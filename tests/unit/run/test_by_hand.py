"""When a step that a person did was done: bounds from its key, from a reference point, from what the outputs showed."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.model import KEY_BEFORE_NS, Step
from harness.core.places import Table
from harness.links.base import Block, LinkState
from harness.run.by_hand import ByHand, too_fine_by_hand
from harness.run.guide import Said
from harness.run.live import LiveSource
from harness.run.order import Selection, plan_of
from harness.run.raising import UnsentError
from harness.stimulus.performed import Performed
from tests.peers.sites import site_of
from tests.unit.run.test_guide import Bench, led

S, MS = NS_PER_S, NS_PER_MS
SITE = site_of()
"""``a.high`` has a reference point, ``a.low`` (latched) has none, ``b.leak`` clears by itself."""
WITHIN = SITE.key_within_ns
HH, HIGH, LEAK = 0, 1, 3


class Hand:
    """A person's hand over a guide, and outputs that show what they are told to."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.live = LiveSource(SITE, lambda: bench.now)
        for link in SITE.links:
            self.live.link_state(link, bench.now, LinkState.UP, "")
        self.live.block(Block(id=1, link="bms", unit=1, table=Table.DISCRETE_INPUT, address=0, count=8))
        self.live.block(Block(id=2, link="bms", unit=1, table=Table.HOLDING_REGISTER, address=100, count=1))
        self.hand = ByHand(SITE, bench.guide, self.live)
        self.shows()

    def shows(self, *inputs: int, low: bool = False, after_ns: int = 0) -> None:
        """The outputs are read now."""
        self.bench.now += after_ns
        now = self.bench.now
        self.live.poll(1, now - 5 * MS, now, bytes([sum(1 << bit for bit in inputs)]))
        self.live.poll(2, now - 5 * MS, now, bytes([0, 4 * low]))

    async def asked(self, alarm: str, step: Step) -> asyncio.Task[Performed]:
        task = asyncio.create_task(self.hand.perform(SITE.alarms[alarm], step))
        await asyncio.sleep(0)
        return task

    async def done(self, alarm: str, step: Step, after_ns: int) -> Performed:
        """Asked for now, and its key comes after so long."""
        task = await self.asked(alarm, step)
        self.bench.press(Said.DONE, after_ns)
        return await task


def test_without_a_reference_point_a_raise_lies_between_how_late_its_key_may_be_and_the_key() -> None:
    async def test(bench: Bench) -> None:
        hand = Hand(bench)
        bench.begin("a.low")
        done = await hand.done("a.low", Step.RAISE, 7 * S)
        assert done.at == Bounds(107 * S - WITHIN, 107 * S + KEY_BEFORE_NS)
        assert (done.proven, done.finest_ns) == (True, WITHIN + KEY_BEFORE_NS)

    led(test)


def test_a_key_soon_after_it_was_asked_may_be_of_what_was_done_just_before() -> None:
    """Cut at the asking, the bounds would not hold what an eager person did."""

    async def test(bench: Bench) -> None:
        hand = Hand(bench)
        bench.now -= 10 * S
        bench.begin("a.low")
        bench.now += 10 * S
        raised = await hand.done("a.low", Step.RAISE, 400 * MS)
        assert raised.at.lo == 100 * S + 400 * MS - WITHIN < 100 * S
        bench.now += 5 * S
        cleared = await hand.done("a.low", Step.CLEAR, 400 * MS)
        assert cleared.at.lo == bench.now - WITHIN
        bench.now += 5 * S

    led(test)


def test_nothing_is_done_before_anybody_knew_of_the_alarm_or_before_its_raise_was_asked_for() -> None:
    async def test(bench: Bench) -> None:
        hand = Hand(bench)
        bench.begin("a.low")
        raised = await hand.done("a.low", Step.RAISE, 300 * MS)
        assert raised.at.lo == 100 * S
        acknowledged = await hand.done("a.low", Step.ACKNOWLEDGE, 300 * MS)
        assert acknowledged.at.lo == 100 * S

    led(test)


@pytest.mark.parametrize("step", [Step.RAISE, Step.CLEAR])
def test_what_a_reference_point_times_is_only_confirmed_by_its_key(step: Step) -> None:
    async def test(bench: Bench) -> None:
        hand = Hand(bench)
        bench.begin("a.high")
        done = await hand.done("a.high", Step.RAISE, 7 * S)
        if step is Step.CLEAR:
            done = await hand.done("a.high", Step.CLEAR, 9 * S)
        assert done.at == Bounds(100 * S, bench.now + KEY_BEFORE_NS)
        assert bench.guide.pending().late_step is None, "there is nothing to widen"

    led(test)


@pytest.mark.parametrize("step", [Step.ACKNOWLEDGE, Step.SILENCE, Step.RESET])
def test_what_no_reference_point_sees_lies_where_its_key_says(step: Step) -> None:
    async def test(bench: Bench) -> None:
        hand = Hand(bench)
        bench.begin("a.high")
        await hand.done("a.high", Step.RAISE, 7 * S)
        done = await hand.done("a.high", step, 9 * S)
        assert done.at == Bounds(116 * S - WITHIN, 116 * S + KEY_BEFORE_NS)

    led(test)


def test_a_key_that_is_said_to_be_late_tells_nothing_but_the_end() -> None:
    async def test(bench: Bench) -> None:
        hand = Hand(bench)
        bench.begin("a.low")
        await hand.done("a.low", Step.RAISE, 7 * S)
        bench.press(Said.LATE, S)
        kind, data = bench.events[-1]
        assert (kind, data["step"]) == ("late", "raise")
        assert (data["lo"], data["hi"]) == (100 * S, 107 * S + KEY_BEFORE_NS)
        task = await hand.asked("a.low", Step.CLEAR)
        assert bench.guide.pending().late_step is None, "the newest key is none any more once something else is asked"
        bench.press(Said.DONE, S)
        await task

    led(test)


def test_a_key_that_the_outputs_contradict_came_late() -> None:
    async def test(bench: Bench) -> None:
        hand = Hand(bench)
        bench.begin("a.low")
        task = await hand.asked("a.low", Step.RAISE)
        hand.shows(low=True, after_ns=2 * S)
        bench.press(Said.DONE, 4 * S)
        raised = await task
        assert raised.at == Bounds(100 * S, 106 * S + KEY_BEFORE_NS)
        assert raised.why == "its key came late: low had changed before"
        task = await hand.asked("a.low", Step.ACKNOWLEDGE)
        hand.shows(after_ns=S)
        bench.press(Said.DONE, 3 * S)
        acknowledged = await task
        assert acknowledged.at == Bounds(100 * S, 110 * S + KEY_BEFORE_NS)

    led(test)


@pytest.mark.parametrize(
    "shown",
    [
        lambda hand: hand.shows(HIGH, after_ns=2 * S),  # not of this alarm
        lambda hand: hand.shows(low=True, after_ns=6 * S - WITHIN),  # no sooner than it can be right
    ],
)
def test_a_key_that_nothing_contradicts_is_believed(shown: object) -> None:
    async def test(bench: Bench) -> None:
        hand = Hand(bench)
        bench.begin("a.low")
        task = await hand.asked("a.low", Step.RAISE)
        assert callable(shown)
        shown(hand)
        bench.press(Said.DONE, 106 * S - bench.now)
        assert (await task).at == Bounds(106 * S - WITHIN, 106 * S + KEY_BEFORE_NS)

    led(test)


def test_nothing_to_do_is_no_step() -> None:
    async def test(bench: Bench) -> None:
        hand = Hand(bench)
        bench.begin("a.low")
        await hand.done("a.low", Step.RAISE, S)
        task = await hand.asked("a.low", Step.ACKNOWLEDGE)
        bench.press(Said.NOT_DONE, S)
        done = await task
        assert (done.proven, done.is_sent, done.why) == (False, False, "there was nothing to acknowledge")

    led(test)


async def given_up(hand: Hand, *shown: Sequence[int]) -> asyncio.CancelledError:
    """How a raise ends that is given up before its key, with inputs that showed one after the other meanwhile."""

    async def raising() -> asyncio.CancelledError:
        try:
            await hand.hand.perform(SITE.alarms["a.low"], Step.RAISE)
        except asyncio.CancelledError as exc:
            return exc
        raise AssertionError

    task = asyncio.create_task(raising())
    await asyncio.sleep(0)
    for inputs in shown:
        hand.shows(*inputs, after_ns=S)
    task.cancel()
    return await task


@pytest.mark.parametrize(("shown", "is_unsent"), [((), True), ((HH,), False)])
def test_a_raise_that_is_given_up_was_none_unless_something_came_on(
    shown: Sequence[int], is_unsent: bool
) -> None:  # a case
    """Anything: another alarm may have been raised than the one that was asked for. What stood before tells nothing."""

    async def test(bench: Bench) -> None:
        hand = Hand(bench)
        hand.shows(LEAK)
        bench.begin("a.low")
        assert isinstance(await given_up(hand, (LEAK, *shown)), UnsentError) is is_unsent

    led(test)


def test_what_came_on_and_went_again_was_raised_too() -> None:
    async def test(bench: Bench) -> None:
        hand = Hand(bench)
        bench.begin("a.low")
        assert not isinstance(await given_up(hand, (LEAK,), ()), UnsentError)

    led(test)


def test_what_is_asked_names_the_alarm_and_what_came_along() -> None:
    async def test(bench: Bench) -> None:
        hand = Hand(bench)
        bench.begin("a.high-high")
        task = await hand.asked("a.high-high", Step.RAISE)
        assert bench.guide.pending().text == "RAISE a.high-high (A HIGH HIGH)"
        bench.press(Said.DONE, S)
        await task
        task = await hand.asked("a.high-high", Step.ACKNOWLEDGE)
        assert bench.guide.pending().text == "ACKNOWLEDGE a.high-high, and a.high that came with it"
        bench.press(Said.DONE, S)
        await task
        task = await hand.asked("a.high-high", Step.CLEAR)
        assert bench.guide.pending().text == "CLEAR a.high-high: let it go back to normal"
        bench.press(Said.DONE, S)
        await task

    led(test)


def test_who_never_said_that_it_was_raised_is_asked_to_clear_whatever_it_was() -> None:
    async def test(bench: Bench) -> None:
        hand = Hand(bench)
        bench.begin("a.low")
        assert not isinstance(await given_up(hand, (HH,)), UnsentError)
        task = await hand.asked("a.low", Step.CLEAR)
        assert bench.guide.pending().text.startswith("CLEAR what you have raised, a.low or another one")
        assert bench.press(Step.CLEAR, S).is_taken
        assert (await task).proven

    led(test)


def test_a_person_cannot_clear_what_clears_by_itself() -> None:
    async def test(bench: Bench) -> None:
        hand = Hand(bench).hand
        assert not hand.can_do(SITE.alarms["b.leak"], Step.CLEAR)
        assert all(hand.can_do(SITE.alarms["a.low"], step) for step in Step)

    led(test)


def test_what_a_key_is_too_coarse_for_is_said_before() -> None:
    assert too_fine_by_hand(SITE, plan_of(SITE, Selection())) == (
        "3 rows, such as a.high-high at hh, can fail and not pass: limits are set there that are finer than the 1.1 s "
        "that a key tells"
    )
    longer = site_of(("appears within: 1 s", "appears within: 1100 ms"))
    assert too_fine_by_hand(longer, plan_of(longer, Selection())) == ""


def test_a_reference_point_does_not_make_an_acknowledge_finer() -> None:
    changes = (("appears within: 1 s, gone within: 2 s", "appears within: 500 ms, gone within: 1 s"),)
    for behaviour, is_fine in (("follows", False), ("until-acknowledged", True), ("latched", False), ("pulse", False)):
        site = site_of(*changes, ("address: 1, behaviour: follows", f"address: 1, behaviour: {behaviour}"))
        text = too_fine_by_hand(site, plan_of(site, Selection(only=("a.high",), links=("bms",))))
        assert bool(text) is is_fine, behaviour
