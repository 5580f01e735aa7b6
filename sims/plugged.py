"""The way from the controller to an output that is plugged in: shaped and delayed as every other one."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence

from sims.controller import Situation
from sims.defects import Defect
from sims.output import Output, Value
from sims.points import Point
from sims.shaping import Sender, Shaper


class Plugged:
    """One output, and what it was last meant to show."""

    def __init__(self, output: Output, defects: Sequence[Defect], sender: Sender) -> None:
        self.output = output
        self.defects = tuple(defect for defect in defects if defect.place.device == output.name)
        self.initial: tuple[Value, ...] = ()
        self._shaper = Shaper(self.defects)
        self._sender = sender
        self._situation: Situation | None = None
        self._meant: dict[Point, int] = {}

    def start(self, situation: Situation, still: Callable[[Point], bool]) -> None:
        """Find out what it shows from the start."""
        self._situation = situation
        self._meant = self._shape(self.output.meant(situation))
        self.initial = tuple(Value(point, value) for point, value in self._meant.items() if value and not still(point))

    def show(self, situation: Situation, now_ns: int) -> None:
        """The controller's alarms stand like this now."""
        self._situation = situation
        if meant := self.output.meant(situation):
            self._send(self._shape(meant), now_ns)

    def offer(self, meant: Mapping[Point, int]) -> None:
        """The output found its values by itself."""
        self._send(self._shape(meant), time.monotonic_ns())

    def _shape(self, meant: Mapping[Point, int]) -> dict[Point, int]:
        states = {} if self._situation is None else self._situation.states
        return self._shaper.shape(meant, states) if meant else {}

    def _send(self, shaped: dict[Point, int], now_ns: int) -> None:
        for point, value in shaped.items():
            if value != self._meant.get(point, 0):
                self._sender.send(point, value, now_ns + self.output.delay_ns)
        self._meant = shaped
