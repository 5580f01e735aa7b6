"""The stimuli of a record of which nothing says that they were cleared. Pure.

An alarm may be raised from the intent to raise it on: whoever was killed between the two could not say more.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from harness.core.model import Step
from harness.record.found import Event
from harness.results.steps import AS_LEFT_EVENT, INTENT_EVENT, STEP_EVENT, UNSENT_EVENT, StepDone

CLEARED_LEFT_OPEN_EVENT: Final = "cleared-left-open"
"""In a later record: what became of a stimulus that an earlier one left open."""

TOLD_OF_IN: Final = (INTENT_EVENT, UNSENT_EVENT, STEP_EVENT, CLEARED_LEFT_OPEN_EVENT, AS_LEFT_EVENT)
"""The kinds of events that say whether something is left raised."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenStimulus:
    """One stimulus that may still be raised. ``raised_ns``: at the latest, on the clock of its record.

    ``is_certain``: False where nothing says whether the controller took the raise, or whether it was even sent.
    """

    stimulus: str
    alarm: str
    how: str
    raised_ns: int
    is_certain: bool


def open_stimuli(events: Iterable[Event]) -> tuple[OpenStimulus, ...]:
    """In the order of raising. A stimulus whose alarm ends by itself is among them while nothing says that it did.

    A proven clear closes every stimulus of that alarm: it is the alarm that was cleared. A comparison with how all was
    found names what could not be cleared until then; what it does not name had ended.
    """
    found: dict[str, OpenStimulus] = {}
    for event in events:
        if event.kind == INTENT_EVENT:
            stimulus, alarm, how = (str(event.data[key]) for key in ("stimulus", "alarm", "how"))
            found[stimulus] = OpenStimulus(
                stimulus=stimulus, alarm=alarm, how=how, raised_ns=event.at_ns, is_certain=False
            )
        elif event.kind == UNSENT_EVENT:
            found.pop(str(event.data["stimulus"]), None)
        elif event.kind == AS_LEFT_EVENT:
            left: list[str] = list(event.data["not_cleared"])  # type: ignore[arg-type]  # as our own run wrote it
            found = {name: it for name, it in found.items() if it.alarm in left}
        elif event.kind == STEP_EVENT:
            done = StepDone.from_data(event.data)
            if done.step is Step.RAISE and not done.is_sent:
                found.pop(done.stimulus, None)
            elif done.step is Step.RAISE:
                found[done.stimulus] = OpenStimulus(
                    stimulus=done.stimulus,
                    alarm=done.alarm,
                    how=done.how,
                    raised_ns=done.at.hi,
                    is_certain=done.proven,
                )
            elif done.step is Step.CLEAR and done.proven:
                found = {name: it for name, it in found.items() if it.alarm != done.alarm}
    return tuple(found.values())
