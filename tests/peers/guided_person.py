"""A robot in place of a person who raises alarms by hand: acts at the simulated panel, and presses the keys of a guide.

Between what it does and its key lies what lies there with people: a little before, a little later, much later and
then said so, or done before anybody asked. Its times come from seeded random numbers; nothing else is known to it.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from random import Random

from harness.cli.guide_keys import ENTER, LATE, STEPS, GuideKeys
from harness.core.model import Step
from harness.links.person_reports import Reports
from harness.run.guide import ANSWER_LEAST_NS, Guide, Proposal
from sims import SimulatedSite
from sims.controller import Action

BEFORE_S = 0.08
"""At most so long before it acts it presses the key of what it does."""

KEYS = {step: key for key, step in STEPS.items()}
ACTIONS = {step: Action[step.name] for step in Step}


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """How it works. Shares are probabilities, tried in this order for each step; the rest is done as asked.

    ``late``: the key comes much later, and then the one that says so. ``silent_late``: much later, and it says nothing.
    ``early``: done before it is asked, with the key of its own. ``just_before``: done before it is asked, and Enter as
    soon as it is asked. ``twice``: Enter once more. ``silences``: it silences each alarm, whether anybody asks or not.
    ``within_s``: how late its key comes otherwise.
    """

    within_s: float
    late: float = 0.0
    silent_late: float = 0.0
    early: float = 0.0
    just_before: float = 0.0
    twice: float = 0.0
    silences: bool = False
    think_s: tuple[float, float] = (0.3, 2.0)


class GuidedPerson:
    """``attend`` is handed to a run. ``raises``: the alarm that it takes for the one that is asked for."""

    def __init__(
        self,
        guide: Guide,
        sim: SimulatedSite,
        clock: Callable[[], int],
        random: Random,
        ways: Ways,
        *,
        raises: Callable[[str], str] = lambda alarm: alarm,
    ) -> None:
        self._guide = guide
        self._keys = GuideKeys(guide)
        self._sim = sim
        self._clock = clock
        self._random = random
        self._ways = ways
        self._raises = raises
        self._news = asyncio.Event()
        self.counted: Counter[str] = Counter()

    async def attend(self, people: Sequence[Reports]) -> None:
        """Until cancelled."""
        del people
        with self._guide.attached(self._news.set):
            while True:
                asked = await self._asked()
                step = asked.step
                assert step is not None
                await self._answer(asked.alarm, step)
                if step is Step.RAISE:
                    await self._ahead(asked.alarm)
                    if self._ways.silences:
                        self._act(asked.alarm, Step.SILENCE)
                        self._press(KEYS[Step.SILENCE])

    async def _asked(self) -> Proposal:
        while (asked := self._guide.pending()).step is None:
            self._news.clear()
            await self._news.wait()
        return asked

    async def _answer(self, alarm: str, step: Step) -> None:
        ways, draw = self._ways, self._random.random()
        await asyncio.sleep(self._random.uniform(*ways.think_s))
        if draw < ways.late + ways.silent_late:
            self._act(alarm, step)
            await asyncio.sleep(self._random.uniform(ways.within_s, ways.within_s + 4))
            self._press(ENTER[0])
            await asyncio.sleep(0)
            if draw < ways.late and self._guide.pending().late_step is step:
                self._press(LATE)
                self.counted["late"] += 1
            return
        behind_s = self._random.uniform(-BEFORE_S, ways.within_s - 0.05)
        if behind_s < 0:
            await self._soon_enough()
            self._press(ENTER[0])
            await asyncio.sleep(-behind_s)
            self._act(alarm, step)
        else:
            self._act(alarm, step)
            await asyncio.sleep(behind_s)
            self._press(ENTER[0])
        if self._random.random() < ways.twice:
            await asyncio.sleep(0.1)
            self._press(ENTER[0])
            self.counted["twice"] += 1

    async def _ahead(self, alarm: str) -> None:
        """Something that nobody has asked for yet."""
        draw, ways = self._random.random(), self._ways
        if draw >= ways.early + ways.just_before:
            return
        step = self._random.choice([Step.ACKNOWLEDGE, Step.CLEAR])
        await asyncio.sleep(self._random.uniform(0.05, 0.5))
        if self._guide.pending().step is not None or self._guide.pending().alarm != alarm:
            return
        self._act(alarm, step)
        if draw < ways.early:
            await asyncio.sleep(self._random.uniform(0, ways.within_s - 0.05))
            self._press(KEYS[step])
            self.counted["early"] += 1
            return
        until_ns = self._clock() + round((ways.within_s - 0.05) * 1e9)
        while self._clock() < until_ns:
            asked = self._guide.pending()
            if asked.step is step and self._clock() > asked.since_ns + ANSWER_LEAST_NS:
                self._press(ENTER[0])
                self.counted["just before"] += 1
                return
            await asyncio.sleep(0.02)
        self._press(KEYS[step])  # it takes too long: the key of its own

    async def _soon_enough(self) -> None:
        left_ns = self._guide.pending().since_ns + ANSWER_LEAST_NS - self._clock()
        await asyncio.sleep(max(0, left_ns + 1) / 1e9)

    def _act(self, alarm: str, step: Step) -> None:
        self._sim.command(self._raises(alarm), ACTIONS[step])

    def _press(self, key: str) -> None:
        self._keys.press(key, self._clock())
