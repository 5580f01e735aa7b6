"""Single keys of the terminal, as reports of a person who watches. What each key does is always on the screen.

A small letter reports that a sign is on, the same letter with shift that it is off.
"""

from __future__ import annotations

import asyncio
import os
import re
import signal
import sys
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from contextlib import nullcontext
from textwrap import wrap
from typing import TYPE_CHECKING, Any, Final, Protocol, Self

from harness.cli.common import note
from harness.cli.guide_keys import GuideKeys
from harness.core.errors import UsageError
from harness.core.instants import NS_PER_S, Clock
from harness.core.links import LinkSpec, PersonLink
from harness.core.places import Sign
from harness.links.person_reports import UNDO_MAX, Ask, attached, state_words

if TYPE_CHECKING:
    from harness.links.person_reports import Pending, Reports, WatchedSign
    from harness.run.guide import Guide

WIDTH: Final = 80
"""Columns that every terminal has."""

KEY_POLL_S: Final = 0.01
"""How often the keyboard is looked at: it widens a report by this, which is little beside anybody's reaction time."""

ALL_OFF, UNDO, CANNOT_SAY, STOP, STAYED, LATE = " ", "u", "-", "q", "y", ","
_FIRST: Final = {Sign.LAMP: "l", Sign.HORN: "h", Sign.TEXT: "t"}
_OTHERS: Final = "abcdefgijkmnoprsvwxzlht"
_ESCAPES: Final = re.compile(r"\x1b(?:\[[0-9;]*[@-~]|O.|.)?")
"""What arrow and function keys send; no report, whatever letters are in it."""

RELEASED_MAX: Final = 12
"""So many letters that were another sign's are given last; there have to be others left."""

NOW: Final = "> "
"""Before the line that says what to do."""

LABEL_MAX: Final = 36
"""Letters of a label; with its keys and state it fits into a line."""

_AT_REST: Final = "nothing is asked; what you see can be reported at any time"

NO_TERMINAL: Final = (
    "standard input is no terminal, so no person can report: what {links} should see is not observed. "
    "Start farend in a terminal, or leave these links out with --link"
)


class Keys(Protocol):
    """Keys that were pressed. ``read`` never waits, and raises EOFError once no more can come."""

    def __enter__(self) -> Self: ...
    def __exit__(self, *_: object) -> None: ...
    def read(self) -> str: ...


class TerminalKeys:
    """Keys of a POSIX terminal, one by one and without echo; the terminal is put back as it was on leaving.

    Ctrl-C works as always. Ctrl-Z does not: a program that is stopped clears no alarm.
    """

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._before: list[Any] | None = None

    def __enter__(self) -> Self:
        import termios

        self._before = termios.tcgetattr(self._descriptor)
        mode = termios.tcgetattr(self._descriptor)
        mode[3] &= ~(termios.ECHO | termios.ICANON)
        mode[6][termios.VMIN], mode[6][termios.VTIME] = 1, 0
        mode[6][termios.VSUSP] = os.fpathconf(self._descriptor, "PC_VDISABLE")
        termios.tcsetattr(self._descriptor, termios.TCSAFLUSH, mode)  # what was typed before is no report
        return self

    def __exit__(self, *_: object) -> None:
        import termios

        if self._before is not None:
            try:
                termios.tcsetattr(self._descriptor, termios.TCSADRAIN, self._before)
            except termios.error:
                return  # the terminal is gone

    def read(self) -> str:
        """What was pressed since the last time."""
        import select

        if not select.select([self._descriptor], [], [], 0)[0]:
            return ""
        try:
            data = os.read(self._descriptor, 1024)
        except OSError as exc:
            raise EOFError(exc.strerror) from exc
        if not data:
            raise EOFError("the terminal was closed")
        return data.decode("utf-8", "ignore")


class WindowsKeys:
    """Keys of a Windows console."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing was changed."""

    def read(self) -> str:
        """What was pressed since the last time."""
        import msvcrt

        pressed = []
        while msvcrt.kbhit():  # type: ignore[attr-defined,unused-ignore]
            key = msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
            if key in "\x00\xe0":
                msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]  # a function key sends two
            else:
                pressed.append(key)
        return "".join(pressed)


def keys_of_stdin() -> Keys | None:
    """The keys of the terminal that standard input is; None where it is none."""
    if not sys.stdin.isatty():
        return None
    return WindowsKeys() if sys.platform == "win32" else TerminalKeys(sys.stdin.fileno())


def key_client(links: Iterable[LinkSpec], guide: Guide | None = None) -> KeyClient | None:
    """The client for the persons among ``links``; None where there are none, or no terminal, which is then said.

    ``guide``: leads a person who raises by hand. UsageError where there is no terminal to lead anybody at.
    """
    persons = [link.name for link in links if isinstance(link, PersonLink)]
    if not persons and guide is None:
        return None
    keys = keys_of_stdin()
    if keys is None:
        if guide is not None:
            raise UsageError("--guided: standard input is no terminal, so that nobody can press a key; start it in one")
        note(NO_TERMINAL.format(links=", ".join(persons)))
        return None
    return KeyClient(keys, guide=None if guide is None else GuideKeys(guide))


