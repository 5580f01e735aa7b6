"""Steps of stimuli in the journal, and stimuli back from them.

Every step is one event, written when it is known: raised at an instant within bounds, by whom, answered or not. A
stimulus is the steps that carry its id.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from harness.core.instants import FOREVER, Bounds
from harness.core.model import Site, Step, Stimulus
from harness.record.found import Event
from harness.record.header import Json

STEP_EVENT: Final = "step"
INTENT_EVENT: Final = "intent"
"""Written, and on the disk, before a raise: from here on the alarm may be raised, whatever comes in between."""

UNSENT_EVENT: Final = "not-raised"
"""After an intent: nothing was done, so that the alarm is not raised."""

TOGETHER_EVENT: Final = "together"
"""Stimuli that are raised together; written before the first of them."""

SWEEP_EVENT: Final = "sweep"
"""A stimulus that is held for a stated time, to see where it still shows; written before it."""

RETEST_EVENT: Final = "retest"
"""It was decided to raise an alarm once more, and why."""

INTERRUPTED_EVENT: Final = "interrupted"
"""The test of an alarm ended before it was seen through, and why."""

PUT_BACK_EVENT: Final = "put-back"
"""A step that is none of a stimulus: what another alarm brought, or what an earlier run left, is released."""

STANDING_EVENT: Final = "standing"
"""Points that were on before anything was raised, and why that was known."""

AS_FOUND_EVENT: Final = "as-found"
AS_LEFT_EVENT: Final = "as-left"

LATE_EVENT: Final = "late"
"""The key of a step came late, as the person said afterwards: it was done within wider bounds."""

UNEXPLAINED_EVENT: Final = "unexplained"
"""Points that came on and that nothing raised explains; ``gone``: whether they went in time."""

STILL_SHOWN_EVENT: Final = "still-shown"
"""An alarm that is still shown after its clear: ``alarm`` and ``points``."""

STOPPED_EVENT: Final = "stopped"
"""A stimulus that was put back before it had been seen through: by the user, or by an error."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepDone:
    """One step of one stimulus as it was done. ``at``: true instant of the step, within closed bounds.

    ``proven`` is False where nothing says that the controller took it. ``how``: by whom or what, in words.
    """

    stimulus: str
    alarm: str
    step: Step
    at: Bounds
    proven: bool
    how: str
    note: str = ""
    is_sent: bool = True
    """False where surely nothing was done: nothing was sent, or the device refused."""
    finest_ns: int = 0
    """Timed by a person's key: nothing finer than this is certified by it."""

    @property
    def why(self) -> str:
        """What is missing where it is not proven."""
        return self.note

    def widened(self, late: Mapping[str, Any]) -> StepDone:
        """As it is once its key came late; ``late``: the data of that event."""
        return replace(self, at=Bounds(min(self.at.lo, late["lo"]), max(self.at.hi, late["hi"])))

    def to_data(self) -> Mapping[str, Json]:
        """As the journal keeps it."""
        return {
            "stimulus": self.stimulus,
            "alarm": self.alarm,
            "step": self.step.value,
            "lo": self.at.lo,
            "hi": self.at.hi,
            "proven": self.proven,
            "how": self.how,
            "note": self.note,
            "sent": self.is_sent,
            "finest": self.finest_ns,
        }

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> StepDone:
        """The opposite of ``to_data``."""
        return cls(
            stimulus=data["stimulus"],
            alarm=data["alarm"],
            step=Step(data["step"]),
            at=Bounds(data["lo"], data["hi"]),
            proven=data["proven"],
            how=data["how"],
            note=data["note"],
            is_sent=data.get("sent", True),
            finest_ns=data.get("finest", 0),
        )


def ordered_clears(events: Iterable[Event]) -> Mapping[str, Bounds]:
    """By stimulus, when its alarm was ordered to clear, whether or not it had ended by itself; open above where nothing
    proves that the order was taken."""
    found = {}
    for name, done in _steps_of(events).items():
        at = _at(done, Step.CLEAR) if Step.RAISE in done else None
        if at is not None:
            found[name] = at
    return found


