"""A robot in place of a person: reads the face of the simulated annunciator and reports what it saw, as a page would.

It looks at the face over TCP, and knows nothing else. Each change is reported a reaction time later, and each question
is answered by what the face showed a reaction time before; both come from seeded random numbers.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from random import Random

from harness.core.places import Sign
from harness.links.person_reports import Reports, WatchedSign, attached


class RobotPerson:
    """Reports for one person; ``attend`` is handed to a run. Reaction times are uniform in ns."""

    def __init__(self, port: int, clock: Callable[[], int], random: Random, least_ns: int, most_ns: int) -> None:
        self._port = port
        self._clock = clock
        self._random = random
        self._least_ns = least_ns
        self._most_ns = most_ns
        self._face: dict[str, str] = {}
        self._last_ns: dict[str, int] = {}
        self._answering: set[str] = set()
        self._asked = asyncio.Event()
        self.reports = 0

    async def attend(self, people: Sequence[Reports]) -> None:
        """Until cancelled."""
        (mine,) = people
        reader, writer = await asyncio.open_connection("127.0.0.1", self._port)
        try:
            with attached(people, "robot"):
                mine.subscribe(self._asked.set)
                async with asyncio.TaskGroup() as group:
                    group.create_task(self._answer(mine), name="robot answers")
                    while line := (await reader.readline()).decode("ascii").rstrip("\r\n"):
                        self._see(mine, *line.split(" ", 1))
        finally:
            writer.close()

    def _see(self, mine: Reports, what: str, value: str) -> None:
        signs = mine.pending().signs
        before = {it.point: self._shows(it) for it in signs} if what in self._face else {}
        self._face[what] = value
        for sign in signs:
            on = self._shows(sign)
            if before.get(sign.point, on) != on:
                self._say(mine, sign.point, on)
        self._asked.set()

    async def _answer(self, mine: Reports) -> None:
        while True:
            await self._asked.wait()
            self._asked.clear()
            asked = [it for it in mine.pending().signs if it.is_asked and it.point not in self._answering]
            for sign in asked if len(self._face) == len(Sign) else ():
                self._answering.add(sign.point)
                self._say(mine, sign.point, self._shows(sign))

    def _shows(self, sign: WatchedSign) -> bool:
        if sign.sign is Sign.TEXT:
            return self._face.get("SHOWS") == sign.label
        return self._face.get(sign.sign.value.upper()) == "ON"

    def _say(self, mine: Reports, point: str, on: bool) -> None:
        """Report what was seen now, a reaction time later; of one sign in the order in which it was seen."""
        now_ns = self._clock()
        at_ns = now_ns + self._random.randrange(self._least_ns, self._most_ns)
        at_ns = max(at_ns, self._last_ns.get(point, 0) + 1)
        self._last_ns[point] = at_ns

        def said() -> None:
            self.reports += 1
            self._answering.discard(point)
            mine.report(point, on, at_ns)

        asyncio.get_running_loop().call_later((at_ns - now_ns) / 1e9, said)
