"""What each key of a guided test means at each moment: before, at and behind what is asked, twice, or with nobody."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping

import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.model import KEY_BEFORE_NS, Step
from harness.record.header import Json
from harness.results.interrupting import Interruption, Why
from harness.run.guide import ANSWER_LEAST_NS, REASONS, Guide, Heard, Pressed, Said

S, MS = NS_PER_S, NS_PER_MS


class Bench:
    """A guide with a person, a run, and a clock that stands still until it is moved."""

    def __init__(self) -> None:
        self.now = 100 * S
        self.guide = Guide(lambda: self.now)
        self.events: list[tuple[str, Mapping[str, Json]]] = []
        self.interruptions: list[Interruption] = []
        self.guide.connect(lambda kind, _, data: self.events.append((kind, data)), self.interruptions.append)

    def begin(self, alarm: str = "a.low", before: str = "") -> None:
        self.guide.begin(alarm, "0001", before)

    async def asked(self, step: Step, *, may_be_nothing: bool = True) -> asyncio.Task[Pressed]:
        """A step that is proposed now."""
        task = asyncio.create_task(
            self.guide.step(step, f"{step.value} it", may_be_nothing=may_be_nothing and step is not Step.RAISE)
        )
        await asyncio.sleep(0)
        return task

    def press(self, said: Said | Step, after_ns: int = 0) -> Heard:
        self.now += after_ns
        return self.guide.press(said, self.now)

    async def raised(self) -> Pressed:
        """Asked for at once, raised two seconds later."""
        task = await self.asked(Step.RAISE)
        assert self.press(Said.DONE, 2 * S) is Heard.TAKEN
        return await task

    def kinds(self) -> list[str]:
        return [kind for kind, _ in self.events]


def led(test: Callable[[Bench], Awaitable[None]]) -> None:
    """Run it with a person at the keys."""

    async def main() -> None:
        bench = Bench()
        with bench.guide.attached(lambda: None):
            await test(bench)

    asyncio.run(main())


def test_enter_answers_what_is_asked_and_its_step_lies_between() -> None:
    async def test(bench: Bench) -> None:
        bench.begin()
        pressed = await bench.raised()
        assert pressed == Pressed(key=Bounds(102 * S, 102 * S), since_ns=100 * S)
        assert bench.guide.pending().done == {Step.RAISE}
        bench.now += S
        task = await bench.asked(Step.CLEAR)
        assert bench.guide.pending().step is Step.CLEAR
        assert bench.press(Said.DONE, 3 * S) is Heard.TAKEN
        pressed = await task
        assert (pressed.key.hi, pressed.since_ns) == (106 * S, 100 * S)
        assert bench.guide.pending().step is None

    led(test)


@pytest.mark.parametrize("said", [Said.DONE, Said.NOT_DONE, Step.RAISE])
def test_a_key_that_came_before_anybody_can_have_read_the_question_is_no_answer(said: Said | Step) -> None:
    async def test(bench: Bench) -> None:
        bench.begin()
        step = Step.RAISE if said is not Said.NOT_DONE else Step.ACKNOWLEDGE
        task = await bench.asked(step)
        assert bench.press(said, ANSWER_LEAST_NS - 1) is Heard.TOO_SOON
        assert not task.done()
        assert bench.press(said, 1) is Heard.TAKEN
        assert (await task).key.lo == 100 * S + ANSWER_LEAST_NS

    led(test)


def test_what_matters_is_when_the_key_may_have_been_pressed_and_not_when_it_was_read() -> None:
    async def test(bench: Bench) -> None:
        bench.begin()
        task = await bench.asked(Step.RAISE)
        bench.now += 5 * S
        assert bench.guide.press(Said.DONE, bench.now, 100 * S + ANSWER_LEAST_NS - 1) is Heard.TOO_SOON
        assert bench.guide.press(Said.DONE, bench.now, bench.now - S) is Heard.TAKEN
        assert (await task).key == Bounds(104 * S, 105 * S)

    led(test)


def test_the_key_of_a_step_that_is_just_being_asked_for_says_that_it_was_done_before() -> None:
    async def test(bench: Bench) -> None:
        bench.begin()
        await bench.raised()
        bench.now += 5 * S
        task = await bench.asked(Step.ACKNOWLEDGE)
        assert bench.press(Step.ACKNOWLEDGE, 20 * MS) is Heard.TAKEN
        assert (await task).since_ns == 100 * S, "at any time since the raise was asked for"

    led(test)


@pytest.mark.parametrize("step", [it for it in Step if it is not Step.RAISE])
def test_no_step_is_taken_before_the_raise(step: Step) -> None:
    """Else it would come before its own raise, and nothing could be judged."""

    async def test(bench: Bench) -> None:
        assert bench.press(step, S) is Heard.NOTHING, "no alarm is under test"
        bench.begin()
        assert bench.press(step, S) is Heard.NOT_RAISED
        task = await bench.asked(Step.RAISE)
        assert bench.press(step, S) is Heard.NOT_RAISED
        assert not task.done()
        assert bench.guide.extra() == ()
        bench.press(Said.DONE, S)
        await task

    led(test)


def test_a_step_that_was_done_before_it_is_proposed_is_taken_when_its_turn_comes() -> None:
    async def test(bench: Bench) -> None:
        bench.begin()
        await bench.raised()
        assert bench.press(Step.CLEAR, S) is Heard.EARLY
        assert bench.press(Step.CLEAR, S) is Heard.EARLY
        assert bench.guide.extra() == (Step.CLEAR,)
        bench.now += 10 * S
        pressed = await bench.guide.step(Step.CLEAR, "clear it")
        assert pressed.key == Bounds(103 * S, 104 * S), "at the one key or at the other"
        assert pressed.since_ns == 100 * S
        assert bench.guide.extra() == ()

    led(test)


@pytest.mark.parametrize("step", list(Step))
def test_a_step_that_is_pressed_once_more_was_done_at_the_one_key_or_at_the_other(step: Step) -> None:
    async def test(bench: Bench) -> None:
        bench.begin()
        await bench.raised()
        if step is not Step.RAISE:
            task = await bench.asked(step)
            bench.press(step, S)
            await task
        assert bench.press(step, 4 * S) is Heard.AGAIN
        kind, data = bench.events[-1]
        assert kind == "late"
        assert (data["step"], data["hi"]) == (step.value, bench.now + KEY_BEFORE_NS)
        assert bench.guide.extra() == ()

    led(test)


def test_there_may_be_nothing_to_do() -> None:
    async def test(bench: Bench) -> None:
        bench.begin()
        task = await bench.asked(Step.RAISE)
        assert bench.press(Said.NOT_DONE, S) is Heard.NOTHING, "a raise is skipped, with a reason"
        bench.press(Said.DONE, S)
        await task
        task = await bench.asked(Step.ACKNOWLEDGE)
        assert bench.press(Said.NOT_DONE, S) is Heard.TAKEN
        assert not (await task).is_done
        assert bench.press(Step.ACKNOWLEDGE, S) is Heard.EARLY, "it was not done, so that it can still be"

    led(test)


def test_nothing_means_anything_while_nothing_is_asked() -> None:
    async def test(bench: Bench) -> None:
        for said in Said:
            if said is not Said.KNOWN:
                assert bench.press(said, S) is Heard.NOTHING, said
        bench.begin()
        for said in (Said.DONE, Said.NOT_DONE, Said.LATE):
            assert bench.press(said, S) is Heard.NOTHING, said
        assert bench.guide.pending().choosing is None

    led(test)


def test_a_late_key_can_be_said_once_and_only_of_the_newest_step() -> None:
    async def test(bench: Bench) -> None:
        bench.begin()
        await bench.raised()
        assert bench.guide.pending().late_step is None
        bench.guide.late_of(Step.RAISE, Bounds(1, 2))
        assert bench.guide.pending().late_step is Step.RAISE
        assert bench.press(Said.LATE, S) is Heard.TAKEN
        assert bench.events[-1] == (
            "late", {"alarm": "a.low", "stimulus": "0001", "step": "raise", "lo": 1, "hi": 2},
        )  # fmt: skip
        assert bench.press(Said.LATE, S) is Heard.NOTHING
        bench.guide.late_of(Step.RAISE, Bounds(1, 2))
        bench.guide.late_of(None)
        assert bench.press(Said.LATE, S) is Heard.NOTHING

    led(test)


@pytest.mark.parametrize(
    ("said", "why"),
    [
        (Said.SKIP, Why.SKIPPED),
        (Said.NOT_POSSIBLE, Why.NOT_POSSIBLE),
        (Said.AGAIN, Why.AGAIN),
        (Said.LEAVE, Why.LEFT),
    ],
)
def test_a_reason_interrupts_and_never_mind_does_not(said: Said, why: Why) -> None:
    async def test(bench: Bench) -> None:
        bench.begin()
        task = await bench.asked(Step.RAISE)
        assert bench.press(said, S) is Heard.TAKEN
        assert bench.guide.pending().reasons == REASONS[said]
        bench.guide.never_mind()
        assert bench.guide.pending().choosing is None
        assert not bench.interruptions
        bench.press(said)
        assert not bench.guide.choose(len(REASONS[said]) + 1, bench.now)
        assert not bench.guide.choose(0, bench.now)
        assert bench.guide.choose(1, bench.now)
        assert bench.interruptions == [Interruption(why=why, text=REASONS[said][0])]
        assert not bench.guide.choose(1, bench.now), "once"
        task.cancel()

    led(test)


def test_a_key_is_not_taken_for_what_has_come_in_the_place_of_what_was_asked() -> None:
    """A test is interrupted while somebody is on the way to acknowledge: the Enter of that is no clear."""

    async def test(bench: Bench) -> None:
        bench.begin()
        await bench.raised()
        task = await bench.asked(Step.ACKNOWLEDGE)
        task.cancel()
        await asyncio.wait([task])
        task = await bench.asked(Step.CLEAR)
        assert bench.press(Said.DONE, 5 * S) is Heard.CHANGED
        assert not task.done()
        assert bench.press(Said.DONE, 5 * S) is Heard.TAKEN
        await task
        assert bench.guide.pending().done == {Step.RAISE, Step.CLEAR}

    led(test)


@pytest.mark.parametrize("stops", [True, False])
def test_whoever_chose_it_knows_that_something_else_is_asked(stops: bool) -> None:
    async def test(bench: Bench) -> None:
        bench.begin()
        await bench.raised()
        task = await bench.asked(Step.ACKNOWLEDGE)
        bench.press(Said.SKIP, S)
        if stops:
            bench.guide.gives_up()
        else:
            bench.guide.choose(1, bench.now)
        task.cancel()
        await asyncio.wait([task])
        task = await bench.asked(Step.CLEAR)
        assert bench.press(Said.DONE, S) is Heard.TAKEN
        await task

    led(test)


def test_the_key_of_a_step_of_its_own_means_that_step_whatever_is_asked() -> None:
    async def test(bench: Bench) -> None:
        bench.begin()
        await bench.raised()
        task = await bench.asked(Step.ACKNOWLEDGE)
        task.cancel()
        await asyncio.wait([task])
        task = await bench.asked(Step.CLEAR)
        assert bench.press(Step.ACKNOWLEDGE, S) is Heard.EARLY
        assert bench.press(Step.CLEAR, S) is Heard.TAKEN
        await task

    led(test)


def test_a_second_key_of_the_same_breath_is_about_what_comes_behind_the_first() -> None:
    async def test(bench: Bench) -> None:
        bench.begin()
        task = await bench.asked(Step.RAISE)
        assert bench.press(Said.DONE, S) is Heard.TAKEN
        assert bench.press(Step.SILENCE) is Heard.EARLY
        assert bench.press(Said.DONE) is Heard.NOTHING
        await task
        assert bench.guide.extra() == (Step.SILENCE,)

    led(test)


def test_a_note_interrupts_nothing() -> None:
    async def test(bench: Bench) -> None:
        bench.begin()
        task = await bench.asked(Step.RAISE)
        bench.press(Said.NOTE, S)
        assert bench.guide.choose(2, bench.now)
        assert bench.events[-1] == (
            "note", {"alarm": "a.low", "stimulus": "0001", "text": REASONS[Said.NOTE][1]},
        )  # fmt: skip
        assert not bench.interruptions
        assert bench.press(Said.DONE, S) is Heard.TAKEN
        await task

    led(test)


def test_once_more_means_the_alarm_before_until_this_one_is_raised() -> None:
    async def test(bench: Bench) -> None:
        bench.begin("a.low")
        assert bench.guide.pending().again_of == "a.low"
        bench.begin("a.high", "a.low")
        assert bench.guide.pending().again_of == "a.low"
        await bench.raised()
        assert bench.guide.pending().again_of == "a.high"

    led(test)


def test_of_one_alarm_nothing_is_left_to_the_next() -> None:
    async def test(bench: Bench) -> None:
        bench.begin()
        await bench.raised()
        bench.press(Step.CLEAR, S)
        bench.guide.late_of(Step.RAISE, Bounds(1, 2))
        bench.press(Said.SKIP)
        bench.guide.end()
        assert bench.guide.pending().choosing is None
        assert bench.press(Said.SKIP) is Heard.NOTHING
        bench.begin("a.high")
        pending = bench.guide.pending()
        assert (bench.guide.extra(), pending.late_step, pending.done) == ((), None, frozenset())
        assert bench.press(Step.CLEAR, S) is Heard.NOT_RAISED

    led(test)


def test_where_nobody_is_at_the_keys_nothing_is_done_and_the_test_is_left() -> None:
    async def main() -> None:
        bench = Bench()
        bench.begin()
        assert not (await bench.guide.step(Step.RAISE, "raise it")).is_done
        assert [it.why for it in bench.interruptions] == [Why.LEFT]
        assert await bench.guide.confirm("on already") == ""

    asyncio.run(main())


def test_whoever_goes_away_leaves_what_is_asked_undone() -> None:
    async def main() -> None:
        bench = Bench()
        bench.begin()
        with bench.guide.attached(lambda: None), bench.guide.attached(lambda: None):
            task = await bench.asked(Step.CLEAR)
        assert not (await task).is_done
        assert [it.why for it in bench.interruptions] == [Why.LEFT], "once the last one is gone"

    asyncio.run(main())


def test_what_is_on_already_is_known_for_a_reason_or_not_at_all() -> None:
    async def test(bench: Bench) -> None:
        asking = asyncio.create_task(bench.guide.confirm("b.low at x"))
        await asyncio.sleep(0)
        assert bench.guide.pending().choosing is Said.KNOWN
        assert not bench.guide.choose(1, bench.now), "the key that slipped on from the question before"
        assert bench.press(Said.DONE, S) is Heard.NOTHING
        assert bench.guide.choose(1, bench.now)
        assert await asking == REASONS[Said.KNOWN][0]
        asking = asyncio.create_task(bench.guide.confirm("b.low at x"))
        await asyncio.sleep(0)
        bench.guide.never_mind()
        assert await asking == ""
        assert bench.guide.pending().choosing is None

    led(test)


def test_whoever_shows_it_is_told_of_every_change() -> None:
    async def main() -> None:
        bench = Bench()
        shown: list[Step | None] = []
        with bench.guide.attached(lambda: shown.append(bench.guide.pending().step)):
            bench.begin()
            await bench.raised()
        assert shown[-1] is None
        assert Step.RAISE in shown

    asyncio.run(main())
