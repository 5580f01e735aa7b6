"""Conducts what a program asks for, step by step, with everything that keeps a whole plan safe.

What is raised is put back, whatever becomes of the program; nothing stays raised for longer than it may; nothing is
raised over something that nobody explained.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Sequence
from typing import Any, TypeVar

from harness.core.errors import FarendError, RecordError
from harness.core.instants import NS_PER_S
from harness.core.model import Expectation, Step
from harness.record.header import Json
from harness.results.interrupting import Interruption, StoppedRunError, Why, gate_stops
from harness.results.judging import PLAN_EVENT
from harness.results.steps import INTERRUPTED_EVENT, STOPPED_EVENT, StepDone
from harness.run.attentive import rest_again
from harness.run.before_raising import BeforeRaising
from harness.run.clearing_left import ToClear
from harness.run.holding_off import HoldOff
from harness.run.one_alarm import OneAlarm
from harness.run.one_at_a_time import OneAtATime
from harness.run.order import Item, raised_at_most_ns
from harness.run.pausing import PUTS_OFF_MAX, Pausing
from harness.run.persons import Persons
from harness.run.raising import Raiser
from harness.run.restoring import Restoring
from harness.run.stages import Course
from harness.run.still_held import held_for, held_told
from harness.run.tools import Progress, Tools
from harness.run.waiting import QuietWindows, Waits, to_the_end

T = TypeVar("T")


class NotRaisedError(FarendError):
    """The alarm was not raised, and why; nothing is left raised by it."""


class LeftOutError(NotRaisedError):
    """It never is in this run: the site file has no way to raise it, or the reviews exclude it."""


class Stepwise:
    """Raises and puts back on demand, one step at a time; who asks while a step goes on waits for its end.

    Every step may be cancelled. An alarm counts as raised until its clear is proven, and is put back then at the
    latest when the run ends.
    """

    def __init__(self, tools: Tools, items: Sequence[Item], to_clear: Sequence[ToClear], opened: asyncio.Event) -> None:
        """``items``: all that may be raised; ``to_clear``: what earlier runs left raised.

        ``opened`` is set as soon as something may be raised.
        """
        self.tools = tools
        self.waits = Waits(tools.site, tools.clock, tools.live)
        self.courses: list[Course] = []
        """What was raised since :meth:`begin`, in that order; without what was seen through at once."""
        self.start_ns = 0
        self._items = items
        self._persons = Persons(tools.site, tools.clock, tools.live, tools.reports)
        self._quiet = QuietWindows(tools.site, tools.clock, tools.live)
        self._raiser = Raiser(tools.hand, tools.journal, tools.clock)
        self._hold_off = HoldOff(tools, self.waits)
        self._pausing = Pausing(tools, self._raiser)
        self._one = OneAlarm(tools, self._raiser, self.waits, self._quiet, self._persons)
        self._before = BeforeRaising(tools, items, to_clear, self._raiser, self._persons)
        self._restoring: Restoring | None = None
        self._is_compared = False
        self._opened = opened
        self._turns = OneAtATime()
        self._raising: dict[str, Item] = {}  # by alarm, what was raised last of it
        self._timers: list[asyncio.TimerHandle] = []
        self._number = 0

    # --- the run as a whole -------------------------------------------------------------------------

    async def conduct(self, start_ns: int) -> None:
        """From the baseline until :meth:`end`. StoppedRunError where it must not go on."""
        self.start_ns = start_ns
        self._restoring = await self._before.found()
        self._pausing.watch(self._restoring.standing)
        self._pausing.while_stepping(self._interrupt_in)
        self._opened.set()
        try:
            why = await self._turns.over()
        finally:
            await to_the_end(self._leave())
        if why:
            raise StoppedRunError(why)

    def end(self) -> None:
        """Let :meth:`conduct` put back what is raised, compare, and end."""
        self._turns.stop("")

    async def _leave(self) -> None:
        for timer in self._timers:
            timer.cancel()
        await self._turns.finish()
        await self._put_back()
        self._pausing.stop()
        if not self._is_compared:
            await self._compare()

    # --- one test of it -----------------------------------------------------------------------------

    def begin(self, keep_from_ns: int) -> None:
        """A test begins. What was observed before ``keep_from_ns`` is never asked for again."""
        self.courses = []
        self._turns.anew()
        self._timers = [timer for timer in self._timers if not timer.cancelled() and timer.when() > _now()]
        self.tools.live.forget_before(keep_from_ns - 2 * NS_PER_S)

    async def do(self, work: Callable[[], Coroutine[Any, Any, T]], *, anyway: bool = False) -> T:
        """Take one of the steps below, see ``OneAtATime.do``."""
        return await self._turns.do(work, anyway=anyway)

    def must_go_on(self) -> None:
        """Raise what :meth:`do` would, where it would do nothing any more."""
        self._turns.must_go_on()

    @property
    def is_over(self) -> bool:
        """True once nothing more is raised in this run."""
        return self._turns.is_over

    @property
    def interruption(self) -> Interruption | None:
        """Why everything was put back in the middle of this test; None where it was not."""
        return self._turns.interruption

    def _interrupt_in(self, delay_ns: int, it: Interruption) -> None:
        """Have everything put back after so long, unless what is raised now is not any more by then."""
        raised = set(self._raiser.open.values())
        self._after(delay_ns, lambda: not raised.isdisjoint(self._raiser.open.values()), it)

    def _after(self, delay_ns: int, is_due: Callable[[], bool], it: Interruption) -> None:
        def due() -> None:
            if is_due() and self._turns.interruption is None and not self._turns.is_over:
                self._interrupt(it)

        self._timers.append(asyncio.get_running_loop().call_later(delay_ns / NS_PER_S, due))

    def _interrupt(self, it: Interruption) -> None:
        self.tools.view.urgent(it.text)
        for alarm, stimulus in self._raiser.open.items():
            data: dict[str, Json] = {"stimulus": stimulus, "alarm": alarm, "why": it.why.value, "text": it.text}
            self.tools.journal.event(INTERRUPTED_EVENT, self.tools.clock(), data)
        raised = ", ".join(sorted(self._raiser.open))

        async def put_back() -> None:
            await self._put_back()
            await self._pause(raised)

        self._turns.interrupt(it, put_back)

    # --- steps --------------------------------------------------------------------------------------

    async def raise_alarm(self, item: Item, rows: Sequence[str]) -> Course:
        """Raise an alarm once its outputs are normal. ``rows``: the keys of those that are judged by it.

        What another alarm that is still raised holds on is not waited for, and cannot be told at the end: it is
        masked, and who watches is told so.

        NotRaisedError where that cannot be, or is not proven.
        """
        alarm = item.alarm
        self.plan(item, rows)
        await self._may_raise(item)
        loud = await self._ready(item)
        stimulus = self._next()
        self._raising[alarm.name] = item
        self._is_compared = False
        with self._dead_man(item):
            raised = await self._one.stages.raised(item, stimulus)
        course = Course(item=item, stimulus=stimulus, loud=loud, raised=raised)
        self.courses.append(course)
        if not raised.proven:
            await to_the_end(self._put_back())
            raise NotRaisedError(f"{alarm.name}: the raise is not proven: {raised.note}")
        return course

    async def see_through(self, item: Item, rows: Sequence[str]) -> StepDone:
        """Raise an alarm, see it through and put it back, as in a whole plan. Returns the raise, proven or not."""
        self.plan(item, rows)
        await self._may_raise(item)
        await self._hold_until_explained(item)
        self._is_compared = False
        self._raising[item.alarm.name] = item
        with self._dead_man(item):
            raised = await self._one.see_through(item, self._next())
        if raised.is_sent:
            self._quiet.enter(item, raised)
            await self._one.stayed(item, raised)
        await self._settled(item.alarm.name if raised.is_sent else "")
        return raised

    async def silence(self, at: Course, *, at_once: bool = False) -> StepDone:
        """Silence it; ``at_once``: without waiting for what was before, or for what comes of it."""
        if at_once:
            return await self._at_once(at, Step.SILENCE)
        await self._shown_and_stayed(at)
        await self._one.stages.silence(at)
        return at.done[Step.SILENCE]

    async def acknowledge(self, at: Course, *, at_once: bool = False) -> StepDone:
        """Acknowledge it, see :meth:`silence`."""
        if at_once:
            return await self._at_once(at, Step.ACKNOWLEDGE)
        await self._shown_and_stayed(at)
        done = await self._one.stages.acknowledge(at)
        await self._one.back.hold(at.loud, Step.ACKNOWLEDGE, done.at.hi)
        return done

    async def clear(self, at: Course, *, at_once: bool = False) -> StepDone:
        """Clear it, see :meth:`silence`. It is tried again and again while it is not proven."""
        if not at_once:
            await self._shown_and_stayed(at)
        done = await self._one.stages.clear(at)
        if not at_once:
            await self._one.stages.gone(at, done.at.hi)
            await self._one.back.hold(at.loud, Step.CLEAR, done.at.hi)
        return done

    async def reset(self, at: Course, *, at_once: bool = False) -> StepDone:
        """Reset it, see :meth:`silence`."""
        if at_once:
            return await self._at_once(at, Step.RESET)
        await self._shown_and_stayed(at)
        await self._one.stages.reset(at)
        await self._one.stages.normal(at)
        return at.done[Step.RESET]

    async def see_out(self) -> None:
        """Every step that is still to come of all that was raised, in order, until all is normal."""
        for at in self.courses:
            if at.raised.proven:
                await self._one.see_out(at)
                await self._one.back.settle(at.loud)
                self._quiet.enter(at.item, at.raised)
        names = ", ".join(dict.fromkeys(at.alarm.name for at in self.courses))
        self.courses = []
        await self._settled(names)

    async def outlast_quiet(self) -> None:
        """Wait until the windows of points that must stay quiet are over, and each is known to have been looked at."""
        until = self._quiet.end()
        if until is not None:
            self.tools.view.phase("waiting until points that must stay quiet have been")
            await self.waits.until(until)
            await self._quiet.outlast()
        list(self._quiet.take(all_of_them=True))

    async def put_back(self) -> None:
        """Put back at once what is raised, whatever was still to come of it."""
        names = ", ".join(sorted(self._raiser.open))
        await to_the_end(self._put_back())
        list(self._quiet.take(all_of_them=True))
        await self._settled(names)

    async def compare(self) -> None:
        """Enter whether all is as it was found, where something was raised since that was done last."""
        if not self._is_compared:
            await to_the_end(self._compare())

    # --- inside -------------------------------------------------------------------------------------

    async def _compare(self) -> None:
        if self._restoring is None:
            return
        self._is_compared = True
        for it in await self._restoring.as_left(self._raiser.open):
            self.tools.view.urgent(f"NOT AS FOUND: {it}; put it right by hand")

    async def _put_back(self) -> None:
        """All that is raised, the newest first; what was being raised when it was stopped, too."""
        left = [(at.item, at.stimulus) for at in reversed(self.courses)]
        known = {stimulus for _, stimulus in left}
        left += [(self._raising[name], it) for name, it in self._raiser.open.items() if it not in known]
        for item, stimulus in left:
            self.tools.journal.event(STOPPED_EVENT, self.tools.clock(), {"stimulus": stimulus})
            await self._one.back.put_back(item, stimulus)
        self.courses = []

    async def _may_raise(self, item: Item) -> None:
        """Wait until it may be raised. NotRaisedError where nobody would see it; StoppedRunError where it must not."""
        tools, name = self.tools, item.alarm.name
        if name in self._raiser.open or any(at.alarm.name == name for at in self.courses):
            raise NotRaisedError(f"{name}: it is raised already; clear it before it is raised once more")
        if tools.journal.failing:
            raise RecordError(f"nothing more is raised, since it cannot be recorded: {tools.journal.failing}")
        if tools.objection is not None and (why := await asyncio.to_thread(tools.objection, item)):
            raise gate_stops(tools.journal, tools.clock(), why)
        if not any(self.waits.is_observed(row) for row in item.rows):
            links = dict.fromkeys(tools.site.points[row.point].link for row in item.rows)
            why = "".join(f"; {it}: {tools.live.why_down[it]}" for it in links if tools.live.why_down.get(it))
            raise NotRaisedError(f"{name}: not raised, since none of its outputs can be observed now{why}")
        tools.view.raising(item, Progress(number=self._number, total=self._number + 1, left_ns=0))
        until = self._quiet.moved_until(item)
        if until is not None:
            tools.view.phase("waiting until points that must stay quiet have been")
            await self.waits.until(until)
        await self._hold_off.before(item)
        if not self._raiser.open:
            rest_again()

    async def _hold_until_explained(self, item: Item) -> None:
        """Wait until what came on unexplained has gone. NotRaisedError where it comes again and again."""
        for _ in range(PUTS_OFF_MAX):
            await self._pause(", ".join(sorted(self._raiser.open)))
            if not self._pausing.is_due:
                return
        raise NotRaisedError(f"{item.alarm.name}: not raised: something comes on and goes, unexplained; find out why")

    async def _ready(self, item: Item) -> list[Expectation]:
        """Wait until its outputs are normal, and nothing has come on unexplained meanwhile."""
        for _ in range(PUTS_OFF_MAX):
            await self._hold_until_explained(item)
            held = held_for(item, self.courses, self.tools.live)
            loud = await self._one.stages.ready(item, held)
            if not self._pausing.is_due:
                if held:
                    self.tools.view.trouble(held_told(item, held))
                return loud
        raise NotRaisedError(f"{item.alarm.name}: not raised: something comes on and goes, unexplained; find out why")

    def _dead_man(self, item: Item) -> _OnRaise:
        """Within, a raise starts the time for which the alarm may be raised."""
        name, limit_ns = item.alarm.name, raised_at_most_ns(self.tools.site, item)
        text = f"{name}: raised for {limit_ns // NS_PER_S} s, the longest that it may be: it is cleared"

        def raised() -> None:
            stimulus = self._raiser.open[name]
            is_due = Interruption(why=Why.DEAD_MAN, text=text)
            self._after(limit_ns, lambda: self._raiser.open.get(name) == stimulus, is_due)

        return _OnRaise(self._raiser, raised)

    async def _at_once(self, at: Course, step: Step) -> StepDone:
        done = at.done[step] = await self._raiser.step(at.alarm, step, at.stimulus)
        return done

    async def _shown_and_stayed(self, at: Course) -> None:
        """Before the first step behind the raise: its outputs show, for as long as they must."""
        if not at.is_shown:
            await self._one.stages.shown(at)
        if not at.done and at.alarm.lasts_ns is None:
            await self._one.stages.stay(at)

    async def _settled(self, tested: str) -> None:
        """After all was put back. StoppedRunError where something may still be raised, or came on and stays."""
        if self._raiser.open:
            raise StoppedRunError(
                f"{', '.join(sorted(self._raiser.open))}: may still be raised and cannot be cleared, so nothing "
                "more is raised; clear it at the controller"
            )
        await self._pause(tested)

    async def _pause(self, tested: str) -> None:
        if why := await self._pausing.pause(tested):
            raise gate_stops(self.tools.journal, self.tools.clock(), why)

    def plan(self, item: Item, rows: Sequence[str]) -> None:
        """What is judged by this raise counts as planned from now on, raised or not."""
        wanted = set(rows)
        links = {self.tools.site.points[row.point].link for row in item.rows if row.key in wanted}
        keys: list[Json] = [*rows]
        on: list[Json] = [*sorted(links)]
        self.tools.journal.event(PLAN_EVENT, self.tools.clock(), {"rows": keys, "links": {item.alarm.name: on}})

    def items_of(self, alarm: str) -> list[Item]:
        """What may be raised of an alarm: twice where it is acknowledged both before and after its clear."""
        return [item for item in self._items if item.alarm.name == alarm]

    def _next(self) -> str:
        self._number += 1
        return f"{self._number:04d}"


def _now() -> float:
    return asyncio.get_running_loop().time()


class _OnRaise:
    """Within, something is done just before a raise."""

    def __init__(self, raiser: Raiser, raised: Callable[[], None]) -> None:
        self._raiser = raiser
        self._raised = raised

    def __enter__(self) -> None:
        self._raiser.on_raise = self._raised

    def __exit__(self, *_: object) -> None:
        self._raiser.on_raise = None