class KeyClient:
    """Turns keys into reports for the persons of a run, and says what to show them."""

    def __init__(
        self,
        keys: Keys,
        clock: Clock = time.monotonic_ns,
        stop: Callable[[], None] = lambda: signal.raise_signal(signal.SIGINT),
        *,
        poll_s: float = KEY_POLL_S,
        guide: GuideKeys | None = None,
    ) -> None:
        """``stop`` is called for the stop key; like Ctrl-C it clears what is raised and ends the run.

        ``guide``: keys of a person who also raises by hand; they come first.
        """
        self._guide = guide
        self._keys = keys
        self._poll_s = poll_s
        self._clock = clock
        self._stop = stop
        self._reports: list[Reports] = []
        self._letters: dict[tuple[str, str], str] = {}
        self._order: deque[Reports] = deque(maxlen=UNDO_MAX)
        self._released: deque[str] = deque(maxlen=RELEASED_MAX)
        self._said = ""
        self._said_of: list[str] = []
        self._shown: Callable[[], None] | None = None

    def on_change(self, shown: Callable[[], None]) -> None:
        """Have ``shown`` called whenever :meth:`lines` says something else."""
        self._shown = shown

    async def attend(self, reports: Sequence[Reports]) -> None:
        """Report keys until cancelled, or until the terminal is gone."""
        self._reports = list(reports)
        for it in self._reports:
            it.subscribe(self._changed)
        led = nullcontext() if self._guide is None else self._guide.guide.attached(self._changed)
        with self._keys, attached(self._reports, "keys of this terminal"), led:
            checked_ns = self._clock()
            while True:
                since_ns, checked_ns = checked_ns, self._clock()
                try:
                    pressed = self._keys.read()
                except EOFError:
                    return
                if pressed:
                    at_ns = self._clock()
                    for key in _ESCAPES.sub("", pressed):
                        self.press(key, at_ns, since_ns)
                await asyncio.sleep(self._poll_s)

    def press(self, key: str, at_ns: int, since_ns: int | None = None) -> None:
        """One key, pressed between ``since_ns`` and ``at_ns``. A key without a meaning is told so."""
        self._assign()
        self._said = ""
        guided = None if self._guide is None else self._guide.press(key, at_ns, since_ns)
        if guided is not None:
            self._say(guided)
        elif key == STOP:
            self._say("stopping: what is raised is cleared first")
            if self._guide is not None:
                self._guide.guide.gives_up()
            self._stop()
        elif key == UNDO:
            self._undo(at_ns)
        elif key == LATE:
            self._late(at_ns)
        elif key == CANNOT_SAY:
            for it in self._reports:
                it.cannot_say()
        elif key in (ALL_OFF, STAYED):
            self._all_off(at_ns, since_ns, stayed=key == STAYED)
        else:
            self._report(key, at_ns, since_ns)
        for it in self._reports:
            it.here()

    def lines(self) -> list[str]:
        """What to show now: what is asked, each watched sign with its keys, and the keys for everything else."""
        return self._lines(timed=True)

    def lasting_lines(self) -> list[str]:
        """The same without the times that run, for where a line once printed stays."""
        return self._lines(timed=False)

    def _lines(self, *, timed: bool) -> list[str]:
        self._assign()
        found = self._signed_lines(timed=timed)
        if self._guide is not None:
            said = [f"    {self._said}"] if self._is_said() and not found else []
            found = [*self._guide.lines(), *said, *found]
        return [part for line in found for part in wrap(line, WIDTH, subsequent_indent="    ")]

    def _signed_lines(self, *, timed: bool) -> list[str]:
        """What the persons who watch are asked."""
        found: list[str] = []
        pendings = [it.pending() for it in self._reports]
        for pending in pendings:
            if pending.ask is Ask.HERE or any(sign.is_watched for sign in pending.signs):
                found += [*self._head(pending, timed=timed), *self._signs(pending)]
        if not found:
            return [self._said] if self._is_said() and self._guide is None else []
        asks = {pending.ask for pending in pendings if any(sign.is_asked for sign in pending.signs)}
        rest = [f"  {STAYED} off all the time, I kept looking   {CANNOT_SAY} cannot say"] if Ask.STAYED in asks else []
        rest += [f"  space all marked ? are off   {CANNOT_SAY} cannot say"] if asks - {Ask.STAYED} else []
        newest = self._order[-1].pending() if self._order else None
        undo = f"{UNDO} take back ({newest.last})   " if newest is not None and newest.last else ""
        is_newest = self._guide is None or not self._guide.is_newest
        undo += f"{LATE} I was late   " if newest is not None and newest.is_last_change and is_newest else ""
        return [*found, *rest, f"  {undo}{STOP} clear and stop", *([f"  {self._said}"] if self._is_said() else [])]

    # --- inside -------------------------------------------------------------------------------------------

    def _report(self, key: str, at_ns: int, since_ns: int | None) -> None:
        for it in self._reports:
            for sign in it.pending().signs:
                if self._letters.get((it.link, sign.point)) == key.lower():
                    self._said = ""
                    self._order.append(it)
                    if self._guide is not None:
                        self._guide.is_newest = False
                    it.report(sign.point, key == key.lower(), at_ns, since_ns)
                    return
        if key.isprintable() and not any(it.is_awaited for it in self._reports):
            self._say(f"key {key} has no meaning now")

    def _all_off(self, at_ns: int, since_ns: int | None, *, stayed: bool) -> None:
        """One answer for every sign that is asked for: off now, or off all the time where that is the question."""
        for it in self._reports:
            pending = it.pending()
            if (pending.ask is Ask.STAYED) is stayed:
                self._order += [it] * sum(sign.is_asked for sign in pending.signs)
                if stayed:
                    it.report_stayed(at_ns, since_ns)
                else:
                    it.report_rest(on=False, at_ns=at_ns, since_ns=since_ns)

    def _undo(self, at_ns: int) -> None:
        """Take back the newest report, then the one before it, and so on."""
        if self._order:
            newest = self._order.pop()
            last = newest.pending().last
            newest.undo(at_ns)
            self._say(f"taken back: {last}")

    def _late(self, at_ns: int) -> None:
        """The newest report was no change that was just seen."""
        if self._order and self._order[-1].late(at_ns):
            self._say(f"its time does not count: {self._order[-1].pending().last}")

    def _say(self, text: str) -> None:
        self._said, self._said_of = text, [it.pending().text for it in self._reports]
        self._changed()

    def _is_said(self) -> bool:
        """What was said of a key stands until something else is asked."""
        return bool(self._said) and self._said_of == [it.pending().text for it in self._reports]

    def _changed(self) -> None:
        if self._shown is not None:
            self._shown()

    def _assign(self) -> None:
        """A letter for every watched sign; one that has a letter keeps it while it is watched.

        A letter that was another sign's a moment ago is given last: a key pressed late must not report the new one.
        """
        watched = [
            (it.link, sign.point, sign.sign) for it in self._reports for sign in it.pending().signs if sign.is_watched
        ]
        wanted = {(link, point) for link, point, _ in watched}
        self._released += [letter for sign, letter in self._letters.items() if sign not in wanted]
        self._letters = {sign: letter for sign, letter in self._letters.items() if sign in wanted}
        for link, point, kind in watched:
            if (link, point) not in self._letters:
                taken = set(self._letters.values())
                free = [letter for letter in _FIRST[kind] + _OTHERS if letter not in taken]
                if free:
                    self._letters[link, point] = min(free, key=self._newest_release)

    def _newest_release(self, letter: str) -> int:
        return self._released.index(letter) + 1 if letter in self._released else 0

    def _head(self, pending: Pending, *, timed: bool) -> list[str]:
        """Where, and the times that run; what to do now, in a line of its own."""
        now, running = self._clock(), ""
        if timed and pending.held_since_ns is not None:
            running += f"   held for {_clock_text(now - pending.held_since_ns)}"
        if timed and pending.until_ns is not None:
            running += f"   {_clock_text(pending.until_ns - now)} left"
        return [f"{_cut(pending.where or pending.link)}{running}", f"{NOW}{pending.text or _AT_REST}"]

    def _signs(self, pending: Pending) -> Iterable[str]:
        watched = [sign for sign in pending.signs if sign.is_watched]
        for sign in watched:
            letter = self._letters.get((pending.link, sign.point))
            if letter is not None:
                yield sign_line(letter, sign)
        more = sum((pending.link, sign.point) not in self._letters for sign in watched)
        if more:
            yield f"  and {more} more, without a key of their own"


def sign_line(letter: str, sign: WatchedSign) -> str:
    """``? l lit  L dark   lamp ALARM: not reported``; the mark in front says that it is asked for."""
    on, off = state_words(sign.sign, on=True), state_words(sign.sign, on=False)
    keys = f"{letter} {on}  {letter.upper()} {off}"
    label = _cut(sign.label)
    mark = "?" if sign.is_asked else " "
    return f"{mark} {keys:<22} {sign.sign.value} {label}: {state_words(sign.sign, on=sign.on)}"


def _clock_text(ns: int) -> str:
    """``58 s``, ``14 min 57 s``: whole seconds, for a time that runs."""
    minutes, seconds = divmod(max(0, ns) // NS_PER_S, 60)
    return f"{minutes} min {seconds} s" if minutes > 1 else f"{60 * minutes + seconds} s"


def _cut(text: str) -> str:
    return text if len(text) <= LABEL_MAX else f"{text[: LABEL_MAX - 3]}..."
