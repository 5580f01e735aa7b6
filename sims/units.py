"""The units of the bus: who answers to which address, and what a defect makes of an answer."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final, NamedTuple

from sims.defect_kinds import Name
from sims.defects import Defect
from sims.outputs import Image
from sims.points import BIT_TABLES, OTHER_TABLE, UNITS, Place, Table, parts
from sims.rtu import ILLEGAL_ADDRESS, Read, answer, framed
from sims.wire_faults import WireFaults

_MOVED: Final = (Name.SWAPPED_UNITS, Name.WRONG_UNIT)


class Answer(NamedTuple):
    """What a unit puts on the line, and how long it waits before."""

    frame: bytes
    after_ns: int


class Unit:
    """One unit with its own number, at whatever address it listens."""

    def __init__(
        self, number: int, read: Read, defects: Sequence[Defect], seed: int, log: Callable[[Defect, str], None]
    ) -> None:
        self.place = UNITS[number]
        self._read = read
        mine = [replace(defect, place=self.place) for defect in defects if self.place in parts(defect.place)]
        self._kinds = {defect.name: defect for defect in mine}
        self._faults = WireFaults(self.place, mine, seed, log)
        self._dice = random.Random(f"{seed}/{self.place}/noise")
        self._log = log

    def answer(self, address: int, pdu: bytes) -> Answer | None:
        """What it answers to a request at the address at which it listens."""
        if Name.DEAD_UNIT in self._kinds:
            return None
        read = self._read
        if (refused := self._kinds.get(Name.EXCEPTIONS)) is not None:
            code = refused.code or 0
            read = lambda _table, _address, _count: code  # noqa: E731
        if Name.OTHER_TABLE in self._kinds:
            read = _in_the_other_table(read)
        foreign = self._kinds.get(Name.FOREIGN_ANSWERS)
        frame = framed(address if foreign is None else foreign.number or 0, answer(pdu, read))
        slow = self._kinds.get(Name.SLOW_UNIT)
        return self._spoilt(frame, 0 if slow is None else slow.duration_ns or 0)

    def _spoilt(self, frame: bytes, after_ns: int) -> Answer | None:
        noise = self._kinds.get(Name.NOISE)
        if noise is not None and self._dice.random() < (noise.share or 0.0):
            self._log(noise, frame.hex(" "))
            bit = self._dice.randrange(8 * len(frame))
            noisy = bytearray(frame)
            noisy[bit // 8] ^= 1 << bit % 8
            frame = bytes(noisy)
        fate = self._faults.fate(frame)
        if fate is None:
            return Answer(frame, after_ns)
        if fate.name is Name.DROPPED_ANSWERS:
            return None
        if fate.name is Name.HALF_FRAMES:
            return Answer(frame[: len(frame) // 2], after_ns)
        return Answer(frame, after_ns + (fate.duration_ns or 0))


def _in_the_other_table(read: Read) -> Read:
    """Bits are found as coils and not as discrete inputs, input registers as holding registers."""
    return lambda table, address, count: read(OTHER_TABLE[table], address, count)


def reading(image: Image) -> Read:
    """Reads values of an image, at the very instant of the call."""

    def read(table: Table, address: int, count: int) -> list[int] | int:
        if table not in BIT_TABLES:
            return (
                image.words[table][address : address + count]
                if image.exists(table, address, count)
                else (ILLEGAL_ADDRESS)
            )
        first, last = address // 16, (address + count - 1) // 16
        if not image.exists(table, first, last - first + 1):
            return ILLEGAL_ADDRESS
        words = image.words[table][first : last + 1]
        return [words[bit // 16] >> bit % 16 & 1 for bit in range(address % 16, address % 16 + count)]

    return read


def at_addresses(defects: Sequence[Defect]) -> dict[int, int]:
    """The number of the unit that listens at each address."""
    listening = {number: number for number in UNITS}
    for defect in defects:
        if defect.name not in _MOVED or defect.number is None:
            continue
        mine = number_of(defect.place)
        if defect.name is Name.WRONG_UNIT:
            listening = {address: number for address, number in listening.items() if number != mine}
            listening[defect.number] = mine
        else:
            listening[mine], listening[defect.number] = listening[defect.number], listening[mine]
    return listening


def number_of(place: Place) -> int:
    """The number of the unit that a place is."""
    return next(number for number, each in UNITS.items() if each is place)
