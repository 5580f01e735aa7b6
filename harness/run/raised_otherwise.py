"""Alarms raised otherwise than one at a time until their outputs show: held for a stated time, or two together."""

from __future__ import annotations

from collections.abc import Sequence

from harness.core.durations import duration
from harness.core.model import Alarm, Expectation, Step
from harness.results.steps import StepDone
from harness.run.order import Item, gap_ns, gone_within_ns, hold_ns, show_within_ns
from harness.run.putting_back import PuttingBack, beside
from harness.run.raising import Raiser
from harness.run.tools import Tools
from harness.run.waiting import Waits


class Variants:
    """What comes after such a raise."""

    def __init__(self, tools: Tools, raiser: Raiser, waits: Waits, back: PuttingBack) -> None:
        self._t = tools
        self._raiser = raiser
        self._waits = waits
        self._back = back

    async def hold_for(
        self, item: Item, loud: Sequence[Expectation], raised: StepDone, stimulus: str, held_ns: int
    ) -> None:
        """Clear after a stated time, whatever showed, and wait for as long as it can still show."""
        live, site = self._t.live, self._t.site
        await self._waits.until(raised.at.hi + held_ns)
        cleared = await self._back.clear(item.alarm, stimulus)
        self._t.view.phase(f"held for {duration(held_ns)}; waiting for what still shows")
        last = max((row.limits.search_ns + gap_ns(site, row) for row in loud), default=0)
        await self._watched(loud, raised, cleared, raised.at.hi + last)
        await self._back.release(item, item.alarm, stimulus)
        until = {row.key: max(cleared.at.hi, self._t.clock()) + gone_within_ns(site, row) for row in loud}
        await self._waits.each(loud, lambda row: live.is_off(row.point), until)

    async def _watched(self, loud: Sequence[Expectation], raised: StepDone, cleared: StepDone, until_ns: int) -> None:
        """Wait, and note how long each output takes to come on after the clear, or to go off."""
        live, clock, spread = self._t.live, self._t.clock, self._t.spread
        on = {row.key for row in loud if live.was_on_since(row.point, raised.at.lo)}
        gone: set[str] = set()

        def noted() -> bool:
            for row in loud:
                if row.key not in on and live.was_on_since(row.point, raised.at.lo):
                    on.add(row.key)
                    spread.took(row, clock() - raised.at.lo)
                if row.key in on and row.key not in gone and live.is_off(row.point):
                    gone.add(row.key)
                    spread.took(row, clock() - cleared.at.hi - row.limits.dwell_ns)
            return False

        await live.wait_until(noted, until_ns)

    async def with_another(self, item: Item, also: Alarm, loud: Sequence[Expectation], stimulus: str) -> None:
        """Raise a second alarm beside the first, clear the first, and only then the second.

        What both hold has to come on with the first, to stay over its clear, and to go with the second.
        """
        live, site, clock = self._t.live, self._t.site, self._t.clock
        alarm, second = item.alarm, beside(stimulus)
        raised = await self._raiser.step(also, Step.RAISE, second)
        self._t.view.phase(f"raised together with {also.name}; waiting for their outputs")
        since, shown_by = raised.at.lo, {row.key: raised.at.hi + show_within_ns(site, row) for row in loud}
        await self._waits.each(
            loud, lambda row: row.alarm == alarm.name or live.was_on_since(row.point, since), shown_by
        )
        visible = max((row.limits.visible_for_ns or 0 for row in loud), default=0)
        await self._waits.until(clock() + max(visible, hold_ns(site, loud), *(gap_ns(site, row) for row in loud)))
        both = ((alarm, stimulus), (also, second))
        is_acknowledged = item.acknowledge_after is Step.RAISE and self._back.needs(item, Step.ACKNOWLEDGE)
        for one, number in both if is_acknowledged else ():
            await self._raiser.step(one, Step.ACKNOWLEDGE, number)
        await self._back.clear(alarm, stimulus)
        self._t.view.phase(f"{alarm.name} is cleared; what {also.name} holds must stay")
        stay = [gone_within_ns(site, row) for row in loud if not self._waits.is_out_of_sight(row)]
        await self._waits.until(clock() + max(stay, default=0))
        cleared = await self._back.clear(also, second)
        if item.acknowledge_after is Step.CLEAR:
            await self._back.hold(loud, Step.CLEAR, clock())
        for one, number in both:
            await self._back.release(item, one, number, is_acknowledged=is_acknowledged)
        until = {row.key: max(cleared.at.hi, clock()) + gone_within_ns(site, row) for row in loud}
        await self._waits.each(loud, lambda row: live.is_off(row.point), until)
