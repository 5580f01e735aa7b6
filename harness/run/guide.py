"""Between the run and the person who raises alarms by hand: the step that is proposed, and what the person says.

Whoever shows it is a client: a terminal, or a page. A client calls :meth:`Guide.attach`, shows :meth:`Guide.pending`
whenever it is told to, and calls :meth:`Guide.press`. The run calls ``step`` and ``settle``. All from the event loop's
thread. Everything that the person says is entered in the record at once.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum, unique
from typing import Final

from harness.core.instants import NS_PER_MS, Bounds, Clock
from harness.core.model import KEY_BEFORE_NS, Step
from harness.record.header import Json
from harness.results.interrupting import Interruption, Why
from harness.results.steps import LATE_EVENT

Enter = Callable[[str, int, Mapping[str, Json]], None]
"""(kind, instant, data): an event into the record."""


ANSWER_LEAST_NS: Final = 250 * NS_PER_MS
"""Nobody reads what is asked, does it and presses its key in less: a key that comes sooner answers something else
(from memory: the simplest reaction to a light takes about 0.2 s)."""


@unique
class Said(StrEnum):
    """What a person can say at any time; beside it each step that was done."""

    DONE = "done"
    """The proposed step has been done now."""
    NOT_DONE = "not done"
    """There was nothing to do, such as nothing to acknowledge."""
    LATE = "late"
    """The newest key came late: the step was done some time before, since the raise was asked for."""
    SKIP = "skip"
    NOT_POSSIBLE = "not possible"
    NOTE = "note"
    AGAIN = "again"
    LEAVE = "leave"
    KNOWN = "known"
    """What is on before anything is raised is known."""


REASONS: Final[Mapping[Said, tuple[str, ...]]] = {
    Said.SKIP: (
        "no access at present",
        "the plant needs it at present",
        "somebody has to be there for it",
        "it comes later today",
        "another reason, noted afterwards",
    ),
    Said.NOT_POSSIBLE: (
        "nothing here can raise it",
        "the sensor is missing or removed",
        "raising it would be dangerous",
        "it is not installed at this site",
        "another reason, noted afterwards",
    ),
    Said.AGAIN: (
        "it was raised wrongly",
        "it was disturbed",
        "something was put right since",
        "to make sure",
        "another reason, noted afterwards",
    ),
    Said.NOTE: (
        "the text or label at the panel differs",
        "the lamp or horn at the panel did something else",
        "somebody else worked at the panel",
        "it took several tries to raise it",
        "look at this one again",
    ),
    Said.KNOWN: (
        "a real alarm, known, and it stays",
        "a fault of this output, known",
        "left from earlier work, and harmless",
    ),
    Said.LEAVE: ("it goes on another time; what is raised is cleared first",),
}
"""Single keys, no typing: the reasons to choose from. ``farend correct`` adds words of one's own afterwards."""

_INTERRUPTING: Final = {
    Said.SKIP: Why.SKIPPED,
    Said.NOT_POSSIBLE: Why.NOT_POSSIBLE,
    Said.AGAIN: Why.AGAIN,
    Said.LEAVE: Why.LEFT,
}


@unique
class Heard(StrEnum):
    """What became of a key."""

    TAKEN = "taken"
    EARLY = "taken before it was asked"
    AGAIN = "taken once more"
    """The step had been done already: it was done at the one key or at the other."""
    TOO_SOON = "too soon after it was asked"
    CHANGED = "something else is asked now"
    """Meant for what was asked before, which nobody answered: the next key counts."""
    NOT_RAISED = "nothing is raised yet"
    NOTHING = "nothing is asked"

    @property
    def is_taken(self) -> bool:
        """Whether the key counted."""
        return self in (Heard.TAKEN, Heard.EARLY, Heard.AGAIN)


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """What to show the person now.

    ``alarm``: what it is about, '' between two alarms. ``step``: the proposed step, None where nothing is proposed;
    ``may_be_nothing``: it may turn out that there is nothing to do. ``text``: what to do. ``choosing``: of what the
    person is asked the reason, with ``reasons``. ``since_ns``: when it was asked. ``late_step``: the step whose key
    can still be said to have come late. ``done``: the steps of this alarm that were done, as their keys said.
    ``again_of``: the alarm that would be tested once more now. ``is_changed``: it has come in the place of something
    that was asked before, and nobody has pressed a key since.
    """

    step: Step | None
    text: str
    alarm: str = ""
    may_be_nothing: bool = False
    choosing: Said | None = None
    reasons: tuple[str, ...] = ()
    since_ns: int = 0
    late_step: Step | None = None
    done: frozenset[Step] = frozenset()
    again_of: str = ""
    is_changed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Pressed:
    """A step as its key said it was done: the key was pressed within ``key``.

    ``since_ns``: surely not done before, asked for or not: nobody knew of the alarm, or its raise was not asked for.
    """

    key: Bounds
    since_ns: int
    is_done: bool = True