def stimuli_of(events: Iterable[Event], site: Site) -> tuple[Stimulus, ...]:
    """Every stimulus that was raised, in the order of raising. One of an alarm that ``site`` lacks is left out."""
    events = list(events)
    stopped: set[Json] = set()
    together: dict[str, str] = {}
    held: dict[str, int] = {}
    for event in events:
        if event.kind == STOPPED_EVENT:
            stopped.add(event.data["stimulus"])
        elif event.kind == TOGETHER_EVENT:
            names: list[str] = list(event.data["stimuli"])  # type: ignore[arg-type]  # as our own run wrote it
            together |= dict.fromkeys(names, names[0])
        elif event.kind == SWEEP_EVENT:
            held[str(event.data["stimulus"])] = int(event.data["held_ns"])  # type: ignore[arg-type]  # as our own run wrote it
    found = [
        replace(
            _stimulus(done, site, stopped=name in stopped),
            together=together.get(name, ""),
            held_for_ns=held.get(name),
        )
        for name, done in _steps_of(events).items()
        if Step.RAISE in done and done[Step.RAISE].alarm in site.alarms
    ]
    return tuple(sorted(found, key=lambda it: (it.raised.lo, it.id)))


def _steps_of(events: Iterable[Event]) -> dict[str, dict[Step, StepDone]]:
    """By stimulus, what is known of each of its steps."""
    steps: dict[str, dict[Step, StepDone]] = {}
    for event in events:
        if event.kind == LATE_EVENT:
            _widen(steps.get(str(event.data["stimulus"]), {}), event.data)
        elif event.kind == STEP_EVENT:
            done = StepDone.from_data(event.data)
            mine = steps.setdefault(done.stimulus, {})
            before = mine.get(done.step)
            mine[done.step] = done if before is None or _is_void(before, mine) else _tried_again(before, done)
    return steps


def _widen(mine: dict[Step, StepDone], late: Mapping[str, Any]) -> None:
    done = mine.get(Step(late["step"]))
    if done is not None:
        mine[done.step] = done.widened(late)


def _tried_again(first: StepDone, second: StepDone) -> StepDone:
    """Two tries as one step. A proven one stands; the one before it without proof may have been taken all the same.

    One that surely did nothing leaves the other as it is.
    """
    if first.proven or (first.is_sent and not second.is_sent):
        return first
    if not first.is_sent:
        return second
    return replace(second, at=Bounds(first.at.lo, max(first.at.hi, second.at.hi)))


def _is_void(first: StepDone, steps: Mapping[Step, StepDone]) -> bool:
    """A reset before the clear takes nothing, so that the one that comes behind it is the one that counts."""
    cleared = steps.get(Step.CLEAR)
    return first.step is Step.RESET and cleared is not None and first.at.hi < cleared.at.lo


def _stimulus(steps: Mapping[Step, StepDone], site: Site, *, stopped: bool) -> Stimulus:
    raised = steps[Step.RAISE]
    return Stimulus(
        id=raised.stimulus,
        alarm=raised.alarm,
        raised=raised.at,
        silenced=_at(steps, Step.SILENCE),
        acknowledged=_at(steps, Step.ACKNOWLEDGE),
        reset=_at(steps, Step.RESET),
        cleared=_cleared(steps, site),
        proven=raised.proven,
        how=raised.how,
        stopped=stopped,
        finest_ns=max(it.finest_ns for it in steps.values()),
    )


def _at(steps: Mapping[Step, StepDone], step: Step) -> Bounds | None:
    """When a step was done; None for one that surely was not.

    One without proof may or may not have been taken: it is open above.
    """
    done = steps.get(step)
    if done is None or not done.is_sent or done.at.hi < steps[Step.RAISE].at.lo:
        return None  # what surely came before the raise was no step of it
    return done.at if done.proven else Bounds(done.at.lo, FOREVER)


def _cleared(steps: Mapping[Step, StepDone], site: Site) -> Bounds | None:
    """When the alarm cleared: by order, or by itself after the time that its site file states."""
    ordered = _at(steps, Step.CLEAR)
    lasts = site.alarms[steps[Step.RAISE].alarm].lasts_ns
    if lasts is None:
        return ordered
    raised = steps[Step.RAISE].at
    own = Bounds(raised.lo + lasts.lo, raised.hi + lasts.hi)
    if ordered is None or own.hi <= ordered.lo:
        return own
    if ordered.hi <= own.lo:
        return ordered
    return Bounds(min(own.lo, ordered.lo), min(own.hi, ordered.hi))
