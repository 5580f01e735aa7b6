"""What every output of the alarm under test does, a line each: appeared after so long, still on, gone after so long.

By the newest samples, and so only about: what counts is judged from the record.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from harness.core.instants import NS_PER_S, Clock
from harness.core.model import Behaviour, Expectation, Point, Step
from harness.report.safe import safe_text
from harness.results.steps import STEP_EVENT, StepDone

if TYPE_CHECKING:
    from harness.run.live import LiveSource, PointState
    from harness.run.order import Item

ON, OFF, UNKNOWN = "\u25cf on ", "\u25cb off", "\u00b7 -- "
_RELEASED_BY: Final = {
    Behaviour.FOLLOWS: (Step.CLEAR,),
    Behaviour.UNTIL_ACKNOWLEDGED: (Step.ACKNOWLEDGE, Step.SILENCE),
    Behaviour.LATCHED: (Step.RESET, Step.ACKNOWLEDGE, Step.CLEAR),
}


@dataclass(slots=True)
class _Seen:
    """When a point was told to come on, and to go off again, since its alarm was raised."""

    on_ns: int | None = None
    off_ns: int | None = None


class Outputs:
    """The outputs of one alarm at a time."""

    def __init__(self, source: LiveSource, clock: Clock) -> None:
        self._source = source
        self._clock = clock
        self._item: Item | None = None
        self._seen: dict[str, _Seen] = {}
        self._first_event = 0  # what came before is of another alarm, or of an earlier attempt
        source.subscribe(self._changed)

    def begin(self, item: Item) -> None:
        """From now on those of ``item``."""
        self._item = item
        self._seen = {}
        self._first_event = len(self._source.events)

    def _changed(self, point: Point, state: PointState) -> None:
        seen = self._seen.setdefault(point.name, _Seen())
        if state.on:
            seen.on_ns = state.told_ns if seen.on_ns is None else seen.on_ns
            seen.off_ns = None
        elif seen.on_ns is not None:
            seen.off_ns = state.told_ns

    def lines(self, room: int) -> Iterator[str]:
        """At most ``room`` lines, what is still awaited or wrong first."""
        if self._item is None or room <= 0:
            return
        steps = self._steps()
        rows = [*self._item.loud, *(row for row in self._item.quiet if self._is_on(row.point))]
        ranked = sorted(rows, key=lambda row: self._rank(row, steps))
        shown = ranked if len(ranked) <= room else ranked[: room - 1]
        width = max((len(safe_text(row.point)) for row in shown), default=0)
        for row in shown:
            mark = UNKNOWN if row.point not in self._source.states else ON if self._is_on(row.point) else OFF
            yield f"{mark}  {safe_text(row.point):<{width}}  {self._words(row, steps)}"
        if len(shown) < len(ranked):
            yield f"       and {len(ranked) - len(shown)} more"

    def _steps(self) -> Mapping[Step, StepDone]:
        """The steps of the newest stimulus of the alarm."""
        found: dict[Step, StepDone] = {}
        for event in reversed(self._source.events[self._first_event :]):
            if event.kind != STEP_EVENT:
                continue
            done = StepDone.from_data(event.data)
            if self._item is None or done.alarm != self._item.alarm.name:
                break
            found.setdefault(done.step, done)
            if done.step is Step.RAISE:
                break
        return found

    def _is_on(self, point: str) -> bool:
        state = self._source.states.get(point)
        return state is not None and state.on

    def _rank(self, row: Expectation, steps: Mapping[Step, StepDone]) -> int:
        if row.behaviour is Behaviour.QUIET:
            return 0
        seen = self._seen.get(row.point, _Seen())
        if Step.RAISE in steps and seen.on_ns is None:
            return 1
        return 2 if self._is_on(row.point) else 3

    def _words(self, row: Expectation, steps: Mapping[Step, StepDone]) -> str:
        if row.behaviour is Behaviour.QUIET:
            return "REACTS, and must stay quiet"
        raised = steps.get(Step.RAISE)
        seen = self._seen.get(row.point, _Seen())
        if raised is None or not raised.is_sent:
            return "on before anything was raised" if self._is_on(row.point) else row.behaviour.value
        if seen.on_ns is None:
            waited = _seconds(self._clock() - raised.at.hi)
            limit = row.limits.appears_within_ns
            return f"not yet, after {waited}" + (f" of {_seconds(limit)}" if limit is not None else "")
        words = f"appeared after {_seconds(max(0, seen.on_ns - raised.at.hi))}"
        if seen.off_ns is None:
            return f"{words}, still on"
        released = [steps[it].at for it in _RELEASED_BY.get(row.behaviour, ()) if it in steps]
        before = [at.hi for at in released if at.lo <= seen.off_ns]  # its key may have come a little later
        if before:
            return f"{words}, gone after {_seconds(max(0, seen.off_ns - max(before)))}"
        return f"{words}, gone {_seconds(seen.off_ns - seen.on_ns)} later"


def _seconds(ns: int) -> str:
    return f"{ns / NS_PER_S:.1f} s" if ns < 100 * NS_PER_S else f"{ns // NS_PER_S} s"
