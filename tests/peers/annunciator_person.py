"""A robot in place of the person: sees the face of the simulated annunciator, and presses keys with a reaction time.

It looks at the face over TCP, as a person looks at the front, and presses the keys that the screen shows, as a person
reads them there. When it reports and what it gets wrong comes from its random numbers; nothing else is known to it.
"""

from __future__ import annotations

import asyncio
import os
import re
from collections import defaultdict
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass
from random import Random
from typing import Final

SIGN_LINE: Final = re.compile(
    r"^(?P<asked>[? ]) (?P<on>\S) (?:lit|sounding|shown)  (?P<off>\S) .*? (?P<sign>lamp|horn|text) (?P<label>.*?): "
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """How the robot behaves. Shares are probabilities; ``least_s`` to ``most_s`` is its reaction time.

    ``walks``: it sees nothing from where it stands. It goes for each question, looks at the face there, and reports
    when it is back: all of that within its reaction time.
    """

    least_s: float
    most_s: float
    walks: bool = False
    wrong_key: float = 0.0
    overlooks: float = 0.0
    silent: float = 0.0


class Robot:
    """Watches one annunciator and types on one terminal. ``screen``: what stands on it now."""

    def __init__(
        self, port: int, terminal: int, screen: Callable[[], Sequence[str]], habits: Habits, seed: int
    ) -> None:
        self._port = port
        self._terminal = terminal
        self._screen = screen
        self._habits = habits
        self._random = Random(seed)
        self._face: dict[str, str] = {}
        self._hand = asyncio.Lock()
        self._orders: defaultdict[tuple[str, str], asyncio.Lock] = defaultdict(asyncio.Lock)
        self._answering: set[tuple[str, str, str]] = set()
        self._lit: set[tuple[str, str]] = set()  # what came on since it began to look
        self._looked_for = ""
        self.pressed = 0
        self.undone = 0

    def sees(self, sign: str, label: str) -> bool:
        """Whether a sign is on, as the face shows it now."""
        if sign == "text":
            return self._face.get("SHOWS") == label
        return self._face.get(sign.upper()) == "ON"

    async def look(self) -> None:
        """Until cancelled: report each change that is seen, and answer what is asked."""
        reader, writer = await asyncio.open_connection("127.0.0.1", self._port)
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._answer(group))
                while line := (await reader.readline()).decode("ascii").rstrip("\r\n"):
                    what, _, value = line.partition(" ")
                    before = dict(self._face)
                    self._face[what] = value
                    if what in before and not self._habits.walks:
                        self._changed(group, before)
        finally:
            writer.close()

    def _changed(self, group: asyncio.TaskGroup, before: dict[str, str]) -> None:
        now = self._face
        self._lit |= {(sign, label) for _, _, sign, label, _ in self._signs() if self.sees(sign, label)}
        for on, off, sign, label, asked in self._signs():
            was = before.get("SHOWS") == label if sign == "text" else before.get(sign.upper()) == "ON"
            is_on = now.get("SHOWS") == label if sign == "text" else now.get(sign.upper()) == "ON"
            if was != is_on and not asked and self._random.random() >= self._habits.overlooks:
                group.create_task(self._report(sign, label, (on, off), may_err=True))

    async def _answer(self, group: asyncio.TaskGroup) -> None:
        """Look at the screen ten times a second for questions; each is answered once."""
        while True:
            await asyncio.sleep(0.1)
            question = self._question()
            if question != self._looked_for and not question.endswith("off all the time?"):
                self._looked_for = question
                self._lit = {(sign, label) for _, _, sign, label, _ in self._signs() if self.sees(sign, label)}
            asked = {(question, it[2], it[3]): it for it in self._signs() if it[4]}
            self._answering &= set(asked)
            for key, (on, off, sign, label, _) in asked.items():
                if key not in self._answering:
                    self._answering.add(key)
                    if self._random.random() < self._habits.silent:
                        continue
                    answer = self._walk if self._habits.walks else self._report
                    if self._is_asked_whether_it_stayed():
                        answer = self._stayed
                    group.create_task(self._answered(answer(sign, label, (on, off)), key))

    async def _answered(self, answer: Coroutine[None, None, None], key: tuple[str, str, str]) -> None:
        """Once it has answered, and the screen knows, the same question is a new one."""
        await answer
        await asyncio.sleep(0.1)
        self._answering.discard(key)

    async def _walk(self, sign: str, label: str, keys: tuple[str, str]) -> None:
        """There, look, and back."""
        there_s = self._random.uniform(self._habits.least_s, self._habits.most_s) / 2
        await asyncio.sleep(there_s)
        key = keys[0] if self.sees(sign, label) else keys[1]
        await asyncio.sleep(there_s)
        async with self._hand:
            self._type(key)

    async def _report(self, sign: str, label: str, keys: tuple[str, str], *, may_err: bool = False) -> None:
        """What is seen now is reported after the reaction time, of one sign in the order in which it was seen.

        A wrong key is taken back, and the right one pressed. Where that takes longer than the reaction time, the robot
        looks again: nothing older than its reaction time is ever reported.
        """
        clock, habits = asyncio.get_running_loop().time, self._habits
        is_on, seen_s = self.sees(sign, label), clock()
        due_s = seen_s + self._random.uniform(habits.least_s, habits.most_s)
        async with self._orders[sign, label]:
            await asyncio.sleep(max(0.0, due_s - clock()))
            async with self._hand:
                if may_err and self._random.random() < habits.wrong_key:
                    await self._err(keys)
                if clock() > seen_s + habits.most_s:
                    is_on = self.sees(sign, label)
                    await asyncio.sleep(habits.least_s)
                self._type(keys[0] if is_on else keys[1])

    async def _stayed(self, sign: str, label: str, keys: tuple[str, str]) -> None:
        """One answer for all that is asked: nothing came on, or it cannot say so."""
        await asyncio.sleep(self._random.uniform(self._habits.least_s, self._habits.most_s))
        async with self._hand:
            asked = {(sign, label) for _, _, sign, label, is_asked in self._signs() if is_asked}
            if asked and self._is_asked_whether_it_stayed():
                self._type("-" if asked & self._lit else "y")

    def _is_asked_whether_it_stayed(self) -> bool:
        return any(line.lstrip().startswith("y ") for line in self._screen())

    async def _err(self, keys: tuple[str, str]) -> None:
        others = [it for on, off, *_ in self._signs() for it in (on, off) if it not in keys]
        if others:
            self._type(self._random.choice(others))
            await asyncio.sleep(self._random.uniform(0.3, 0.8))
            self._type("u")
            self.undone += 1
            await asyncio.sleep(self._random.uniform(0.1, 0.4))

    def _question(self) -> str:
        """What the person is to do, as the screen says it."""
        return next((line for line in self._screen() if line.startswith("> ")), "")

    def _type(self, key: str) -> None:
        self.pressed += 1
        os.write(self._terminal, key.encode())

    def _signs(self) -> list[tuple[str, str, str, str, bool]]:
        """The signs on the screen: key for on, key for off, what it is, its label, whether it is asked for."""
        found = []
        for line in self._screen():
            match = SIGN_LINE.match(line)
            if match is not None:
                found.append((match["on"], match["off"], match["sign"], match["label"], match["asked"] == "?"))
        return found
