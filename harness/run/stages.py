"""The stages of one alarm, each a step and the waiting that belongs to it: ready, raised, silenced, acknowledged,
cleared, reset, normal again. What a step must leave on is given the time to go off before the next one, or nobody could
tell the two.

They decide when to go on, never what a result is: results come from the record alone.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from typing import Final

from harness.core.instants import NS_PER_S
from harness.core.model import Alarm, Behaviour, Expectation, Step
from harness.results.steps import StepDone
from harness.run.order import READY_MAX_NS, Item, gap_ns, gone_within_ns, hold_ns, show_within_ns
from harness.run.persons import Persons
from harness.run.putting_back import PuttingBack
from harness.run.raising import Raiser
from harness.run.tools import Tools
from harness.run.waiting import Waits

QUIET_READY_MAX_NS: Final = 2 * NS_PER_S
"""How long a raise waits for points that must stay quiet to be off first."""


@dataclass(slots=True, kw_only=True)
class Course:
    """How far one raised alarm is. ``loud``: its rows that must react and are observed.

    ``done``: the steps behind the raise that were done, as they were done; what is not in it is still to come.
    """

    item: Item
    stimulus: str
    loud: Sequence[Expectation]
    raised: StepDone
    done: dict[Step, StepDone] = field(default_factory=dict)
    is_shown: bool = False
    """Whether its outputs were waited for."""

    @property
    def alarm(self) -> Alarm:
        """The alarm that was raised."""
        return self.item.alarm

    @property
    def following(self) -> list[Expectation]:
        """The rows that go when the alarm is cleared."""
        return [row for row in self.loud if row.behaviour in (Behaviour.FOLLOWS, Behaviour.PULSE)]


class Stages:
    """Goes through the stages of alarms. Each may be cancelled; whoever does puts back what is raised."""

    def __init__(self, tools: Tools, raiser: Raiser, waits: Waits, persons: Persons, back: PuttingBack) -> None:
        self._t = tools
        self._raiser = raiser
        self._waits = waits
        self._persons = persons
        self._back = back
        self._raised: set[tuple[str, ...]] = set()  # what was raised, and in which way

    async def ready(self, item: Item, held: Collection[str] = ()) -> list[Expectation]:
        """Wait until the alarm may be raised; returns the rows that must react and are observed.

        ``held``: points that something else which is raised keeps on, so that waiting for them would be in vain.
        """
        live, clock, view = self._t.live, self._t.clock, self._t.view
        view.phase("waiting until its outputs are normal")
        await self._persons.ready(item.rows, item.alarm.name)
        loud = [row for row in item.loud if self._waits.is_observed(row)]
        free = [row for row in loud if row.point not in held]
        await live.wait_until(lambda: all(live.is_off(row.point) for row in free), clock() + READY_MAX_NS)
        quiet = [row for row in item.quiet if self._waits.is_observed(row) and row.point not in held]
        await live.wait_until(lambda: all(live.is_off(row.point) for row in quiet), clock() + QUIET_READY_MAX_NS)
        await live.wait_for_news({row.point for row in loud}, clock(), clock() + READY_MAX_NS)
        until = self._waits.told_apart_from(loud)
        if until > clock():
            view.phase("waiting until what is told can be told apart from what was before")
            await self._waits.until(until)
        await self._waits.until(self._persons.looked_at(item.quiet))
        await self._random_phase(item)
        return loud

    async def _random_phase(self, item: Item) -> None:
        """Raise at a random phase of the polls: in step with them, every trial would meet the same sample instants."""
        wait_ns = self._t.spread.wait_ns(item, self._t.random, is_again=_way_of(item) in self._raised)
        if wait_ns:
            await self._waits.until(self._t.clock() + wait_ns)

    async def raised(self, item: Item, stimulus: str) -> StepDone:
        """Raise it, which is entered whether it is proven or not."""
        done = await self._raiser.step(item.alarm, Step.RAISE, stimulus)
        if done.is_sent:
            self._raised.add(_way_of(item))
        return done

    async def shown(self, at: Course) -> None:
        """From the raise until its outputs show, or can no longer."""
        at.is_shown = True
        hi, site = at.raised.at.hi, self._t.site
        shown_by = {row.key: hi + show_within_ns(site, row) for row in at.loud}
        self._t.view.phase("raised; waiting for its outputs")
        self._persons.held_since(hi)
        shown = await self._waits.shown(at.loud, at.raised.at.lo, shown_by)
        for row in at.loud:
            if row.key in shown:
                self._t.spread.took(row, shown[row.key] - at.raised.at.lo)
        of_others = {key: took for key, took in self._back.reaction_ns.items() if key not in shown_by}
        self._back.reaction_ns = of_others | {key: max(0, when - hi) for key, when in shown.items()}
        await self._persons.still(at.loud, at.raised.at.lo, at.alarm.name)

    async def stay(self, at: Course) -> None:
        """Let it show for as long as it must, and somebody walk to what is out of sight."""
        clock, site, hi = self._t.clock, self._t.site, at.raised.at.hi
        far = [hi + show_within_ns(site, row) for row in at.loud if self._waits.is_out_of_sight(row)]
        if far:
            self._t.view.phase("raised and held; somebody walks to what is out of sight")
            # Whoever goes only now sees what showed in time; what does not show then has been missed.
            await self._waits.until(max(far))
            await self._persons.walk(at.loud, at.alarm.name)
        visible = max((row.limits.visible_for_ns or 0 for row in at.loud), default=0)
        gap = max((gap_ns(site, row) for row in at.loud), default=0)
        stay_ns = max([hold_ns(site, at.loud), *(row.limits.leak_ns for row in at.item.quiet)])
        await self._waits.until(max(clock() + visible + gap if visible else clock(), hi + stay_ns))

    async def silence(self, at: Course) -> None:
        """Silence, and give what must stay on the time to go off by mistake."""
        live, site, alarm = self._t.live, self._t.site, at.alarm
        rows = [row for row in at.loud if row.released_by is Step.SILENCE]
        if alarm.lasts_ns is not None:
            visible = max((row.limits.visible_for_ns or 0 for row in rows), default=0)
            await self._waits.until(self._t.clock() + max(visible, hold_ns(site, rows)))
        done = await self._step(at, Step.SILENCE)
        self._t.view.phase("silenced; waiting for what goes silent, and whether all else stays")
        await self._waits.each(
            rows, lambda row: live.is_off(row.point), {row.key: done.at.hi + gone_within_ns(site, row) for row in rows}
        )
        await self._persons.gone(rows, f"{alarm.name} is silenced")
        if alarm.lasts_ns is None:
            await self._back.hold(at.loud, Step.SILENCE, done.at.hi)

    async def acknowledge(self, at: Course) -> StepDone:
        """Acknowledge, and wait for what that releases."""
        live, site = self._t.live, self._t.site
        done = await self._step(at, Step.ACKNOWLEDGE)
        self._t.view.phase("acknowledged; waiting for what it releases")
        rows = [row for row in at.loud if row.behaviour is Behaviour.UNTIL_ACKNOWLEDGED]
        await self._waits.each(
            rows, lambda row: live.is_off(row.point), {row.key: done.at.hi + gone_within_ns(site, row) for row in rows}
        )
        await self._persons.gone(rows, f"{at.alarm.name} is acknowledged")
        return done

    async def clear(self, at: Course) -> StepDone:
        """Clear, again and again while that is not proven."""
        done = at.done[Step.CLEAR] = await self._back.clear(at.alarm, at.stimulus)
        self._persons.cleared(at.alarm.name)
        return done

    async def gone(self, at: Course, released_ns: int) -> None:
        """Wait until what follows the alarm is off; ``released_ns``: when it was cleared, or clears by itself."""
        live, clock, site, alarm = self._t.live, self._t.clock, self._t.site, at.alarm
        self._t.view.phase("cleared; waiting until its outputs are normal")
        # An alarm that clears by itself is not taken for gone before it can be.
        own_end = at.raised.at.hi + (0 if alarm.lasts_ns is None else alarm.lasts_ns.lo)
        await self._waits.each(
            at.following,
            lambda row: live.is_off(row.point) and clock() >= own_end,
            {row.key: released_ns + gone_within_ns(site, row) for row in at.following},
        )
        for row in at.following:
            self._t.spread.took(row, clock() - released_ns - row.limits.dwell_ns)
        await self._persons.gone(at.following, f"{alarm.name} is cleared")
        if alarm.lasts_ns is not None:
            await self._waits.until(clock() if at.following else released_ns)
            if not self._raiser.can_do(alarm, Step.CLEAR) or all(live.is_off(row.point) for row in at.following):
                self._raiser.forget(alarm)

    async def reset(self, at: Course) -> None:
        """Reset, once what it releases has held on over all other steps."""
        await self._back.hold(at.loud, Step.ACKNOWLEDGE, self._t.clock())
        await self._step(at, Step.RESET)

    async def normal(self, at: Course) -> None:
        """Wait until what was acknowledged, silenced or reset is off too."""
        live, site, now = self._t.live, self._t.site, self._t.clock()
        held = [row for row in at.loud if row not in at.following]
        await self._waits.each(
            held, lambda row: live.is_off(row.point), {row.key: now + gone_within_ns(site, row) for row in held}
        )
        far = [row.limits.dwell_ns + row.limits.settle_ns for row in at.loud if self._waits.is_out_of_sight(row)]
        await self._waits.until(now + max(far, default=0))  # nobody is sent to look at what had no time to go
        await self._persons.dark_again(at.loud, at.alarm.name)

    async def _step(self, at: Course, step: Step) -> StepDone:
        at.done[step] = done = await self._raiser.step(at.alarm, step, at.stimulus)
        return done


def _way_of(item: Item) -> tuple[str, ...]:
    """What is measured together: one alarm, acknowledged before or after its clear, alone or beside another one."""
    return (item.alarm.name, item.acknowledge_after.value, "" if item.also is None else item.also.name)
