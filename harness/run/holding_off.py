"""The time between arming and a raise: what is about to happen is said, and can still be stopped."""

from __future__ import annotations

from harness.core.durations import duration
from harness.core.instants import NS_PER_S
from harness.run.order import Item
from harness.run.tools import Tools
from harness.run.waiting import Waits


class HoldOff:
    """Holds off the raises of a hand that needs no person; where a person raises, it is the person who waits."""

    def __init__(self, tools: Tools, waits: Waits) -> None:
        self._t = tools
        self._waits = waits
        self._is_first = True

    async def before(self, item: Item) -> None:
        """Wait before the first raise of a run, and before each alarm that says a hold-off of its own."""
        is_first, self._is_first = self._is_first, False
        hold_off_ns = self._t.site.hold_off_of(item.alarm.name)
        if not self._t.hand.by_itself or not hold_off_ns or not (is_first or item.alarm.hold_off_ns is not None):
            return
        what = f"{'armed: ' if is_first else ''}{item.alarm.name} is raised in"
        self._t.view.trouble(f"{what} {duration(hold_off_ns)}; Ctrl-C stops")
        until = self._t.clock() + hold_off_ns
        while (left_ns := until - self._t.clock()) > 0:
            seconds = -(-left_ns // NS_PER_S)
            self._t.view.phase(f"{what} {seconds} s; Ctrl-C stops")
            await self._waits.until(until - (seconds - 1) * NS_PER_S)
