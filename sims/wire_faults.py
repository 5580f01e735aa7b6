"""What can go wrong with an answer on its way to the client: late, lost, cut in half, or the connection reset."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Sequence
from typing import Final

from sims.defect_kinds import Name
from sims.defects import Defect
from sims.durations import NS_PER_S
from sims.points import Place
from sims.wire import deliver_whole, reset

_ON_THE_WIRE: Final = (Name.DROPPED_ANSWERS, Name.LATE_ANSWERS, Name.RESETS, Name.HALF_FRAMES)


class WireFaults:
    """Decides the fate of each answer or line of one device, in their order, from the seed."""

    def __init__(
        self, place: Place, defects: Sequence[Defect], seed: int | str, log: Callable[[Defect, str], None]
    ) -> None:
        self._defects = [d for d in defects if d.place is place and d.name in _ON_THE_WIRE]
        self._dice = random.Random(f"{seed}/{place}/wire")
        self._log = log

    def fate(self, what: bytes) -> Defect | None:
        """The defect that meets the next answer or line, or None."""
        for defect in self._defects:
            if self._dice.random() < (defect.share or 0.0):
                self._log(defect, what.hex(" "))
                return defect
        return None

    async def deliver(self, answer: bytes, client: asyncio.StreamWriter) -> None:
        """Send an answer, or what its fate leaves of it. Raises ConnectionResetError where it resets."""
        defect = self.fate(answer)
        if defect is None:
            await deliver_whole(answer, client)
        elif defect.name is Name.LATE_ANSWERS:
            await asyncio.sleep((defect.duration_ns or 0) / NS_PER_S)
            await deliver_whole(answer, client)
        elif defect.name is Name.HALF_FRAMES:
            await deliver_whole(answer[: len(answer) // 2], client)
        elif defect.name is Name.RESETS:
            reset(client.transport)
            raise ConnectionResetError("reset on purpose")
