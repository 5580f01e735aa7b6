"""Conducts a whole plan: waits for the links, takes the baseline, tests alarm after alarm, compares at the end."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Final

from harness.core.errors import RecordError
from harness.core.instants import NS_PER_S
from harness.core.model import Expectation, Result
from harness.record.header import Json
from harness.results.interrupting import (
    InterruptedTestError,
    Interruption,
    Interruptions,
    StoppedRunError,
    Why,
    gate_stops,
)
from harness.results.steps import (
    INTERRUPTED_EVENT,
    RETEST_EVENT,
    SWEEP_EVENT,
    TOGETHER_EVENT,
    StepDone,
)
from harness.run.attentive import rest_again
from harness.run.before_raising import BeforeRaising
from harness.run.clearing_left import ToClear
from harness.run.holding_off import HoldOff
from harness.run.live_results import judge_live, try_live
from harness.run.one_alarm import OneAlarm
from harness.run.order import Item, raised_at_most_ns
from harness.run.pausing import Pausing
from harness.run.persons import Persons
from harness.run.putting_back import beside
from harness.run.raising import Raiser
from harness.run.restoring import Restoring
from harness.run.tools import Progress, Tools
from harness.run.waiting import STILL_LOST, QuietWindows, Waits, to_the_end

NAG_NS: Final = 30 * NS_PER_S
"""How often a person is told that an alarm has been raised for too long."""


class Conductor:
    """Raises a plan. :meth:`conduct` can be cancelled at any time; what is raised then is cleared first."""

    def __init__(self, tools: Tools, items: Sequence[Item], to_clear: Sequence[ToClear] = ()) -> None:
        """``to_clear``: what earlier runs left raised."""
        self._t = tools
        self._items = items
        self._ahead = deque(items)
        self._before: Item | None = None  # what was raised last
        self._left = ""  # why the rest is not tested
        self._done_ns: list[tuple[int, int]] = []
        self._waits = Waits(tools.site, tools.clock, tools.live)
        self._quiet = QuietWindows(tools.site, tools.clock, tools.live)
        self._persons = Persons(tools.site, tools.clock, tools.live, tools.reports)
        self._hold_off = HoldOff(tools, self._waits)
        self._raiser = Raiser(tools.hand, tools.journal, tools.clock)
        self._interruptions = Interruptions()
        self._pausing = Pausing(tools, self._raiser)
        self._one = OneAlarm(tools, self._raiser, self._waits, self._quiet, self._persons)
        self._before_raising = BeforeRaising(tools, items, to_clear, self._raiser, self._persons)

    async def conduct(self, start_ns: int) -> None:
        """Wait for the links, then raise alarm after alarm. StoppedRunError where it must not go on."""
        if self._t.guide is not None:
            self._t.guide.connect(self._t.journal.event, self._interruptions.interrupt)
        restoring = await self._before_raising.found()
        self._pausing.watch(restoring.standing)
        try:
            await self._raise_all(start_ns)
        finally:
            self._pausing.stop()
            await to_the_end(self._as_left(restoring))

    def _gate_stops(self, why: str) -> StoppedRunError:
        return gate_stops(self._t.journal, self._t.clock(), why)

    async def _as_left(self, restoring: Restoring) -> None:
        for it in await restoring.as_left(self._raiser.open):
            self._t.view.urgent(f"NOT AS FOUND: {it}; put it right by hand")

    async def _raise_all(self, start_ns: int) -> None:
        """Alarm after alarm, then until the last quiet window is over."""
        view = self._t.view
        number = 0
        while self._steered():
            item = self._ahead.popleft()
            if self._t.journal.failing:
                raise RecordError(f"nothing more is raised, since it cannot be recorded: {self._t.journal.failing}")
            if self._t.objection is not None and (why := await asyncio.to_thread(self._t.objection, item)):
                raise self._gate_stops(why)
            view.raising(item, self._progress(item, number))
            if not any(self._waits.is_observed(row) for row in item.rows):
                await self._persons.back(item.rows)
                await self._seen_again(item)
            if not any(self._waits.is_observed(row) for row in item.rows):
                view.trouble(f"{item.alarm.name}: not raised, since none of its outputs can be observed now")
                continue
            number += 1
            await self._one_of_the_plan(item, f"{number:04d}", start_ns)
        until = self._quiet.end()
        if until is not None:
            view.phase("waiting until points that must stay quiet have been")
            await self._waits.until(until)
            await self._quiet.outlast()
        await self._judge_quiet(start_ns, all_of_them=True)

    async def _seen_again(self, item: Item) -> None:
        """Many trials wait for a link that is lost for a while; asked for at once, some would be without end."""
        if self._t.steering is not None or self._t.spread.is_repeated:
            self._t.view.phase("waiting until any of its outputs can be observed again")
            if not await self._waits.observed_again(item.rows):
                raise StoppedRunError(f"{item.alarm.name}: {STILL_LOST}")

    def _steered(self) -> bool:
        """Whether anything is still to be raised, once what was raised so far has had its say."""
        if self._t.steering is not None:
            self._t.steering.plan(self._ahead)
        return bool(self._ahead)

    async def _one_of_the_plan(self, item: Item, stimulus: str, start_ns: int) -> None:
        """Test one alarm when it may be, show what came of it, and see to it that the next one can be raised."""
        clock, view = self._t.clock, self._t.view
        began = clock()
        until = self._quiet.moved_until(item)
        if until is not None:
            view.phase("waiting until points that must stay quiet have been")
            await self._waits.until(until)
        self._t.live.forget_before(min([began, *(it.raised.at.lo for it in self._quiet.open)]) - 2 * NS_PER_S)
        await self._hold_off.before(item)
        await self._pause("")  # what came on while nothing was raised
        rest_again()
        raised = await self._tested(item, stimulus)
        self._done_ns.append((clock() - began, self._t.spread.usual_ns(item)))
        if raised is not None and raised.is_sent:
            self._before = item
            await self._show(item, raised, start_ns)
            self._quiet.enter(item, raised)
            await self._one.stayed(item, raised)
        await self._judge_quiet(start_ns)
        if self._raiser.open:
            raise StoppedRunError(
                f"{', '.join(sorted(self._raiser.open))}: may still be raised and cannot be cleared, so nothing "
                "more is raised; clear it at the controller"
            )
        await self._pause(item.alarm.name if raised is not None and raised.is_sent else "")
        if self._left:
            raise StoppedRunError(self._left)

    async def _show(self, item: Item, raised: StepDone, start_ns: int) -> None:
        """What came of an alarm, to the person, and to what steers by it."""
        steering = self._t.steering
        if item.held_ns is None and item.also is None:
            results = await self._judge(item.loud, raised, start_ns)
            self._t.view.judged(item, results)
            if steering is not None:
                steering.judged(results)
        elif item.held_ns is not None and steering is not None:
            tries = await try_live(self._t.site, self._t.live, self._t.clock, item.loud, raised, start_ns)
            self._t.view.tried(steering.tried(item, tries))

    async def _tested(self, item: Item, stimulus: str) -> StepDone | None:
        """Test one alarm, unless it is interrupted; returns the raise, None where there was none."""
        now = self._t.clock()
        if item.also is not None:
            self._t.journal.event(TOGETHER_EVENT, now, {"stimuli": [stimulus, beside(stimulus)]})
        if item.held_ns is not None:
            asking = {} if self._t.steering is None else {"asking": self._t.steering.asking}
            self._t.journal.event(SWEEP_EVENT, now, {"stimulus": stimulus, "held_ns": item.held_ns, **asking})
        guide, before = self._t.guide, "" if self._before is None else self._before.alarm.name
        if guide is not None:
            guide.begin(item.alarm.name, stimulus, before)
        self._one.raised = None  # it may be interrupted before it begins
        try:
            return await self._interruptions.under(self._limited(item, stimulus))
        except InterruptedTestError as exc:
            self._interrupted(item, stimulus, exc.interruption)
            return self._one.raised
        finally:
            for step in () if guide is None else guide.extra():
                await self._raiser.step(item.alarm, step, stimulus)
            if guide is not None:
                guide.end()

    def _interrupted(self, item: Item, stimulus: str, it: Interruption) -> None:
        """Enter why, and plan what comes of it."""
        view, journal, now = self._t.view, self._t.journal, self._t.clock()
        alarm = item.alarm.name
        is_raised = self._one.raised is not None and self._one.raised.is_sent
        data: dict[str, Json] = {"stimulus": stimulus, "alarm": alarm, "why": it.why.value, "text": it.text}
        journal.event(INTERRUPTED_EVENT, now, data)
        match it.why:
            case Why.SKIPPED | Why.NOT_POSSIBLE:
                journal.event(it.why.value, now, {"alarm": alarm, "reason": it.text})
                view.trouble(f"{alarm}: {it.why.value.replace('-', ' ')}: {it.text}")
            case Why.AGAIN:
                again = [item] if is_raised or self._before is None else [self._before, item]
                self._ahead.extendleft(reversed(again))
                journal.event(RETEST_EVENT, now, {"alarm": again[0].alarm.name, "reason": it.text})
                view.trouble(f"{again[0].alarm.name}: once more: {it.text}")
            case Why.LEFT:
                self._left = (
                    f"left: {it.text.split(';')[0]}; {len(self._ahead) + 1} alarms are not tested, go on with --resume"
                )
            case Why.UNEXPLAINED if not is_raised:
                if self._pausing.may_try_again(alarm):
                    self._ahead.appendleft(item)
                else:
                    view.urgent(f"{alarm} is not raised: {it.text}, again and again; find out why")
            case _:
                view.urgent(it.text)

    async def _limited(self, item: Item, stimulus: str) -> StepDone:
        """See an alarm through, no longer raised than it may be, and no longer than it must with another one up."""
        name, limit_ns = item.alarm.name, raised_at_most_ns(self._t.site, item)
        nagging: list[asyncio.Task[None]] = []
        with self._timers() as interrupt_in, self._pausing.during(name, interrupt_in):

            def raised() -> None:
                self._pausing.raised()
                if self._raiser.by_itself:
                    text = f"{name}: raised for {limit_ns // NS_PER_S} s, the longest that it may be: it is cleared"
                    interrupt_in(limit_ns, Interruption(why=Why.DEAD_MAN, text=text))
                else:
                    nagging.append(asyncio.create_task(self._nag(name, limit_ns), name="raised for too long"))

            self._raiser.on_raise = raised
            try:
                return await self._one.see_through(item, stimulus)
            finally:
                self._raiser.on_raise = None
                for task in nagging:
                    task.cancel()

    async def _nag(self, alarm: str, limit_ns: int) -> None:
        """Nothing but a person can clear what a person raised: say it, and again, once it was raised for too long."""
        while True:
            await asyncio.sleep(min(limit_ns, NAG_NS) / NS_PER_S)
            raised = self._one.raised
            if raised is not None and alarm in self._raiser.open and self._t.clock() - raised.at.hi >= limit_ns:
                held_s = (self._t.clock() - raised.at.hi) // NS_PER_S
                self._t.view.urgent(f"{alarm} HAS BEEN RAISED FOR {held_s} s: clear it now, or say that it cannot be")

    @contextmanager
    def _timers(self) -> Iterator[Callable[[int, Interruption], None]]:
        """A function that interrupts the test of the alarm after so many nanoseconds, unless it has ended by then."""
        loop = asyncio.get_running_loop()
        timers: list[asyncio.TimerHandle] = []

        def interrupt_in(delay_ns: int, it: Interruption) -> None:
            timers.append(loop.call_later(delay_ns / NS_PER_S, self._interruptions.interrupt, it))

        try:
            yield interrupt_in
        finally:
            for timer in timers:
                timer.cancel()

    async def _pause(self, tested: str) -> None:
        """Where something unexplained came on, wait until it goes. StoppedRunError where it stays: then it is real.

        ``tested``: the alarm that was raised and has been cleared, '' where none was.
        """
        if why := await self._pausing.pause(tested):
            raise self._gate_stops(why)

    def _progress(self, item: Item, number: int) -> Progress:
        """Where the run is; how long the rest takes nobody can say where each raise decides on the next one."""
        if self._t.steering is not None:
            return Progress(number=number, total=len(self._items), left_ns=0)
        done = max(0, len(self._items) - len(self._ahead) - 1)
        return Progress(number=done, total=len(self._items), left_ns=self._left_ns(item))

    def _left_ns(self, item: Item) -> int:
        """By the plan's own estimate, corrected by how the measured times so far compare with it."""
        planned = sum(self._t.spread.usual_ns(it) for it in (item, *self._ahead))
        measured, estimated = sum(it for it, _ in self._done_ns), sum(it for _, it in self._done_ns)
        return planned * measured // estimated if estimated else planned

    async def _judge_quiet(self, start_ns: int, *, all_of_them: bool = False) -> None:
        """Show the results of quiet rows whose windows are over."""
        for later in self._quiet.take(all_of_them=all_of_them):
            self._t.view.judged(later.item, await self._judge(later.item.quiet, later.raised, start_ns))

    async def _judge(self, rows: Sequence[Expectation], raised: StepDone, start_ns: int) -> tuple[Result, ...]:
        return await judge_live(self._t.site, self._t.live, self._t.clock, rows, raised, start_ns)
