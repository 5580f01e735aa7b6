"""What the polls of a BACnet object read of the state that should be told: in order of asking. Pure functions."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.core.places import BacnetPlace
from harness.links import bacnet_values
from harness.links.bacnet_states import state_read
from harness.links.bacnet_values import OBJECT_BYTES
from harness.links.base import ObjectBlock
from harness.links.seen import Polls

_Instants = np.ndarray[tuple[int], np.dtype[np.int64]]

_NONE: Final[_Instants] = np.zeros(0, dtype=np.int64)


@dataclass(frozen=True, slots=True)
class ReadStates:
    """Wherever an object's state was read: ``asked`` and ``told`` (n,) int64 in order of asking, ``on`` (n,)."""

    asked: _Instants
    told: _Instants
    on: np.ndarray[tuple[int], np.dtype[np.bool_]]

    def first_from(self, since_ns: int, *, off: bool = False) -> tuple[int, int, bool] | None:
        """(asked, told, on) of the first that was asked at or after an instant; with ``off`` the first that was off."""
        at = int(np.searchsorted(self.asked, since_ns))
        if off:
            later = np.flatnonzero(~self.on[at:])
            at = at + int(later[0]) if len(later) else len(self.asked)
        return None if at == len(self.asked) else (int(self.asked[at]), int(self.told[at]), bool(self.on[at]))


NOTHING_READ: Final = ReadStates(_NONE, _NONE, _NONE != 0)
"""Of what is not polled."""


def read_states(place: BacnetPlace, polls: Iterable[tuple[ObjectBlock, Polls]]) -> ReadStates:
    """Of all blocks that read the object. What does not tell whether the alarm is up is left out."""
    mine = (place.object_type, place.instance)
    asked, told, on = [_NONE], [_NONE], [_NONE]
    for block, seen in polls:
        if mine not in block.objects or not len(seen):
            continue
        index = block.objects.index(mine)
        known: dict[bytes, int] = {}
        states = []
        for payload in seen.payloads:
            octets = payload[index * OBJECT_BYTES : (index + 1) * OBJECT_BYTES]
            if octets not in known:
                is_on = state_read(place, bacnet_values.unpack(octets, 0))
                known[octets] = -1 if is_on is None else int(is_on)
            states.append(known[octets])
        lengths = np.diff(np.append(seen.starts, len(seen)))
        every = np.repeat(np.array(states, dtype=np.int64), lengths)
        asked.append(seen.asked[every >= 0])
        told.append(seen.told[every >= 0])
        on.append(every[every >= 0])
    columns = [np.concatenate(it) for it in (asked, told, on)]
    order = np.lexsort(columns[::-1])
    return ReadStates(columns[0][order], columns[1][order], columns[2][order] != 0)
