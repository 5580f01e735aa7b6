"""Single keys of a guided test: Enter and digits, which a gloved hand finds. What each does is always on the screen.

Letters stay free for what a person sees and hears (``keys``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from harness.core.model import Step
from harness.run.guide import Guide, Proposal, Said

ENTER: Final = "\r\n"
NOTHING, LATE = "+", ","
STEPS: Final = {"1": Step.RAISE, "2": Step.SILENCE, "3": Step.ACKNOWLEDGE, "4": Step.CLEAR, "5": Step.RESET}
SAYING: Final = {
    "6": Said.SKIP,
    "7": Said.NOT_POSSIBLE,
    "8": Said.NOTE,
    "9": Said.AGAIN,
    "0": Said.LEAVE,
}

_DONE: Final = {
    Step.RAISE: "raised",
    Step.SILENCE: "silenced",
    Step.ACKNOWLEDGE: "acknowledged",
    Step.CLEAR: "cleared",
    Step.RESET: "reset",
}
_NOTHING: Final = {
    Step.SILENCE: "nothing to silence",
    Step.ACKNOWLEDGE: "nothing to acknowledge",
    Step.CLEAR: "it cannot be cleared now",
    Step.RESET: "nothing to reset",
}
_HEADING: Final = {
    Said.SKIP: "SKIP this alarm, because",
    Said.NOT_POSSIBLE: "this alarm CANNOT BE RAISED, because",
    Said.AGAIN: "ONCE MORE from the start, because",
    Said.NOTE: "NOTE",
    Said.LEAVE: "LEAVE the test",
    Said.KNOWN: "ON ALREADY: {text}. It is",
}
_WATCHING: Final = "watching: the next step is proposed when the outputs have settled"
_BETWEEN: Final = "in a moment"


class GuideKeys:
    """Turns keys into what a person says to a guide, and says what the keys do."""

    def __init__(self, guide: Guide, asked: Callable[[], str] = lambda: "") -> None:
        """``asked``: what is waited for while no step is proposed."""
        self.guide = guide
        self._asked = asked

    def press(self, key: str, at_ns: int, since_ns: int | None = None) -> str | None:
        """One key. Returns None where it is none of these, else what to tell the person of it, '' for nothing."""
        guide, pending = self.guide, self.guide.pending()
        if pending.choosing is not None:
            if key in ENTER:
                guide.never_mind()
                return ""
            if key.isdecimal():
                return "" if guide.choose(int(key), at_ns) else f"{key} is none of the reasons"
        said = self._meaning(key)
        if said is None:
            return None
        if guide.press(said, at_ns, since_ns):
            return ""
        return None if key == LATE else f"{key if key not in ENTER else 'Enter'}: nothing is asked that it could answer"

    def _meaning(self, key: str) -> Said | Step | None:
        if key in ENTER:
            return Said.DONE
        if key == NOTHING:
            return Said.NOT_DONE
        if key == LATE:
            return Said.LATE
        return STEPS.get(key) or SAYING.get(key)

    def lines(self) -> Iterator[str]:
        """What to do now, and the keys."""
        pending = self.guide.pending()
        if pending.choosing is not None:
            yield f"> {_HEADING[pending.choosing].format(text=pending.text)}:"
            for number, reason in enumerate(pending.reasons, 1):
                yield f"    {number}  {reason}"
            yield "    Enter  " + ("not known: stop, and find out" if pending.choosing is Said.KNOWN else "never mind")
            return
        yield f"> {pending.text or (_WATCHING if pending.alarm else _BETWEEN)}"
        yield from self._proposed(pending)
        if pending.alarm:
            yield from self._others(pending)

    def _proposed(self, pending: Proposal) -> Iterator[str]:
        if pending.step is None:
            return
        when = "at the moment it is " if pending.step is Step.RAISE else ""
        line = f"    Enter  {when}{_DONE[pending.step]}"
        if pending.may_be_nothing:
            line += f"     {NOTHING}  {_NOTHING[pending.step]}"
        yield line

    def _others(self, pending: Proposal) -> Iterator[str]:
        if pending.step is not Step.RAISE:
            others = {key: it for key, it in STEPS.items() if it not in (Step.RAISE, pending.step)}
            yield "    " + "   ".join(f"{key} {_DONE[it]}" for key, it in others.items())
        late = f"   {LATE} that key was late" if pending.is_late_possible else ""
        yield f"    6 skip   7 not possible   8 note   9 again   0 leave{late}"
