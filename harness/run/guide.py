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

from harness.core.instants import Bounds, Clock
from harness.core.model import Step
from harness.record.header import Json
from harness.run.interrupting import Interruption, Why
from harness.run.steps import LATE_EVENT

Enter = Callable[[str, int, Mapping[str, Json]], None]
"""(kind, instant, data): an event into the record."""


@unique
class Said(StrEnum):
    """What a person can say at any time; beside it each step that was done."""

    DONE = "done"
    """The proposed step has been done now."""
    NOT_DONE = "not done"
    """There was nothing to do, such as nothing to acknowledge."""
    LATE = "late"
    """The newest key came late: the step was done some time since it was asked for."""
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """What to show the person now.

    ``alarm``: what it is about, '' between two alarms. ``step``: the proposed step, None where nothing is proposed;
    ``may_be_nothing``: it may turn out that there is nothing to do. ``text``: what to do. ``choosing``: of what the
    person is asked the reason, with ``reasons``. ``since_ns``: when it was asked. ``is_late_possible``: the newest key
    can be said to have come late.
    """

    step: Step | None
    text: str
    alarm: str = ""
    may_be_nothing: bool = False
    choosing: Said | None = None
    reasons: tuple[str, ...] = ()
    since_ns: int = 0
    is_late_possible: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Pressed:
    """A step as its key said it was done: the key was pressed within ``key``, and asked for from ``asked_ns``."""

    key: Bounds
    asked_ns: int
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
        self._stimulus = ""
        self._step: Step | None = None
        self._text = ""
        self._may_be_nothing = False
        self._choosing: Said | None = None
        self._asked_ns = 0
        self._begun_ns = 0
        self._early: dict[Step, Pressed] = {}  # steps of this stimulus that were done before they were proposed
        self._answer: asyncio.Future[Pressed] | None = None
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
            is_late_possible=self._late_of is not None,
        )

    def press(self, said: Said | Step, at_ns: int, since_ns: int | None = None) -> bool:
        """The person says something, between ``since_ns`` and ``at_ns``. False where it means nothing now."""
        key = Bounds(min(at_ns if since_ns is None else since_ns, at_ns), at_ns)
        if isinstance(said, Step):
            return self._done(said, key)
        match said:
            case Said.DONE:
                return self._step is not None and self._done(self._step, key)
            case Said.NOT_DONE:
                return self._nothing(key)
            case Said.LATE:
                return self._was_late()
            case _:
                if not self._alarm:
                    return False
                self._choosing = None if self._choosing is said else said
                self._changed()
                return True

    def choose(self, number: int, at_ns: int) -> bool:
        """The reason of what was said before, counted from 1. False where there is no such reason."""
        said = self._choosing
        if said is None or not 1 <= number <= len(REASONS[said]):
            return False
        reason = REASONS[said][number - 1]
        if said is Said.KNOWN:
            if self._reason is not None and not self._reason.done():
                self._reason.set_result(reason)
            return True
        self._choosing = None
        if said is Said.NOTE:
            self._event("note", at_ns, {"text": reason})
        elif self._interrupt is not None:
            self._interrupt(Interruption(why=_INTERRUPTING[said], text=reason))
        self._changed()
        return True

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

    def begin(self, alarm: str, stimulus: str) -> None:
        """From now on what is said is about this stimulus."""
        self._alarm, self._stimulus = alarm, stimulus
        self._begun_ns = self._clock()
        self._early.clear()
        self._late_of = None
        self.rest("")

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
        early = self._early.pop(step, None)
        if early is not None:
            return early
        self._asked_ns = self._clock()
        self._step, self._text, self._may_be_nothing = step, text, may_be_nothing
        self._event("asked", self._asked_ns, {"step": step.value})
        self._answer = asyncio.get_running_loop().create_future()
        if not self.is_attended:
            self._answer.set_result(Pressed(key=Bounds(self._asked_ns, self._asked_ns), asked_ns=0, is_done=False))
        self._changed()
        try:
            return await self._answer
        finally:
            self._answer = None
            self.rest("")

    def late_of(self, step: Step | None, at: Bounds | None = None) -> None:
        """When a step was done if the person says that its key came late; None: it cannot be said any more."""
        self._late_of = None if step is None or at is None else (step, at)
        self._changed()

    def _gone(self) -> None:
        """Nobody is there any more: nothing that is asked will be answered."""
        now = self._clock()
        if self._interrupt is not None:
            self._interrupt(Interruption(why=Why.LEFT, text="the terminal of the person who raises was closed"))
        if self._reason is not None and not self._reason.done():
            self._reason.set_result("")
        if self._answer is not None and not self._answer.done():
            self._answer.set_result(Pressed(key=Bounds(now, now), asked_ns=self._asked_ns, is_done=False))

    async def confirm(self, text: str) -> str:
        """Ask why something is on already. Returns the reason, '' where the person wants to leave, or is not there."""
        self._begun_ns = self._asked_ns = self._clock()
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

    def _done(self, step: Step, key: Bounds) -> bool:
        self._choosing = None
        if self._answer is not None and not self._answer.done() and step is self._step:
            self._answer.set_result(Pressed(key=key, asked_ns=self._asked_ns))
            return True
        if not self._alarm or step in self._early or step is Step.RAISE:
            return False
        # Done before it was proposed: since when is not known better than since the alarm was begun.
        self._early[step] = Pressed(key=key, asked_ns=self._begun_ns)
        self._event("early", key.hi, {"step": step.value})
        self._changed()
        return True

    def _nothing(self, key: Bounds) -> bool:
        if self._answer is None or self._answer.done() or not self._may_be_nothing:
            return False
        self._answer.set_result(Pressed(key=key, asked_ns=self._asked_ns, is_done=False))
        return True

    def _was_late(self) -> bool:
        if self._late_of is None:
            return False
        (step, at), self._late_of = self._late_of, None
        self._event(LATE_EVENT, self._clock(), {"step": step.value, "lo": at.lo, "hi": at.hi})
        self._changed()
        return True

    def _event(self, kind: str, at_ns: int, data: Mapping[str, Json]) -> None:
        if self._enter is not None:
            self._enter(kind, at_ns, {"alarm": self._alarm, "stimulus": self._stimulus, **data})

    def _changed(self) -> None:
        for told in tuple(self._told):
            told()