class Guide:
    """One person who raises alarms by hand."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._clients = 0
        self._told: list[Callable[[], None]] = []
        self._enter: Enter | None = None
        self._interrupt: Callable[[Interruption], None] | None = None
        self._alarm = ""
        self._before = ""  # the alarm that was tested before
        self._stimulus = ""
        self._step: Step | None = None
        self._text = ""
        self._may_be_nothing = False
        self._choosing: Said | None = None
        self._asked_ns = 0
        self._since_ns = 0  # no step that is still to come was done before
        self._done: set[Step] = set()
        self._early: dict[Step, Pressed] = {}  # steps of this stimulus that were done without having been proposed
        self._answer: asyncio.Future[Pressed] | None = None
        self._is_chosen = False  # the person wants something else than what is asked
        self._is_changed = False  # what was asked before was given up without the person
        self._reason: asyncio.Future[str] | None = None
        self._late_of: tuple[Step, Bounds] | None = None

    # --- for whoever shows it to the person -----------------------------------------------------------

    @contextmanager
    def attached(self, told: Callable[[], None]) -> Iterator[None]:
        """A person is there; ``told`` is called whenever :meth:`pending` says something else."""
        self._clients += 1
        self._told.append(told)
        try:
            yield
        finally:
            self._clients -= 1
            self._told.remove(told)
            if not self._clients:
                self._gone()

    def pending(self) -> Proposal:
        """What to show now."""
        return Proposal(
            step=self._step,
            text=self._text,
            alarm=self._alarm,
            may_be_nothing=self._may_be_nothing,
            choosing=self._choosing,
            reasons=REASONS.get(self._choosing, ()) if self._choosing is not None else (),
            since_ns=self._asked_ns,
            late_step=None if self._late_of is None else self._late_of[0],
            done=frozenset({*self._done, *self._early}),
            is_changed=self._is_changed,
            again_of=self._alarm if Step.RAISE in self._done or not self._before else self._before,
        )

    def press(self, said: Said | Step, at_ns: int, since_ns: int | None = None) -> Heard:
        """The person says something, between ``since_ns`` and ``at_ns``. Returns what became of it."""
        key = Bounds(min(at_ns if since_ns is None else since_ns, at_ns), at_ns)
        if isinstance(said, Step):
            return self._named(said, key)
        match said:
            case Said.DONE:
                return self._answered(key, is_done=True)
            case Said.NOT_DONE:
                return self._answered(key, is_done=False)
            case Said.LATE:
                return self._was_late()
            case _:
                if not self._alarm:
                    return Heard.NOTHING
                self._choosing = None if self._choosing is said else said
                self._changed()
                return Heard.TAKEN

    def choose(self, number: int, at_ns: int) -> bool:
        """The reason of what was said before, counted from 1. False where there is no such reason."""
        said = self._choosing
        if said is None or not 1 <= number <= len(REASONS[said]):
            return False
        reason = REASONS[said][number - 1]
        if said is Said.KNOWN:
            if self._reason is None or self._reason.done() or at_ns < self._asked_ns + ANSWER_LEAST_NS:
                return False
            self._reason.set_result(reason)
            return True
        self._choosing = None
        if said is Said.NOTE:
            self._event("note", at_ns, {"text": reason})
        elif self._interrupt is not None:
            self._is_chosen = True
            self._interrupt(Interruption(why=_INTERRUPTING[said], text=reason))
        self._changed()
        return True

    def gives_up(self) -> None:
        """The person stops the whole run by other means, and knows that something else will be asked."""
        self._is_chosen = True

    def never_mind(self) -> None:
        """No reason is chosen: what was said before does not count; what is on already is not known."""
        if self._reason is not None and not self._reason.done():
            self._reason.set_result("")
        elif self._choosing is not None:
            self._choosing = None
            self._changed()

    # --- for the run ------------------------------------------------------------------------------------

    def connect(self, enter: Enter, interrupt: Callable[[Interruption], None]) -> None:
        """Where events go, and how a test of an alarm is interrupted."""
        self._enter, self._interrupt = enter, interrupt

    @property
    def is_attended(self) -> bool:
        """True while a person can press keys."""
        return self._clients > 0

    def begin(self, alarm: str, stimulus: str, before: str = "") -> None:
        """From now on what is said is about this stimulus. ``before``: the alarm that was tested before it."""
        self._alarm, self._stimulus, self._before = alarm, stimulus, before
        self._since_ns = self._clock()
        self._early.clear()
        self._done.clear()
        self._is_chosen = self._is_changed = False
        self._late_of = None
        self.rest("")

    def extra(self) -> tuple[Step, ...]:
        """Steps that were done and never proposed; ``step`` takes each at once."""
        return tuple(self._early)

    def end(self) -> None:
        """What is said from now on is about no stimulus."""
        self._alarm = self._stimulus = ""
        self._choosing = None
        self.late_of(None)

    def rest(self, text: str) -> None:
        """Nothing is proposed; ``text`` says what is waited for."""
        self._step, self._text, self._may_be_nothing = None, text, False
        self._changed()

    async def step(self, step: Step, text: str, *, may_be_nothing: bool = False) -> Pressed:
        """Propose a step, and wait until the person says that it is done. One that was done early is taken at once."""
        pressed = self._early.pop(step, None)
        if pressed is not None:
            self._done.add(step)
        else:
            self._asked_ns = self._clock()
            self._step, self._text, self._may_be_nothing = step, text, may_be_nothing
            self._event("asked", self._asked_ns, {"step": step.value})
            self._answer = asyncio.get_running_loop().create_future()
            if not self.is_attended:
                self._gone()
            self._changed()
            try:
                pressed = await self._answer
            except asyncio.CancelledError:
                self._is_changed = not self._is_chosen
                raise
            finally:
                self._answer = None
                self.rest("")
        return pressed

    def late_of(self, step: Step | None, at: Bounds | None = None) -> None:
        """When a step was done if the person says that its key came late; None: it cannot be said any more."""
        self._late_of = None if step is None or at is None else (step, at)
        self._changed()

    def _gone(self) -> None:
        """Nobody is there any more: nothing that is asked will be answered."""
        now = self._clock()
        if self._interrupt is not None:
            self._interrupt(Interruption(why=Why.LEFT, text="the person who raises is not at the keys any more"))
        if self._reason is not None and not self._reason.done():
            self._reason.set_result("")
        if self._answer is not None and not self._answer.done():
            self._answer.set_result(self._pressed(Bounds(now, now), is_done=False))

    async def confirm(self, text: str) -> str:
        """Ask why something is on already. Returns the reason, '' where the person wants to leave, or is not there."""
        self._asked_ns = self._clock()
        self._text, self._choosing = text, Said.KNOWN
        self._reason = asyncio.get_running_loop().create_future()
        if not self.is_attended:
            self._reason.set_result("")
        self._changed()
        try:
            return await self._reason
        finally:
            self._reason, self._choosing = None, None
            self.rest("")

    # --- inside -------------------------------------------------------------------------------------------

    def _answered(self, key: Bounds, *, is_done: bool) -> Heard:
        """The key that answers whatever is asked."""
        if self._answer is None or self._answer.done() or not (is_done or self._may_be_nothing):
            return Heard.NOTHING
        if self._is_too_soon(key):
            return Heard.TOO_SOON
        if self._is_changed:
            self._is_changed = False
            self._changed()
            return Heard.CHANGED
        return self._taken(key, is_done=is_done)

    def _named(self, step: Step, key: Bounds) -> Heard:
        """The key of one step, whatever is asked."""
        if self._answer is not None and not self._answer.done() and step is self._step:
            # Nobody is so fast: it was done before it was asked, and its own key says so. A raise is not.
            return Heard.TOO_SOON if step is Step.RAISE and self._is_too_soon(key) else self._taken(key)
        if not self._alarm:
            return Heard.NOTHING
        if Step.RAISE not in self._done:
            return Heard.NOT_RAISED
        self._choosing = None
        if step in self._done:
            # At the one key or at the other: the bounds of that step come to hold both.
            self._event(LATE_EVENT, key.hi, {"step": step.value, "lo": key.lo, "hi": key.hi + KEY_BEFORE_NS})
            self._changed()
            return Heard.AGAIN
        first = self._early.get(step)
        both = key if first is None else Bounds(first.key.lo, key.hi)
        self._early[step] = self._pressed(both)
        self._event("early", key.hi, {"step": step.value})
        self._changed()
        return Heard.EARLY

    def _taken(self, key: Bounds, *, is_done: bool = True) -> Heard:
        """The answer; what is pressed from now on is about what comes behind it."""
        if self._answer is not None and self._step is not None:
            self._answer.set_result(self._pressed(key, is_done=is_done))
            if is_done:
                self._done.add(self._step)
            if self._step is Step.RAISE:
                self._since_ns = self._asked_ns
        self._choosing = None
        self._is_changed = False
        self.rest("")
        return Heard.TAKEN

    def _is_too_soon(self, key: Bounds) -> bool:
        return key.lo < self._asked_ns + ANSWER_LEAST_NS

    def _pressed(self, key: Bounds, *, is_done: bool = True) -> Pressed:
        return Pressed(key=key, since_ns=self._since_ns, is_done=is_done)

    def _was_late(self) -> Heard:
        if self._late_of is None:
            return Heard.NOTHING
        (step, at), self._late_of = self._late_of, None
        self._event(LATE_EVENT, self._clock(), {"step": step.value, "lo": at.lo, "hi": at.hi})
        self._changed()
        return Heard.TAKEN

    def _event(self, kind: str, at_ns: int, data: Mapping[str, Json]) -> None:
        if self._enter is not None:
            self._enter(kind, at_ns, {"alarm": self._alarm, "stimulus": self._stimulus, **data})

    def _changed(self) -> None:
        for told in tuple(self._told):
            told()
