"""What every test of an alarm ends with, whatever came in between: cleared, acknowledged, reset, settled."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Collection, Sequence
from dataclasses import replace
from typing import Final, Protocol, TypeVar

from harness.core.behaviours import output_table
from harness.core.instants import NS_PER_S, Clock
from harness.core.model import Alarm, Behaviour, Expectation, Step
from harness.results.steps import StepDone
from harness.run.order import Item, gap_ns, gone_within_ns, settle_ns
from harness.run.raising import Raiser
from harness.run.tools import Tools
from harness.run.waiting import Waits

AGAIN_NS: Final = 1 * NS_PER_S
"""What is not proven is tried again so often: a lost link may come back."""


class Attempt(Protocol):
    """What came of one try; ``why``: what is missing where it is not proven."""

    @property
    def proven(self) -> bool: ...

    @property
    def why(self) -> str: ...


A = TypeVar("A", bound=Attempt)


async def until_proven(
    attempt: Callable[[], Awaitable[A]], until_ns: int, clock: Clock, trying_again: Callable[[str], None]
) -> A:
    """Try until it is proven, or until ``until_ns``; once at least. ``trying_again`` is told each new reason why."""
    done, told = await attempt(), ""
    while not done.proven and clock() < until_ns:
        if done.why != told:
            told = done.why
            trying_again(told)
        await asyncio.sleep(AGAIN_NS / NS_PER_S)
        done = await attempt()
    return done


def beside(stimulus: str) -> str:
    """The id of what is raised together with a stimulus."""
    return f"{stimulus}b"


def _released_by(row: Expectation) -> Collection[Step]:
    return output_table(row.behaviour, row.released_by).releasing


class PuttingBack:
    """Steps that put an alarm back, and the waiting that belongs to them."""

    def __init__(self, tools: Tools, raiser: Raiser, waits: Waits) -> None:
        self._t = tools
        self._raiser = raiser
        self._waits = waits
        self._clear_until: dict[str, int] = {}  # by stimulus, until when its clear is tried again
        self.reaction_ns: dict[str, int] = {}
        """By row of the alarms under test, how long it took to show it."""

    def needs(self, item: Item, step: Step) -> bool:
        """True where a row of the alarm waits for ``step``, and it can be done."""
        return self._raiser.can_do(item.alarm, step) and item.waits_for(step)

    async def hold(self, loud: Sequence[Expectation], step: Step, since_ns: int) -> None:
        """Wait until what ``step`` must leave on has had the time to go off by it, reckoned from ``since_ns``.

        Each output gets as long as it took to come on, and no longer than it may take to go. Nothing less tells one
        that goes off with this step from one that goes off with the next. What is read behind another link shows what
        that one shows, only later, so it is not waited for.
        """
        site, took = self._t.site, self.reaction_ns
        held = [row for row in loud if row.behaviour is Behaviour.LATCHED or step not in _released_by(row)]
        kept = [row for row in held if row.behaviour is not Behaviour.PULSE and row.key in took]
        own = [row for row in kept if site.points[row.point].link not in site.behind]
        waits = [min(gone_within_ns(site, row), took[row.key] + gap_ns(site, row)) for row in own]
        await self._waits.until(since_ns + max(waits, default=0))

    async def acknowledge_brought(self, alarm: Alarm) -> None:
        """Alarms that this one brought along are acknowledged too, or they would stay latched into the next test."""
        for name in self._t.site.brought_along(alarm.name):
            lower = self._t.site.alarms[name]
            if Step.ACKNOWLEDGE in lower.writes and self._raiser.by_itself:
                await self._raiser.put_back(lower, Step.ACKNOWLEDGE)

    async def acknowledge_left(self, alarm: Alarm) -> None:
        """Events that still ask for it, of the alarm and of those that it brought along."""
        for name in (alarm.name, *self._t.site.brought_along(alarm.name)):
            await self._raiser.acknowledge_left(self._t.site.alarms[name])

    async def clear(self, alarm: Alarm, stimulus: str) -> StepDone:
        """Clear, again and again while it is not proven: the link may be lost, and come back."""
        clock, view = self._t.clock, self._t.view
        if self._clear_until.get(stimulus) is None:
            self._clear_until = {stimulus: clock() + self._t.clear_for_ns}
        until = self._clear_until[stimulus]
        told = []

        def trying_again(why: str) -> None:
            told.append(why)
            view.urgent(
                f"{alarm.name}: CLEARING IS NOT PROVEN: {why}; trying again until it is, for "
                f"{max(0, until - clock()) // NS_PER_S} s. Clear it at the controller if you can"
            )

        done = await until_proven(lambda: self._raiser.step(alarm, Step.CLEAR, stimulus), until, clock, trying_again)
        if told:
            view.urgent(
                f"{alarm.name}: {'cleared now' if done.proven else 'COULD NOT BE CLEARED: clear it at the controller'}"
            )
        return done

    async def put_back(self, item: Item, stimulus: str) -> None:
        """Clear, acknowledge and reset, whatever came in between: nothing may stay on, or latched.

        Outputs are slower than the answer to a write, so what is left is looked at only after they have settled.
        """
        self._t.view.phase("putting it back")
        if item.also is not None:
            await self.put_back(replace(item, alarm=item.also, also=None), beside(stimulus))
        if item.alarm.name in self._raiser.open:
            await self.clear(item.alarm, stimulus)
        await self.release(item, item.alarm, stimulus)
        await self.settle(item.loud)

    async def release(self, item: Item, alarm: Alarm, stimulus: str, *, is_acknowledged: bool = False) -> None:
        """After the clear: acknowledge the alarm and what came along, and reset where a row waits for that."""
        if self._raiser.can_do(alarm, Step.ACKNOWLEDGE) and not is_acknowledged:
            await self._raiser.step(alarm, Step.ACKNOWLEDGE, stimulus)
        await self.acknowledge_brought(alarm)
        await self.acknowledge_left(alarm)
        if self.needs(item, Step.RESET):
            await self._raiser.step(alarm, Step.RESET, stimulus)

    async def settle(self, loud: Sequence[Expectation]) -> None:
        """Stay until a second onset would have shown."""
        self._t.view.phase("settling")
        await self._waits.until(self._t.clock() + settle_ns(self._t.site, loud))
