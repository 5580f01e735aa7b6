"""One alarm, from the moment its outputs are normal until they are again: raise, wait, silence, acknowledge, clear, put
back. What a step must leave on is given the time to go off before the next step comes, or nobody could tell the two.

It decides when to go on, never what a result is: results come from the record alone. Waiting looks at the newest
samples, so that a healthy site is done quickly; where nothing shows, it waits for as long as the limits say.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from harness.core.instants import NS_PER_S
from harness.core.model import Alarm, Behaviour, Expectation, Step
from harness.run.order import READY_MAX_NS, Item, gap_ns, gone_within_ns, hold_ns, show_within_ns
from harness.run.persons import Persons
from harness.run.putting_back import PuttingBack
from harness.run.raised_otherwise import Variants
from harness.run.raising import Raiser, UnsentError
from harness.run.steps import STOPPED_EVENT, StepDone
from harness.run.tools import Tools
from harness.run.waiting import QuietWindows, Waits, to_the_end

QUIET_READY_MAX_NS: Final = 2 * NS_PER_S
"""How long a raise waits for points that must stay quiet to be off first."""

CLEAR_AGAIN_NS: Final = 1 * NS_PER_S
"""A clear that is not proven is tried again so often, for as long as the tools say: a lost link may come back."""


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
        self._back = PuttingBack(tools, raiser, waits)
        self._variants = Variants(tools, raiser, waits, self._back)

    async def see_through(self, item: Item, stimulus: str) -> StepDone:
        """Raise one alarm, see it through, put it back. Returns the raise."""
        clock, view, alarm = self._t.clock, self._t.view, item.alarm
        self.raised = None
        loud = await self._ready(item)
        self._persons.look(item.rows, alarm.name)
        is_done = False
        view.phase("its outputs are normal: ready to be raised")
        try:
            raised = self.raised = await self._raiser.step(alarm, Step.RAISE, stimulus)
            if raised.proven:
                await self._after_raise(item, loud, raised, stimulus)
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
                await to_the_end(self._back.put_back(item, stimulus))
        if is_done:
            await self._back.settle(loud)
        return raised

    async def _ready(self, item: Item) -> list[Expectation]:
        """Wait until the alarm may be raised; returns the rows that must react and are observed."""
        live, clock, view = self._t.live, self._t.clock, self._t.view
        view.phase("waiting until its outputs are normal")
        await self._persons.ready(item.rows, item.alarm.name)
        loud = [row for row in item.loud if self._waits.is_observed(row)]
        await live.wait_until(lambda: all(live.is_off(row.point) for row in loud), clock() + READY_MAX_NS)
        quiet = [row for row in item.quiet if self._waits.is_observed(row)]
        await live.wait_until(lambda: all(live.is_off(row.point) for row in quiet), clock() + QUIET_READY_MAX_NS)
        await live.wait_for_news({row.point for row in loud}, clock(), clock() + READY_MAX_NS)
        until = self._waits.told_apart_from(loud)
        if until > clock():
            view.phase("waiting until what is told can be told apart from what was before")
            await self._waits.until(until)
        await self._waits.until(self._persons.looked_at(item.quiet))
        await self._random_phase(item)
        return loud

    async def stayed(self, item: Item, raised: StepDone) -> None:
        """Whoever watches what must stay off looks until its window is over, and then says whether it did."""
        rows = [row for row in item.quiet if self._persons.watches_quiet([row])]
        if rows and raised.proven:
            self._t.view.phase("waiting until what somebody watches has stayed off for long enough")
            await self._waits.until(self._quiet.end_of(rows))
            await self._persons.stayed(rows, raised.at.lo, item.alarm.name)

    async def _random_phase(self, item: Item) -> None:
        """Raise at a random phase of the polls: in step with them, every trial would meet the same sample instants."""
        if not self._raiser.by_itself:
            return  # nobody raises in step with polls by hand
        polled = [row for row in item.rows if self._t.site.points[row.point].link not in self._t.reports]
        gap = max((gap_ns(self._t.site, row) for row in polled), default=0)
        await self._waits.until(self._t.clock() + self._t.random.randrange(gap // 2 + 1))

    async def _after_raise(self, item: Item, loud: Sequence[Expectation], raised: StepDone, stimulus: str) -> None:
        """What comes after a proven raise, up to everything being off again."""
        if item.held_ns is not None:
            await self._variants.hold_for(item, loud, raised, stimulus, item.held_ns)
        elif item.also is not None:
            await self._variants.with_another(item, item.also, loud, stimulus)
        else:
            released_ns = await self._until_released(item, loud, raised, stimulus)
            await self._until_normal(item, loud, raised, stimulus, released_ns)

    async def _until_released(self, item: Item, loud: Sequence[Expectation], raised: StepDone, stimulus: str) -> int:
        """From the raise to the clear, or to when it clears by itself at the latest; returns that instant."""
        clock, view, site = self._t.clock, self._t.view, self._t.site
        alarm = item.alarm
        shown_by = {row.key: raised.at.hi + show_within_ns(site, row) for row in loud}
        view.phase("raised; waiting for its outputs")
        self._persons.held_since(raised.at.hi)
        shown = await self._waits.shown(loud, raised.at.lo, shown_by)
        self._back.reaction_ns = {key: max(0, at - raised.at.hi) for key, at in shown.items()}
        await self._persons.still(loud, raised.at.lo, alarm.name)
        if alarm.lasts_ns is not None:
            await self._silence(item, loud, stimulus)
            return raised.at.hi + alarm.lasts_ns.hi
        if any(self._waits.is_out_of_sight(row) for row in loud):
            view.phase("raised and held; somebody walks to what is out of sight")
            # Whoever goes only now sees what showed in time; what does not show then has been missed.
            await self._waits.until(
                max(at for row, at in ((r, shown_by[r.key]) for r in loud) if self._waits.is_out_of_sight(row))
            )
            await self._persons.walk(loud, alarm.name)
        visible = max((row.limits.visible_for_ns or 0 for row in loud), default=0)
        gap = max((gap_ns(site, row) for row in loud), default=0)
        stay_ns = max([hold_ns(site, loud), *(row.limits.leak_ns for row in item.quiet)])
        await self._waits.until(max(clock() + visible + gap if visible else clock(), raised.at.hi + stay_ns))
        await self._silence(item, loud, stimulus)
        if self._back.needs(item, Step.ACKNOWLEDGE) and item.acknowledge_after is Step.RAISE:
            done = await self._acknowledge(alarm, loud, stimulus)
            await self._back.hold(loud, Step.ACKNOWLEDGE, done.at.hi)
        cleared = await self._back.clear(alarm, stimulus)
        self._persons.cleared(alarm.name)
        return cleared.at.hi

    async def _until_normal(
        self, item: Item, loud: Sequence[Expectation], raised: StepDone, stimulus: str, released_ns: int
    ) -> None:
        """From the clear until everything is off: acknowledge and reset what holds on over it."""
        live, clock, view, site = self._t.live, self._t.clock, self._t.view, self._t.site
        alarm = item.alarm
        view.phase("cleared; waiting until its outputs are normal")
        following = [row for row in loud if row.behaviour in (Behaviour.FOLLOWS, Behaviour.PULSE)]
        await self._waits.each(
            following,
            lambda row: live.is_off(row.point) and clock() >= raised.at.hi + self._own_end(alarm),
            {row.key: released_ns + gone_within_ns(site, row) for row in following},
        )
        await self._persons.gone(following, f"{alarm.name} is cleared")
        if alarm.lasts_ns is not None:
            await self._waits.until(clock() if following else released_ns)
            if not self._raiser.can_do(alarm, Step.CLEAR) or all(live.is_off(row.point) for row in following):
                self._raiser.forget(alarm)
        is_last = item.acknowledge_after is Step.CLEAR or alarm.lasts_ns is not None
        if self._back.needs(item, Step.ACKNOWLEDGE) and is_last:
            await self._back.hold(loud, Step.CLEAR, released_ns)
            await self._acknowledge(alarm, loud, stimulus)
        elif self._raiser.can_do(alarm, Step.ACKNOWLEDGE) and not self._back.needs(item, Step.ACKNOWLEDGE):
            # No row waits for it, but a latch elsewhere may.
            await self._raiser.step(alarm, Step.ACKNOWLEDGE, stimulus)
        await self._back.acknowledge_brought(alarm)
        await self._back.acknowledge_left(alarm)
        await self._reset(item, loud, stimulus)
        now = clock()
        held = [row for row in loud if row not in following]
        await self._waits.each(
            held, lambda row: live.is_off(row.point), {row.key: now + gone_within_ns(site, row) for row in held}
        )
        far = [row.limits.dwell_ns + row.limits.settle_ns for row in loud if self._waits.is_out_of_sight(row)]
        await self._waits.until(now + max(far, default=0))  # nobody is sent to look at what had no time to go
        await self._persons.dark_again(loud, alarm.name)

    def _own_end(self, alarm: Alarm) -> int:
        """An alarm that clears by itself is not taken for gone before it can be."""
        return 0 if alarm.lasts_ns is None else alarm.lasts_ns.lo

    async def _silence(self, item: Item, loud: Sequence[Expectation], stimulus: str) -> None:
        """Silence where a row is released by it, and give what must stay on the time to go off by mistake."""
        if not self._back.needs(item, Step.SILENCE):
            return
        live, site, alarm = self._t.live, self._t.site, item.alarm
        rows = [row for row in loud if row.released_by is Step.SILENCE]
        if alarm.lasts_ns is not None:
            visible = max((row.limits.visible_for_ns or 0 for row in rows), default=0)
            await self._waits.until(self._t.clock() + max(visible, hold_ns(site, rows)))
        done = await self._raiser.step(alarm, Step.SILENCE, stimulus)
        self._t.view.phase("silenced; waiting for what goes silent, and whether all else stays")
        await self._waits.each(
            rows, lambda row: live.is_off(row.point), {row.key: done.at.hi + gone_within_ns(site, row) for row in rows}
        )
        await self._persons.gone(rows, f"{alarm.name} is silenced")
        if alarm.lasts_ns is None:
            await self._back.hold(loud, Step.SILENCE, done.at.hi)

    async def _reset(self, item: Item, loud: Sequence[Expectation], stimulus: str) -> None:
        """Reset where a row is released by it, once it has held on over all other steps."""
        if self._back.needs(item, Step.RESET):
            await self._back.hold(loud, Step.ACKNOWLEDGE, self._t.clock())
            await self._raiser.step(item.alarm, Step.RESET, stimulus)

    async def _acknowledge(self, alarm: Alarm, loud: Sequence[Expectation], stimulus: str) -> StepDone:
        live, site = self._t.live, self._t.site
        done = await self._raiser.step(alarm, Step.ACKNOWLEDGE, stimulus)
        self._t.view.phase("acknowledged; waiting for what it releases")
        rows = [row for row in loud if row.behaviour is Behaviour.UNTIL_ACKNOWLEDGED]
        await self._waits.each(
            rows, lambda row: live.is_off(row.point), {row.key: done.at.hi + gone_within_ns(site, row) for row in rows}
        )
        await self._persons.gone(rows, f"{alarm.name} is acknowledged")
        return done
