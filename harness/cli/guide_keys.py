"""Single keys of a guided test: Enter and digits, which a gloved hand finds. What each does is always on the screen.

Letters stay free for what a person sees and hears (``keys``).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from harness.core.instants import NS_PER_MS
from harness.core.model import Step
from harness.run.guide import Guide, Heard, Proposal, Said

ENTER: Final = "\r\n"
NOTHING, LATE = "+", ","
STEPS: Final = {"1": Step.RAISE, "2": Step.SILENCE, "3": Step.ACKNOWLEDGE, "4": Step.CLEAR, "5": Step.RESET}
_KEY_OF: Final = {step: key for key, step in STEPS.items()}
SAYING: Final = {
    "6": Said.SKIP,
    "7": Said.NOT_POSSIBLE,
    "8": Said.NOTE,
    "9": Said.AGAIN,
    "0": Said.LEAVE,
}

BOUNCE_NS: Final = 300 * NS_PER_MS
"""The same key again so soon is the same press: a glove that slips, or a key that is held down and repeats (common
practice, no source)."""

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
    Said.SKIP: "SKIP {alarm}, because",
    Said.NOT_POSSIBLE: "{alarm} CANNOT BE RAISED, because",
    Said.AGAIN: "{again} ONCE MORE from the start, because",
    Said.NOTE: "NOTE on {alarm}",
    Said.LEAVE: "LEAVE the test",
    Said.KNOWN: "ON ALREADY: {text}. It is",
}
_SAID: Final = {
    Heard.EARLY: "noted: {done} already",
    Heard.AGAIN: "noted: {done} at this key or at the one before",
    Heard.TOO_SOON: "{key} came too soon after this was asked; press it again once it is done",
    Heard.CHANGED: "{key}: something else is asked now; read it, and press again once it is done",
    Heard.NOT_RAISED: "{key}: nothing is raised yet",
    Heard.NOTHING: "{key}: nothing is asked that it could answer",
}
_WATCHING: Final = "watching: the next step is proposed when the outputs have settled"


class GuideKeys:
    """Turns keys into what a person says to a guide, and says what the keys do."""

    def __init__(self, guide: Guide) -> None:
        self.guide = guide
        self.is_newest = True
        """False once another key than these was pressed: then it is that one which may have come late."""
        self._told = ""
        self._last = ("", 0)  # the newest key, and when it was pressed

    def press(self, key: str, at_ns: int, since_ns: int | None = None) -> str | None:
        """One key. Returns None where it is none of these, else what to tell the person of it, '' for nothing."""
        key = ENTER[0] if key in ENTER else key
        before, self._last = self._last, (key, at_ns)
        is_choosing = self.guide.pending().choosing is not None
        said = self._meaning(key)
        if said is None or (said is Said.LATE and not self.is_newest):
            return None
        if key != before[0] or at_ns >= before[1] + BOUNCE_NS:
            told = self._choose(key, at_ns) if is_choosing and (key == ENTER[0] or key.isdecimal()) else None
            self._told = self._say(key, said, at_ns, since_ns) if told is None else told
        return self._told

    def _choose(self, key: str, at_ns: int) -> str:
        if key == ENTER[0]:
            self.guide.never_mind()
            return ""
        is_note = self.guide.pending().choosing is Said.NOTE
        if not self.guide.choose(int(key), at_ns):
            return f"{key} is none of the reasons"
        return "noted" if is_note else ""

    def _say(self, key: str, said: Said | Step, at_ns: int, since_ns: int | None) -> str:
        pending = self.guide.pending()
        heard = self.guide.press(said, at_ns, since_ns)
        if heard.is_taken and (isinstance(said, Step) or said is Said.DONE):
            self.is_newest = True
        if said is Said.LATE and heard.is_taken and pending.late_step is not None:
            return f"noted: {_DONE[pending.late_step]} some time before its key"
        name = "Enter" if key in ENTER else key
        return _SAID.get(heard, "").format(key=name, done=_DONE[said] if isinstance(said, Step) else "")

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
            heading = _HEADING[pending.choosing]
            yield f"> {heading.format(text=pending.text, alarm=pending.alarm, again=pending.again_of)}:"
            for number, reason in enumerate(pending.reasons, 1):
                yield f"    {number}  {reason}"
            yield "    Enter  " + ("not known: stop, and find out" if pending.choosing is Said.KNOWN else "never mind")
            return
        if pending.text or Step.RAISE in pending.done:
            yield f"> {pending.text or _WATCHING}"
        if pending.step is not None:
            yield self._proposed(pending, pending.step)
        if pending.alarm:
            yield from self._others(pending)

    def _proposed(self, pending: Proposal, step: Step) -> str:
        key = _KEY_OF[step] if pending.is_changed else "Enter"  # whoever has not seen the change presses Enter
        line = f"    {key}  {'at the moment it is ' if step is Step.RAISE else ''}{_DONE[step]}"
        return f"{line}   {NOTHING}  {_NOTHING[step]}" if pending.may_be_nothing else line

    def _others(self, pending: Proposal) -> Iterator[str]:
        others = {key: it for key, it in STEPS.items() if it not in (*pending.done, pending.step)}
        if Step.RAISE in pending.done and others:
            yield "    done already: " + "   ".join(f"{key} {_DONE[it]}" for key, it in others.items())
        yield "    6 skip   7 not possible   8 note   9 again   0 leave"
        if pending.late_step is not None and self.is_newest:
            yield f"    {LATE} I pressed late for: {_DONE[pending.late_step]}"
