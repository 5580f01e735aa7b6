"""A robot in place of the person: sees the face of the simulated annunciator, and presses keys with a reaction time.

It looks at the face over TCP, as a person looks at the front, and presses the keys that the screen shows, as a person
reads them there. When it reports and what it gets wrong comes from its random numbers; nothing else is known to it.
"""

from __future__ import annotations

import asyncio
import os
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from random import Random
from typing import Final

SIGN_LINE: Final = re.compile(
    r"^(?P<asked>[? ]) (?P<on>\S) (?:lit|sounding|shown)  (?P<off>\S) .*? (?P<sign>lamp|horn|text) (?P<label>.*?): "
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """How the robot behaves. Shares are probabilities; ``least_s`` to ``most_s`` is its reaction time."""

    least_s: float
    most_s: float
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
        self._tasks: set[asyncio.Task[None]] = set()
        self._hand = asyncio.Lock()
        self._answering: set[str] = set()
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
                    if what in before:
                        self._changed(group, before)
        finally:
            writer.close()

    def _changed(self, group: asyncio.TaskGroup, before: dict[str, str]) -> None:
        now = self._face
        for on, off, sign, label, asked in self._signs():
            was = before.get("SHOWS") == label if sign == "text" else before.get(sign.upper()) == "ON"
            is_on = now.get("SHOWS") == label if sign == "text" else now.get(sign.upper()) == "ON"
            if was != is_on and not asked and self._random.random() >= self._habits.overlooks:
                group.create_task(self._press(on if is_on else off, (on, off)))

    async def _answer(self, group: asyncio.TaskGroup) -> None:
        """Look at the screen ten times a second for questions; each is answered once, by what the face shows then."""
        while True:
            await asyncio.sleep(0.1)
            signs = self._signs()
            asked = {f"{sign} {label}" for _, _, sign, label, is_asked in signs if is_asked}
            self._answering &= asked
            for on, off, sign, label, is_asked in signs:
                name = f"{sign} {label}"
                if is_asked and name not in self._answering:
                    self._answering.add(name)
                    if self._random.random() >= self._habits.silent:
                        group.create_task(self._press(on if self.sees(sign, label) else off, (on, off), wrong=False))

    async def _press(self, key: str, keys: tuple[str, str], *, wrong: bool = True) -> None:
        """What was seen is reported after the reaction time. A wrong key is taken back, and the right one pressed."""
        await asyncio.sleep(self._random.uniform(self._habits.least_s, self._habits.most_s))
        async with self._hand:
            if wrong and self._random.random() < self._habits.wrong_key:
                others = [it for on, off, *_ in self._signs() for it in (on, off) if it not in keys]
                if others:
                    self._type(self._random.choice(others))
                    await asyncio.sleep(self._random.uniform(0.3, 0.8))
                    self._type("u")
                    self.undone += 1
                    await asyncio.sleep(self._random.uniform(0.1, 0.4))
            self._type(key)

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
