"""A person performs the steps of stimuli, and presses a key for each: when it was done is known as well as keys tell.

A step lies between the moment its key may have been pressed late by and the key itself. Where the alarm has a reference
point, that one times it, and the key only confirms: then the step lies between asking and key.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Iterator
from typing import Final

from harness.core.durations import duration
from harness.core.instants import Bounds, Clock
from harness.core.model import KEY_BEFORE_NS, Alarm, Site, Step
from harness.run.guide import Guide, Pressed
from harness.run.live import LiveSource
from harness.run.order import Item
from harness.run.raising import UnsentError
from harness.stimulus.performed import Performed

_WORDS: Final = {
    Step.RAISE: "RAISE {alarm}{how}",
    Step.SILENCE: "SILENCE the horn",
    Step.ACKNOWLEDGE: "ACKNOWLEDGE it",
    Step.CLEAR: "CLEAR it: let it go back to normal",
    Step.RESET: "RESET it",
}


def too_fine_by_hand(site: Site, items: Iterable[Item]) -> Iterator[str]:
    """What a guided test will not certify, in words: limits that are finer than the key of a person tells."""
    finest_ns = site.key_within_ns + KEY_BEFORE_NS
    for item in items:
        if item.alarm.reference is not None:
            continue
        fine = [
            row.point
            for row in item.loud
            for limit in (row.limits.appears_within_ns, row.limits.gone_within_ns)
            if limit is not None and limit < finest_ns
        ]
        if fine:
            yield (
                f"{item.alarm.name}: no reference point times it, and its key tells no finer than "
                f"{duration(finest_ns)}: shorter limits are not certified at {', '.join(dict.fromkeys(fine))}"
            )


class ByHand:
    """A :class:`harness.run.raising.Hand` of flesh and blood, led by a guide."""

    by_itself = False

    def __init__(self, site: Site, guide: Guide, live: LiveSource, clock: Clock, who: str) -> None:
        self._site = site
        self._guide = guide
        self._live = live
        self._clock = clock
        self.how = f"by hand, {who}"

    def can_do(self, alarm: Alarm, step: Step) -> bool:
        """A person can do everything but clear what clears by itself."""
        return step is not Step.CLEAR or alarm.lasts_ns is None

    async def perform(self, alarm: Alarm, step: Step) -> Performed:
        """Propose it and wait for its key. UnsentError where a raise was given up before it was done."""
        self._guide.late_of(None)
        may_be_nothing = step is not Step.RAISE
        try:
            pressed = await self._guide.step(step, self._text(alarm, step), may_be_nothing=may_be_nothing)
        except asyncio.CancelledError as exc:
            if step is Step.RAISE and not self._shows(alarm):
                raise UnsentError from exc
            raise
        if not pressed.is_done:
            why = f"there was nothing to {step.value}"
            return Performed(at=pressed.key, proven=False, why=why, is_sent=False)
        late = self._latest(pressed)
        self._guide.late_of(step, late)
        at = late if alarm.reference is not None else self._soonest(pressed)
        return Performed(at=at, proven=True, finest_ns=self._site.key_within_ns + KEY_BEFORE_NS)

    async def acknowledge_left(self, alarm: Alarm) -> Performed | None:
        """A person acknowledges all at once."""
        del alarm
        return None

    def _latest(self, pressed: Pressed) -> Bounds:
        """A step whose key may have come late by any time: it was done at some time since it was asked for."""
        return Bounds(pressed.asked_ns, pressed.key.hi + KEY_BEFORE_NS)

    def _soonest(self, pressed: Pressed) -> Bounds:
        """A step whose key came as soon as the site file says that keys come."""
        latest = self._latest(pressed)
        return Bounds(max(latest.lo, min(latest.hi, pressed.key.lo - self._site.key_within_ns)), latest.hi)

    def _text(self, alarm: Alarm, step: Step) -> str:
        how = self._site.by_hand_of(alarm.name)
        named = f"{alarm.name} ({alarm.text})" if alarm.text and alarm.text != alarm.name else alarm.name
        return _WORDS[step].format(alarm=named, how=f": {how}" if how else "")

    def _shows(self, alarm: Alarm) -> bool:
        """Whether anything says that the alarm is up after all."""
        points = {row.point for row in self._site.expectations_of(alarm.name)}
        points |= set() if alarm.reference is None else {alarm.reference}
        states = self._live.states
        return any(point in states and states[point].on for point in points)
