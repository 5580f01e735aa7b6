"""The analog module of the bus: three level loops, each read by a noisy converter of 12 bits over 0 to 24 mA."""

from __future__ import annotations

import random
import time
from collections.abc import Sequence
from typing import Final

from sims.defect_kinds import Name
from sims.defects import Defect
from sims.levels import Levels, conditions_at, ma_of
from sims.output import Surroundings, Value
from sims.points import LEVEL_CONDITIONS, TANKS, Place, Point, Table, point_of
from sims.rtu import ILLEGAL_ADDRESS

FULL_SCALE_MA: Final = 24.0
COUNTS_MAX: Final = 4095
NOISE_COUNTS: Final = 1
CLIPS_MA: Final = (4.0, 20.0)


class AnalogModule:
    """Input registers 0, 1, 2: raw counts of the loops of the tanks, made up when they are read."""

    def __init__(self, seed: int, failure_ma: float, defects: Sequence[Defect]) -> None:
        """``failure_ma``: the current of a loop whose probe has failed."""
        self._failure_ma = failure_ma
        self._kinds = {defect.name: defect for defect in defects if defect.place in (Place.BUS_LOOP, Place.BUS_ALL)}
        self._levels = Levels(seed)
        self._dice = random.Random(f"{seed}/converter")
        self._surroundings: Surroundings | None = None
        self._raised: dict[str, frozenset[str]] = dict.fromkeys(TANKS, frozenset())
        self._seen: dict[Point, int] = {}
        self._stuck: list[int] | None = None
        self._zeros = Name.ZEROS in self._kinds

    def start(self, surroundings: Surroundings) -> list[Value]:
        """Returns what a reader finds from the start, other than 0."""
        self._surroundings = surroundings
        self._raise([it for it in surroundings.initial if it.point.place is Place.BUS_LOOP])
        self._seen = self._conditions()
        return [Value(point, value) for point, value in self._seen.items() if value]

    def show(self, values: Sequence[Value]) -> list[Value]:
        """Drive the loops, and return what a reader now finds otherwise than before."""
        self._raise(values)
        before, self._seen = self._seen, self._conditions()
        return [Value(point, value) for point, value in self._seen.items() if value != before[point]]

    def read(self, table: Table, address: int, count: int) -> list[int] | int:
        """The counts of now. Called from the thread of the bus."""
        if table is not Table.INPUT_REGISTER or address + count > len(TANKS):
            return ILLEGAL_ADDRESS
        if self._zeros:
            return [0] * count
        assert self._surroundings is not None  # noqa: S101 - nobody reads before the start
        if self._surroundings.is_still(Place.BUS_LOOP):
            if self._stuck is None:
                self._stuck = [self._counts(tank) for tank in TANKS]
            return self._stuck[address : address + count]
        return [self._counts(tank) for tank in TANKS[address : address + count]]

    def _raise(self, values: Sequence[Value]) -> None:
        for point, value in values:
            tank, _, condition = point.signal.partition(".")
            self._raised[tank] = self._raised[tank] - {condition} | ({condition} if value else set())

    def _conditions(self) -> dict[Point, int]:
        return {
            point_of(Place.BUS_LOOP, f"{tank}.{condition}"): int(condition in found)
            for tank in TANKS
            for found in (conditions_at(self._ma(tank)),)
            for condition in LEVEL_CONDITIONS
        }

    def _counts(self, tank: str) -> int:
        counts = round(self._ma(tank) / FULL_SCALE_MA * COUNTS_MAX)
        return min(max(counts + self._dice.randint(-NOISE_COUNTS, NOISE_COUNTS), 0), COUNTS_MAX)

    def _ma(self, tank: str) -> float:
        """What the converter takes the current for."""
        assert self._surroundings is not None  # noqa: S101 - nobody reads before the start
        if self._zeros:
            return 0.0
        raised = self._raised[tank]
        if "probe-fault" in raised and Name.NO_FAILURE_CURRENT not in self._kinds:
            ma = self._failure_ma
        else:
            percent = self._levels.percent(tank, raised, time.monotonic_ns() - self._surroundings.started_ns)
            ma = ma_of(100.0 - percent if Name.REVERSED_LOOP in self._kinds else percent)
        if (scaled := self._kinds.get(Name.WRONG_SCALE)) is not None:
            ma *= scaled.share or 1.0
        if Name.CLIPPED_LOOP in self._kinds:
            ma = min(max(ma, CLIPS_MA[0]), CLIPS_MA[1])
        return ma
