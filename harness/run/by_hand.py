"""A person performs the steps of stimuli, and presses a key for each: when it was done is known as well as keys tell.

A step lies between the moment its key may have been pressed late by and the key itself. What a reference point times,
the raise and the clear of its alarm, may have been done at any time since nothing was raised: its key only confirms.
Where an output changed before the step can have been done, the key came late, and then that step too may have been done
at any time.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from typing import Final

from harness.core.behaviours import output_table
from harness.core.durations import duration
from harness.core.instants import Bounds
from harness.core.model import KEY_BEFORE_NS, Alarm, Behaviour, Expectation, Point, Site, Step
from harness.correlate.by_hand import limits_by_key
from harness.run.guide import Guide, Pressed
from harness.run.live import LiveSource, PointState
from harness.run.order import Item
from harness.run.raising import UnsentError
from harness.stimulus.performed import Performed

_WORDS: Final = {
    Step.RAISE: "RAISE {alarm}{how}",
    Step.SILENCE: "SILENCE the horn of {name}",
    Step.ACKNOWLEDGE: "ACKNOWLEDGE {name}{along}",
    Step.CLEAR: "CLEAR {name}: let it go back to normal",
    Step.RESET: "RESET {name}",
}

TIMED_BY_REFERENCE: Final = (Step.RAISE, Step.CLEAR)
"""The steps that a reference point sees."""


def too_fine_by_hand(site: Site, items: Iterable[Item]) -> str:
    """What a guided test will not certify, in words: limits finer than the key of a person tells. '' for none."""
    finest_ns = site.key_within_ns + KEY_BEFORE_NS
    fine = [
        row for item in items for row in item.loud if any(limit < finest_ns for limit in _by_key(item, row).values())
    ]
    if not fine:
        return ""
    rows = f"{fine[0].alarm} at {fine[0].point}"
    if len(fine) > 1:
        rows = f"{len(fine)} rows, such as {rows},"
    finest = duration(finest_ns)
    return f"{rows} can fail and not pass: limits are set there that are finer than the {finest} that a key tells"


def _by_key(item: Item, row: Expectation) -> dict[str, int]:
    is_first = (
        item.acknowledge_after is Step.RAISE and item.alarm.lasts_ns is None and row.released_by is not Step.RESET
    )
    return limits_by_key(row, is_timed=item.alarm.reference is not None, is_freed_before_clear=is_first)


class ByHand:
    """A :class:`harness.run.raising.Hand` of flesh and blood, led by a guide."""

    how = "by hand"
    by_itself = False

    def __init__(self, site: Site, guide: Guide, live: LiveSource) -> None:
        self._site = site
        self._guide = guide
        self._live = live
        self._changes: dict[str, tuple[bool, int]] = {}  # by point, its newest state and when that was told
        live.subscribe(self._changed)

    def can_do(self, alarm: Alarm, step: Step) -> bool:
        """A person can do everything but clear what clears by itself."""
        return step is not Step.CLEAR or alarm.lasts_ns is None

    async def perform(self, alarm: Alarm, step: Step) -> Performed:
        """Propose it and wait for its key. UnsentError where a raise was given up before anything showed of it."""
        self._guide.late_of(None)
        on_before = frozenset(name for name, state in self._live.states.items() if state.on)
        may_be_nothing = step is not Step.RAISE
        try:
            pressed = await self._guide.step(step, self._text(alarm, step), may_be_nothing=may_be_nothing)
        except asyncio.CancelledError as exc:
            if step is Step.RAISE and not self._shows(on_before):
                raise UnsentError from exc
            raise
        if not pressed.is_done:
            why = "nobody raised it" if step is Step.RAISE else f"there was nothing to {step.value}"
            return Performed(at=pressed.key, proven=False, why=why, is_sent=False)
        at, why = self._soonest(pressed), ""
        late = self._latest(pressed, at)
        if alarm.reference is not None and step in TIMED_BY_REFERENCE:
            at = late
        else:
            self._guide.late_of(step, late)
            before = self._changed_between(alarm, step, pressed.since_ns, at.lo)
            if before:
                at, why = late, f"its key came late: {before} had changed before"
        return Performed(at=at, proven=True, why=why, finest_ns=self._site.key_within_ns + KEY_BEFORE_NS)

    async def acknowledge_left(self, alarm: Alarm) -> Performed | None:
        """A person acknowledges all at once."""
        del alarm
        return None

    def _soonest(self, pressed: Pressed) -> Bounds:
        """A step whose key came as soon as the site file says that keys come.

        Not cut at the asking: it may have been done just before it was asked for.
        """
        return Bounds(max(pressed.since_ns, pressed.key.lo - self._site.key_within_ns), pressed.key.hi + KEY_BEFORE_NS)

    def _latest(self, pressed: Pressed, soonest: Bounds) -> Bounds:
        """A step whose key may have come late by any time."""
        return Bounds(pressed.since_ns, soonest.hi)

    def _changed(self, point: Point, state: PointState) -> None:
        self._changes[point.name] = (state.on, state.told_ns)

    def _changed_between(self, alarm: Alarm, step: Step, since_ns: int, lo: int) -> str:
        """A point that did what the step makes it do, and before ``lo``: '' where there is none."""
        for row in self._site.expectations_of(alarm.name):
            on, told_ns = self._changes.get(row.point, (None, 0))
            if on is (step is Step.RAISE) and _is_moved_by(row, step) and since_ns < told_ns < lo:
                return row.point
        return ""

    def _text(self, alarm: Alarm, step: Step) -> str:
        how = self._site.by_hand_of(alarm.name)
        named = f"{alarm.name} ({alarm.text})" if alarm.text and alarm.text != alarm.name else alarm.name
        brought = self._site.brought_along(alarm.name)
        along = f", and {', '.join(brought)} that came with it" if brought else ""
        if step is Step.CLEAR and Step.RAISE not in self._guide.pending().done:
            return f"CLEAR what you have raised, {alarm.name} or another one; if it is nothing, it is cleared"
        return _WORDS[step].format(alarm=named, name=alarm.name, how=f": {how}" if how else "", along=along)

    def _shows(self, on_before: frozenset[str]) -> bool:
        """Whether anything came on at all since a raise was asked for: then something may have been raised."""
        states = self._live.states
        since = self._guide.pending().since_ns
        return any(self._live.was_on_since(name, since) for name in states if name not in on_before)


def _is_moved_by(row: Expectation, step: Step) -> bool:
    if row.behaviour is Behaviour.QUIET:
        return False
    return step is Step.RAISE or step in output_table(row.behaviour, row.released_by).releasing
