"""Clears what an earlier run left raised, before anything new is raised, and enters what came of it."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.core.errors import SafetyError
from harness.core.model import Alarm, Behaviour, Site, Step
from harness.record.header import Json
from harness.results.left_open import LeftOpen, look_for_left_open
from harness.results.open_stimuli import CLEARED_LEFT_OPEN_EVENT
from harness.run.order import Item, gap_ns, gone_within_ns
from harness.run.putting_back import until_proven
from harness.run.raising import Raiser
from harness.run.tools import Tools
from harness.stimulus.performed import Performed


@dataclass(frozen=True, slots=True, kw_only=True)
class ToClear:
    """``confirmed_by``: who made sure that it has been cleared by hand; '' where farend is to clear it."""

    left: LeftOpen
    confirmed_by: str = ""


def can_be_cleared(site: Site, left: LeftOpen) -> bool:
    """True where the site file says how an alarm that was left raised is cleared by writing."""
    alarm = site.alarms.get(left.alarm)
    return alarm is not None and Step.CLEAR in alarm.writes


def check_to_clear(site: Site, wanted: Sequence[ToClear], *, is_armed: bool) -> None:
    """Raise SafetyError for what nobody confirmed and farend cannot clear either, before anything is opened."""
    for it in wanted:
        if not it.confirmed_by and not (is_armed and can_be_cleared(site, it.left)):
            raise SafetyError(
                f"{it.left.alarm}: left raised by {it.left.record}, and farend cannot clear it in this run; "
                "clear it at the controller, and confirm that by name"
            )


def decided(site: Site, folder: Path, option: str, *, clear: bool, is_armed: bool) -> tuple[ToClear, ...]:
    """What the records in ``folder`` left raised and is to be cleared first, where nobody can be asked.

    ``clear``: that was asked for, by ``option``. SafetyError where it was not, and for what farend cannot clear. A run
    that nothing arms is refused all the same.
    """
    left = look_for_left_open(folder, site.name, time.time_ns()).left
    if not left or not is_armed:
        return ()
    names = ", ".join(dict.fromkeys(it.alarm for it in left))
    if not clear:
        raise SafetyError(
            f"{names}: may still be raised, by {', '.join(dict.fromkeys(it.record for it in left))}; give {option} to "
            "have it cleared first, or clear it at the controller and move that record elsewhere"
        )
    wanted = tuple(ToClear(left=it) for it in left)
    check_to_clear(site, wanted, is_armed=True)
    return wanted


class ClearingLeft:
    """Clears through the hand of a run. :meth:`clear` before the baseline is taken, so that it is none of it."""

    def __init__(self, tools: Tools, raiser: Raiser) -> None:
        self._t = tools
        self._raiser = raiser

    async def clear(self, wanted: Sequence[ToClear]) -> tuple[str, ...]:
        """Returns the alarms that could not be cleared. What was confirmed by a person is entered as that."""
        failed: list[str] = []
        for name in dict.fromkeys(it.left.alarm for it in wanted):
            mine = [it for it in wanted if it.left.alarm == name]
            by_hand = [it for it in mine if it.confirmed_by]
            done = None
            if len(by_hand) < len(mine):
                done = await self._clear(self._t.site.alarms[name])
                if not done.proven:
                    failed.append(name)
            for it in mine:
                self._enter(it, done if not it.confirmed_by else None)
        return tuple(failed)

    async def _clear(self, alarm: Alarm) -> Performed:
        """The clear, again and again until it is proven; then whatever may be latched is released."""
        clock, view, hand = self._t.clock, self._t.view, self._t.hand
        view.phase(f"clearing {alarm.name}, which an earlier run left raised")

        def trying_again(why: str) -> None:
            view.urgent(f"{alarm.name}: CLEARING IS NOT PROVEN: {why}; trying again. Clear it at the controller")

        until = clock() + self._t.clear_for_ns
        done = await until_proven(lambda: hand.perform(alarm, Step.CLEAR), until, clock, trying_again)
        if done.proven:
            await self._release(alarm)
            view.trouble(f"{alarm.name}: left raised by an earlier run; it is cleared now ({done.proof or hand.how})")
        else:
            view.urgent(f"{alarm.name}: COULD NOT BE CLEARED: {done.why}; clear it at the controller")
        return done

    async def _release(self, alarm: Alarm) -> None:
        """Acknowledge it and what came along, reset where a row waits for that, and wait until its outputs are off."""
        site, live, raiser, clock = self._t.site, self._t.live, self._raiser, self._t.clock
        names = (alarm.name, *site.brought_along(alarm.name))
        rows = tuple(row for name in names for row in site.expectations_of(name))
        for name in names:
            one = site.alarms[name]
            if raiser.can_do(one, Step.ACKNOWLEDGE):
                await raiser.put_back(one, Step.ACKNOWLEDGE)
            await raiser.acknowledge_left(one)
        if raiser.can_do(alarm, Step.RESET) and Item(alarm=alarm, rows=rows).waits_for(Step.RESET):
            await raiser.put_back(alarm, Step.RESET)
        heard = [row for row in rows if row.behaviour is not Behaviour.QUIET and live.up[site.points[row.point].link]]
        longest = max((gone_within_ns(site, row) + gap_ns(site, row) for row in heard), default=0)
        since = clock()
        await live.wait_for_news({row.point for row in heard}, since, since + longest)
        await live.wait_until(lambda: all(live.is_off(row.point) for row in heard), since + longest)

    def _enter(self, it: ToClear, done: Performed | None) -> None:
        by = it.confirmed_by or self._t.hand.how
        how: dict[str, Json] = {"by": by, "proven": True, "why": "confirmed by hand"}
        if done is not None:
            how = {"by": by, "proven": done.proven, "why": done.why, "lo": done.at.lo, "hi": done.at.hi}
        self._t.journal.event(CLEARED_LEFT_OPEN_EVENT, self._t.clock(), {**it.left.to_data(), **how})
