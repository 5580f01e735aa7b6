"""What a test did about its alarms after it raised them: so that what ended by that is not said to end by itself."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from harness.core.instants import Bounds, elapsed
from harness.core.model import Site, Step
from harness.measure.alarm_rates import ActedOn
from harness.record.found import Event
from harness.results.steps import INTENT_EVENT, PUT_BACK_EVENT, STEP_EVENT, ordered_clears, stimuli_of

_SERIAL = (INTENT_EVENT, STEP_EVENT, PUT_BACK_EVENT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """One step that was done about an alarm, within ``at``; open above where nothing proves that it was taken.

    ``is_clear``: it was ordered to end. ``own_end``: when the alarm ended by itself, as far as its site file says how
    long it lasts; ``lasts_ns``: that time.
    """

    at: Bounds
    is_clear: bool = False
    own_end: Bounds | None = None
    lasts_ns: Bounds | None = None

    def on(self, onset: Bounds, end: Bounds, *, is_held: bool) -> ActedOn:
        """Whether it was done while an alarm was shown to be active. ``is_held``: until somebody releases it."""
        if not self.at.touches(Bounds(onset.lo, end.hi)) or (not is_held and self._is_after_its_end(onset, end)):
            return ActedOn.NO
        if self.at.lo < onset.hi or self.at.is_open_above:
            return ActedOn.MAYBE
        # What ends about when it is ordered to ends by that, unless it ends by itself as well.
        is_cause = is_held or (self.is_clear and self.own_end is None)
        return ActedOn.YES if is_cause or self.at.hi < end.lo else ActedOn.MAYBE

    def _is_after_its_end(self, onset: Bounds, end: Bounds) -> bool:
        """Whether it surely came when the alarm was over, and is only seen to touch because outputs show it late."""
        if self.own_end is None or self.lasts_ns is None or self.at.lo <= self.own_end.hi:
            return False
        # One that is shown for longer than the site file says is no witness of when the alarm ended.
        return elapsed(onset, end).lo <= self.lasts_ns.hi


def acts_of(events: Sequence[Event], site: Site) -> Mapping[str, Sequence[Act]]:
    """By alarm, every step after a raise: silence, acknowledge, reset, an ordered clear, and what was put back.

    What was done about an alarm was done about those that it brings along. That an alarm ended by itself, as its site
    file says, is nothing that anybody did.
    """
    found: dict[str, list[Act]] = {}
    clears = ordered_clears(events)
    for it in stimuli_of(events, site):
        lasts = site.alarms[it.alarm].lasts_ns
        own_end = None if lasts is None else Bounds(it.raised.lo + lasts.lo, it.raised.hi + lasts.hi)
        steps = [(step, False) for step in (it.silenced, it.acknowledged, it.reset) if step is not None]
        if it.id in clears:
            steps.append((clears[it.id], True))
        for at, is_clear in steps:
            own = Act(at=at, is_clear=is_clear, own_end=own_end, lasts_ns=lasts)
            found.setdefault(it.alarm, []).append(own)
            for brought in site.brought_along(it.alarm):
                found.setdefault(brought, []).append(Act(at=at, is_clear=is_clear))
    for alarm, act in _put_back(events):
        found.setdefault(alarm, []).append(act)
    return found


def _put_back(events: Iterable[Event]) -> Iterable[tuple[str, Act]]:
    """What was released that no stimulus of the run had raised. Its event says by when; it began after the one before.

    Steps are done one after the other.
    """
    before: int | None = None
    for event in events:
        if event.kind == PUT_BACK_EVENT:
            at = Bounds(event.at_ns if before is None else before, event.at_ns)
            is_clear = event.data.get("step") == Step.CLEAR.value and bool(event.data.get("proven", True))
            yield str(event.data.get("alarm", "")), Act(at=at, is_clear=is_clear)
        if event.kind in _SERIAL:
            before = event.at_ns
