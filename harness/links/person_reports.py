"""Between a person and a link: what is asked of the person, and what the person reports. Whoever shows it is a client.

A terminal is one client; a page could be another. A client calls :meth:`Reports.attach`, shows :meth:`Reports.pending`
whenever it is told to, and calls ``report``, ``report_rest``, ``undo`` and ``cannot_say``. The run calls ``ask`` and
``rest``. All from the event loop's thread.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from enum import StrEnum, unique
from typing import Final

from harness.core.instants import NS_PER_S, Clock
from harness.core.links import PersonLink
from harness.core.model import Point
from harness.core.places import PersonPlace, Sign
from harness.links.base import LinkState, Observer
from harness.links.person_messages import Said, Undone, encode, shows

UNDO_MAX: Final = 1_000
"""Reports of a link that can be taken back, newest first: more than anybody presses between two looks at the screen."""


@unique
class Ask(StrEnum):
    """What is asked of the person now."""

    NOTHING = "nothing"
    READY = "ready"
    """How is each sign before anything is raised?"""
    LOOK = "look"
    """Look at the signs and report each change as it comes."""
    STATE = "state"
    """How is each sign now?"""
    HERE = "here"
    """Nobody answered: is anybody there?"""
    STAYED = "stayed"
    """Did each sign stay off all the time, and was it looked at all the time?"""


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchedSign:
    """One lamp, horn or display: ``on`` as last reported, else None.

    ``is_watched``: it matters now; ``is_asked``: an answer is awaited.
    """

    point: str
    sign: Sign
    label: str
    on: bool | None
    is_watched: bool
    is_asked: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Pending:
    """What to show the person of one link.

    ``text``: what to do, in a sentence. ``until_ns``: when the answer is no longer waited for, None without end.
    ``held_since_ns``: since when an alarm is raised and held, None where none is. ``last``: the newest report in words,
    '' where none can be taken back; ``is_last_change``: it says when the change was.
    """

    link: str
    where: str
    in_sight: bool
    ask: Ask
    text: str
    signs: tuple[WatchedSign, ...]
    until_ns: int | None
    held_since_ns: int | None
    last: str
    is_last_change: bool


@dataclass(frozen=True, slots=True)
class _Done:
    """A report that can be taken back, the state that was reported before it, and when it was said."""

    said: Said
    point: str
    before: bool | None
    first_ns: int
    last_ns: int


class Reports:
    """What one person watches. ``report`` is the only way in; every report goes to the observer at once."""

    def __init__(self, spec: PersonLink, points: Iterable[Point], observer: Observer, clock: Clock) -> None:
        self.link = spec.name
        self._spec = spec
        self._places = {
            point.name: point.place
            for point in points
            if point.link == spec.name and isinstance(point.place, PersonPlace)
        }
        self._observer = observer
        self._clock = clock
        self._state: dict[str, bool] = {}
        self._seen_this_look: set[str] = set()
        self._looking_ns: dict[str, int] = {}  # since when a sign is looked at without a break and was not seen on
        self._done: list[_Done] = []  # what can be taken back, the newest last
        self._next_id = 1
        self._ask = Ask.NOTHING
        self._text = ""
        self._watched: set[str] = set()
        self._asked: set[str] = set()
        self._since_ns: int | None = None
        self._until_ns: int | None = None
        self._held_since_ns: int | None = None
        self._is_heard = False
        self._clients = 0
        self._is_up: bool | None = None
        self._told: list[Callable[[], None]] = []
        self._news = asyncio.Event()

    # --- for whoever shows it to the person -----------------------------------------------------------

    def attach(self, who: str) -> None:
        """A person can report from now on. ``who``: by what, in words, e.g. ``keys of this terminal``."""
        self._clients += 1
        self._seen_this_look.clear()
        self._set_up(f"a person reports by {who}")
        self._changed()

    def detach(self, why: str) -> None:
        """Nobody reports any more."""
        self._clients -= 1
        if not self._clients:
            self.rest()
            self._set_down(why)

    def subscribe(self, changed: Callable[[], None]) -> None:
        """Have ``changed`` called whenever :meth:`pending` says something else. It must be quick and must not raise."""
        self._told.append(changed)

    def pending(self) -> Pending:
        """What to show now."""
        signs = tuple(
            WatchedSign(
                point=name,
                sign=place.sign,
                label=place.label,
                on=self._state.get(name),
                is_watched=name in self._watched,
                is_asked=name in self._asked,
            )
            for name, place in self._places.items()
        )
        last = ""
        if self._done:
            point = self._done[-1].point
            place = self._places[point]
            last = f"{place.sign.value} {place.label} {state_words(place.sign, on=self._state[point])}"
        return Pending(
            link=self.link,
            where=self._spec.where,
            in_sight=self._spec.in_sight,
            ask=self._ask,
            text=self._text,
            signs=signs,
            until_ns=self._until_ns,
            held_since_ns=self._held_since_ns,
            last=last,
            is_last_change=bool(self._done) and self._done[-1].said.is_change,
        )

    def report(self, point: str, on: bool | str, at_ns: int, since_ns: int | None = None) -> None:  # noqa: FBT001  # a state
        """The person says that a sign is on, or off, or what a display shows.

        ``at_ns``: when it was said; where that is not known exactly, it was said between ``since_ns`` and ``at_ns``.
        Raises ValueError for a point that is not watched here, and for a text of what is no display.
        """
        place = self._places.get(point)
        if place is None:
            raise ValueError(f"point={point}: link {self.link} watches {', '.join(self._places) or 'nothing'}")
        self._report(point, on, at_ns, since_ns)

    def _report(
        self,
        point: str,
        on: bool | str,  # noqa: FBT001  # a state
        at_ns: int,
        since_ns: int | None,
        stayed_since_ns: int | None = None,
    ) -> None:
        place = self._places[point]
        text = None
        if isinstance(on, str):
            if place.sign is not Sign.TEXT:
                raise ValueError(f"point={point}: a {place.sign.value} shows no text; report True or False")
            text, on = on, shows(place.label, on)
        before = self._state.get(point)
        said = Said(
            id=self._take_id(),
            sign=place.sign,
            label=place.label,
            on=on,
            is_change=self._is_change(point, on=on),
            since_ns=None if self._spec.in_sight else self._sent_ns(at_ns),
            text=text,
            stayed_since_ns=stayed_since_ns,
        )
        self._set_up("the person reports")
        self._is_heard = True
        first_ns = min(at_ns if since_ns is None else since_ns, at_ns)
        self._done = [*self._done[1 - UNDO_MAX :], _Done(said, point, before, first_ns, at_ns)]
        self._state[point] = on
        if on:
            self._looking_ns.pop(point, None)
        self._seen_this_look.add(point)
        self._asked.discard(point)
        self._tell(first_ns, at_ns, said)

    def report_rest(self, *, on: bool, at_ns: int, since_ns: int | None = None) -> None:
        """One answer for every sign that is still asked for."""
        for point in [name for name in self._places if name in self._asked]:
            self.report(point, on, at_ns, since_ns)

    def report_stayed(self, at_ns: int, since_ns: int | None = None) -> None:
        """Every sign that is still asked for stayed off since the person began to look, and they kept looking."""
        if self._ask is Ask.STAYED:
            for point in [name for name in self._places if name in self._asked]:
                self._report(point, False, at_ns, since_ns, self._looking_ns.get(point))  # noqa: FBT003  # off
                if point in self._looking_ns:  # what was said is not said again the next time
                    self._looking_ns[point] = max(self._looking_ns[point], at_ns - self._spec.reaction_max_ns)

    def undo(self, at_ns: int) -> str:
        """Take back the newest report: a wrong key. It stays in the record and is no evidence.

        Returns its point, '' where there is nothing to take back. What is reported next, until the person is asked to
        look again, counts as a state: the change that it tells of may be as old as the mistake.
        """
        if not self._done:
            return ""
        done = self._done.pop()
        point, before, place = done.point, done.before, self._places[done.point]
        if before is None:
            self._state.pop(point, None)
        else:
            self._state[point] = before
        self._seen_this_look.clear()
        self._looking_ns.pop(point, None)
        if self._ask in (Ask.READY, Ask.STATE):
            self._asked.add(point)
        undone = Undone(id=self._take_id(), of=done.said.id, sign=place.sign, label=place.label, then=before)
        self._tell(at_ns, at_ns, undone)
        return point

    def late(self, at_ns: int) -> str:
        """The newest report came later than the reaction time: it was so when it was said, and since when is not known.

        Returns its point, '' where the newest report is no change that was seen.
        """
        if not self._done or not self._done[-1].said.is_change:
            return ""
        done = self._done.pop()
        said, place = done.said, self._places[done.point]
        undone = Undone(id=self._take_id(), of=said.id, sign=place.sign, label=place.label, then=said.on)
        self._tell(at_ns, at_ns, undone)
        state = replace(said, id=self._take_id(), is_change=False)
        self._done.append(replace(done, said=state))
        self._tell(done.first_ns, done.last_ns, state)
        return done.point

    def here(self) -> None:
        """Whoever did not answer is there again; of what was asked before nothing is said."""
        if self._clients and not self._is_up:
            self._set_up("somebody is there again")
            self._is_heard = True
            self._changed()

    def cannot_say(self) -> None:
        """The person goes on without an answer: what is still asked for stays unobserved."""
        if self._ask is Ask.STAYED:
            self._seen_this_look.clear()
            self._looking_ns.clear()
        self._asked.clear()
        self._is_heard = True
        self._changed()

    # --- for the run ------------------------------------------------------------------------------------

    @property
    def in_sight(self) -> bool:
        """Whether the person sees the signs from where the reports are made."""
        return self._spec.in_sight

    @property
    def is_attended(self) -> bool:
        """True while somebody reports and answers."""
        return bool(self._is_up)

    @property
    def is_awaited(self) -> bool:
        """True where somebody could report, and has not answered."""
        return bool(self._clients) and not self._is_up

    @property
    def points(self) -> tuple[str, ...]:
        """The names of the points that are watched here."""
        return tuple(self._places)

    def is_off(self, point: str) -> bool:
        """True where a sign was last reported off."""
        return self._state.get(point) is False

    def looked_at_since(self, point: str) -> int | None:
        """Since when the person looks at a sign without a break and has not seen it on; None where they do not."""
        return self._looking_ns.get(point)

    def ask(self, ask: Ask, points: Iterable[str] | None, text: str, until_ns: int | None = None) -> None:
        """Ask the person something about ``points`` (None: about those that are watched already).

        What is reported out of sight was seen from now on.
        """
        points = self._watched if points is None else set(points) & set(self._places)
        if ask is Ask.READY:
            self._seen_this_look.clear()
            self._looking_ns.clear()
        if ask is Ask.LOOK and self._spec.in_sight:
            now = self._clock()
            self._looking_ns = {
                name: self._looking_ns.get(name, now) for name in points if self._state.get(name) is False
            }
        self._watched = points | self._watched if ask is Ask.STATE else points
        self._ask, self._text, self._until_ns = ask, text, until_ns
        self._asked = set() if ask in (Ask.LOOK, Ask.NOTHING, Ask.HERE) else set(points)
        self._since_ns = self._clock()
        self._is_heard = False
        self._changed()

    def held_since(self, instant: int | None) -> None:
        """An alarm is raised and held since ``instant``; None: no more."""
        self._held_since_ns = instant
        self._changed()

    def rest(self) -> None:
        """Nothing is asked; the person need not look, and may report what was watched last all the same."""
        self._ask, self._text, self._until_ns, self._held_since_ns = Ask.NOTHING, "", None, None
        self._asked.clear()
        self._seen_this_look.clear()
        self._looking_ns.clear()
        self._changed()

    async def back(self, until_ns: int) -> None:
        """Wait until whoever did not answer is there again, or ``until_ns``."""
        while self.is_awaited and self._clock() < until_ns:
            self._news.clear()
            with suppress(TimeoutError):
                async with asyncio.timeout((until_ns - self._clock()) / NS_PER_S):
                    await self._news.wait()

    async def answered(self, until_ns: int) -> bool:
        """Wait until nothing is asked any more; False where ``until_ns`` came first.

        Where not one report came in that time, nobody is there.
        """
        while self._asked:
            left_ns = until_ns - self._clock()
            if left_ns <= 0 or not self._is_up:
                break
            self._news.clear()
            try:
                async with asyncio.timeout(left_ns / NS_PER_S):
                    await self._news.wait()
            except TimeoutError:
                break
        if not self._asked:
            return True
        self._asked.clear()
        if self._is_up and not self._is_heard:
            self._seen_this_look.clear()
            self._set_down("nobody answered; the next report ends this")
            self._ask, self._text, self._until_ns = Ask.HERE, "nobody answered: press any key to be asked again", None
        self._changed()
        return False

    # --- inside ---------------------------------------------------------------------------------------------

    def _is_change(self, point: str, *, on: bool) -> bool:
        """In sight, unasked, and looking since the report before, which said otherwise."""
        looking = self._spec.in_sight and point in self._seen_this_look and point not in self._asked
        return looking and self._state.get(point) is (not on)

    def _sent_ns(self, at_ns: int) -> int:
        return at_ns if self._since_ns is None else min(self._since_ns, at_ns)

    def _take_id(self) -> int:
        self._next_id += 1
        return self._next_id - 1

    def _tell(self, first_ns: int, last_ns: int, said: Said | Undone) -> None:
        self._observer.message(self.link, min(first_ns, last_ns), last_ns, encode(said))
        self._changed()

    def _set_up(self, why: str) -> None:
        if not self._is_up:
            self._is_up = True
            if self._ask is Ask.HERE:
                self._ask, self._text, self._until_ns = Ask.NOTHING, "", None
            self._observer.link_state(self.link, self._clock(), LinkState.UP, why)

    def _set_down(self, why: str) -> None:
        if self._is_up or self._is_up is None:
            self._is_up = False
            self._looking_ns.clear()
            self._observer.link_state(self.link, self._clock(), LinkState.DOWN, why)

    def close(self, why: str) -> None:
        """Nothing is watched any more."""
        self._ask, self._asked = Ask.NOTHING, set()
        self._set_down(why)

    def _changed(self) -> None:
        self._news.set()
        for told in self._told:
            told()


Attend = Callable[[Sequence[Reports]], Coroutine[None, None, None]]
"""Lets somebody report for the persons of a run, until cancelled: the keys of a terminal, later a page."""


def state_words(sign: Sign, *, on: bool | None) -> str:
    """A state as a person says it: ``lit``, ``dark``, ``sounding``, ``silent``, ``shown``, ``not shown``."""
    if on is None:
        return "not reported"
    words = {Sign.LAMP: ("lit", "dark"), Sign.HORN: ("sounding", "silent"), Sign.TEXT: ("shown", "not shown")}
    return words[sign][0 if on else 1]


@contextmanager
def attached(reports: Iterable[Reports], who: str) -> Iterator[None]:
    """Somebody reports for several links while the block runs."""
    chosen = list(reports)
    for it in chosen:
        it.attach(who)
    try:
        yield
    finally:
        for it in chosen:
            it.detach(f"the {who} ended")
