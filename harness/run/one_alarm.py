"""One alarm, from the moment its outputs are normal until they are again: raise, wait, silence, acknowledge, clear, put
back.

It decides when to go on, never what a result is: results come from the record alone. Waiting looks at the newest
samples, so that a healthy site is done quickly; where nothing shows, it waits for as long as the limits say.
"""

from __future__ import annotations

from harness.core.model import Step
from harness.results.steps import STOPPED_EVENT, StepDone
from harness.run.order import Item
from harness.run.persons import Persons
from harness.run.putting_back import PuttingBack
from harness.run.raised_otherwise import Variants
from harness.run.raising import Raiser, UnsentError
from harness.run.stages import Course, Stages
from harness.run.tools import Tools
from harness.run.waiting import QuietWindows, Waits, to_the_end


class OneAlarm:
    """Sees alarms through, one at a time. :meth:`see_through` can be cancelled: what is raised is put back first."""

    def __init__(self, tools: Tools, raiser: Raiser, waits: Waits, quiet: QuietWindows, persons: Persons) -> None:
        self._t = tools
        self._raiser = raiser
        self._waits = waits
        self._quiet = quiet
        self._persons = persons
        self.raised: StepDone | None = None
        """The newest raise."""
        self.back = PuttingBack(tools, raiser, waits)
        self.stages = Stages(tools, raiser, waits, persons, self.back)
        self._variants = Variants(tools, raiser, waits, self.back)

    async def see_through(self, item: Item, stimulus: str) -> StepDone:
        """Raise one alarm, see it through, put it back. Returns the raise."""
        clock, view, alarm = self._t.clock, self._t.view, item.alarm
        self.raised = None
        loud = await self.stages.ready(item)
        self._persons.look(item.rows, alarm.name)
        is_done = False
        view.phase("its outputs are normal: ready to be raised")
        try:
            raised = self.raised = await self.stages.raised(item, stimulus)
            if raised.proven:
                await self._after_raise(Course(item=item, stimulus=stimulus, loud=loud, raised=raised))
            else:
                view.trouble(f"{alarm.name}: the raise is not proven: {raised.note}")
            is_done = alarm.name not in self._raiser.open
        except UnsentError:
            is_done = True  # nothing was raised, so that there is nothing to put back
            raise
        except BaseException:
            self._t.journal.event(STOPPED_EVENT, clock(), {"stimulus": stimulus})
            raise
        finally:
            if not is_done:
                await to_the_end(self.back.put_back(item, stimulus))
        if is_done:
            await self.back.settle(loud)
        return raised

    async def stayed(self, item: Item, raised: StepDone) -> None:
        """Whoever watches what must stay off looks until its window is over, and then says whether it did."""
        rows = [row for row in item.quiet if self._persons.watches_quiet([row])]
        if rows and raised.proven:
            self._t.view.phase("waiting until what somebody watches has stayed off for long enough")
            await self._waits.until(self._quiet.end_of(rows))
            await self._persons.stayed(rows, raised.at.lo, item.alarm.name)

    async def _after_raise(self, at: Course) -> None:
        """What comes after a proven raise, up to everything being off again."""
        item = at.item
        if item.held_ns is not None:
            await self._variants.hold_for(item, at.loud, at.raised, at.stimulus, item.held_ns)
        elif item.also is not None:
            await self._variants.with_another(item, item.also, at.loud, at.stimulus)
        else:
            await self.see_out(at)

    async def see_out(self, at: Course) -> None:
        """All steps that are still to come after a proven raise, up to everything being off again."""
        await self._until_normal(at, await self._until_released(at))

    async def _until_released(self, at: Course) -> int:
        """From the raise to the clear, or to when it clears by itself at the latest; returns that instant."""
        if Step.CLEAR in at.done:
            return at.done[Step.CLEAR].at.hi
        stages, lasts_ns = self.stages, at.alarm.lasts_ns
        if not at.is_shown:
            await stages.shown(at)
        if lasts_ns is None:
            await stages.stay(at)
        if self._is_due(at, Step.SILENCE):
            await stages.silence(at)
        if lasts_ns is not None:
            return at.raised.at.hi + lasts_ns.hi
        if self._is_due(at, Step.ACKNOWLEDGE) and at.item.acknowledge_after is Step.RAISE:
            done = await stages.acknowledge(at)
            await self.back.hold(at.loud, Step.ACKNOWLEDGE, done.at.hi)
        return (await stages.clear(at)).at.hi

    async def _until_normal(self, at: Course, released_ns: int) -> None:
        """From the clear until everything is off: acknowledge and reset what holds on over it."""
        await self.stages.gone(at, released_ns)
        if self._is_due(at, Step.ACKNOWLEDGE):
            await self.back.hold(at.loud, Step.CLEAR, released_ns)
            await self.stages.acknowledge(at)
        elif Step.ACKNOWLEDGE not in at.done and self._raiser.can_do(at.alarm, Step.ACKNOWLEDGE):
            # No row waits for it, but a latch elsewhere may.
            await self._raiser.step(at.alarm, Step.ACKNOWLEDGE, at.stimulus)
        await self.back.acknowledge_brought(at.alarm)
        await self.back.acknowledge_left(at.alarm)
        if self._is_due(at, Step.RESET):
            await self.stages.reset(at)
        await self.stages.normal(at)

    def _is_due(self, at: Course, step: Step) -> bool:
        """True where a row waits for a step that can be done and was not yet."""
        return step not in at.done and self.back.needs(at.item, step)
