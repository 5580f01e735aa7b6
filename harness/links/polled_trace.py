"""From polled blocks to the trace of one place, whether its bits, its registers or its objects were polled. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from harness.core.places import BacnetPlace, ModbusPlace, Place
from harness.core.trace import Trace
from harness.links.bacnet_values import OBJECT_BYTES, index_of
from harness.links.base import AnyBlock, Block, ObjectBlock
from harness.links.seen import Polls

State = Callable[[Place, AnyBlock, bytes], bool | None]


def polled_trace(
    name: str,
    place: Place,
    blocks: Sequence[AnyBlock],
    polls_of: Callable[[int], Polls],
    state: State,
    *,
    in_order: bool = False,
) -> Trace | None:
    """The trace of one place from all blocks that held it; None where none did. ``in_order``: see `polled_states`."""
    found = polled_states(place, blocks, polls_of, state, in_order=in_order)
    return None if found is None else trace_of_runs(name, *found)


def polled_states(
    place: Place,
    blocks: Sequence[AnyBlock],
    polls_of: Callable[[int], Polls],
    state: State,
    *,
    in_order: bool = False,
) -> _Part | None:
    """What each poll said of one place, from all blocks that held it; None where none did.

    Samples of one block are in their order. Where several blocks held the place, a sample that overlaps the one before
    it is left out: their order is not known. ``in_order``: the device takes its values in the order of its answers, as
    a unit of a serial bus does, so that none needs to be left out.
    """
    parts = [_block_states(place, block, polls_of(block.id), state) for block in blocks if block.holds(place)]
    parts = [part for part in parts if len(part[0])]
    if not parts:
        return None
    if len(parts) == 1:
        return parts[0]
    asked = np.concatenate([part[0] for part in parts])
    told = np.concatenate([part[1] for part in parts])
    on = np.concatenate([expand(part[2], part[3], len(part[0])) for part in parts])
    if in_order:
        return _in_order(asked, told, on)
    order = np.argsort(asked, kind="stable")
    asked, told, on = asked[order], told[order], on[order]
    keep = np.concatenate(([True], asked[1:] >= np.maximum.accumulate(told)[:-1]))
    return asked[keep], told[keep], np.arange(int(keep.sum())), on[keep]


def _in_order(asked: _Instants, told: _Instants, on: _States) -> _Part:
    """Samples of several blocks in the order of their answers.

    What one read of ours brought came in an order that is lost: of samples that differ there, those that are off are
    left out. That only widens bounds, and nothing that was read to be on is forgotten.
    """
    order = np.lexsort((asked, told))
    asked, told, on = asked[order], told[order], on[order]
    _, read = np.unique(told, return_inverse=True)
    was_on = np.zeros(int(read[-1]) + 1, dtype=np.bool_)
    was_on[read[on == 1]] = True
    keep = (on != 0) | ~was_on[read]
    asked = np.maximum.accumulate(asked[keep])
    return asked, told[keep], np.arange(int(keep.sum())), on[keep]


_Instants = np.ndarray[tuple[int], np.dtype[np.int64]]
_States = np.ndarray[tuple[int], np.dtype[np.int8]]
_Part = tuple[_Instants, _Instants, _Instants, _States]
"""asked (n,), told (n,), starts (m,) of payload runs, states (m,): 1 on, 0 off, -1 no value."""


def _block_states(place: Place, block: AnyBlock, polls: Polls, state: State) -> _Part:
    """Decodes each distinct value of the place once, however many payloads hold it."""
    if not polls.payloads:
        return polls.asked, polls.told, polls.starts, np.zeros(0, dtype=np.int8)
    packed = np.frombuffer(b"".join(polls.payloads), dtype=np.uint8).reshape(len(polls.payloads), -1)
    _, index, inverse = np.unique(_keys(packed[:, _columns(place, block)]), return_index=True, return_inverse=True)
    decoded = [state(place, block, polls.payloads[at]) for at in index.tolist()]
    states = np.array([-1 if on is None else int(on) for on in decoded], dtype=np.int8)
    return polls.asked, polls.told, polls.starts, states[inverse]


def _keys(mine: np.ndarray[tuple[int, int], np.dtype[np.uint8]]) -> np.ndarray[tuple[int], np.dtype[np.uint64]]:
    """One number for each row, equal where the rows are."""
    if mine.shape[1] <= 8:
        keys: np.ndarray[tuple[int], np.dtype[np.uint64]] = mine @ 256 ** np.arange(mine.shape[1], dtype=np.uint64)
        return keys
    numbers: dict[bytes, int] = {}
    return np.array([numbers.setdefault(row.tobytes(), len(numbers)) for row in mine], dtype=np.uint64)


def _columns(place: Place, block: AnyBlock) -> slice:
    """The bytes of a payload that tell the place."""
    if isinstance(place, BacnetPlace) and isinstance(block, ObjectBlock):
        first = index_of(place, block) * OBJECT_BYTES
        return slice(first, first + OBJECT_BYTES)
    if not (isinstance(place, ModbusPlace) and isinstance(block, Block)):
        raise TypeError(f"block {block.id} of {block.link} holds no such place: {place}")
    first = place.address - block.address
    if place.table.is_bits:
        return slice(first >> 3, (first >> 3) + 1)
    return slice(2 * first, 2 * (first + place.count))


def expand(starts: _Instants, states: _States, count: int) -> _States:
    """One state a sample, from one a run."""
    return np.repeat(states, np.diff(np.append(starts, count)))


def trace_of_runs(name: str, asked: _Instants, told: _Instants, starts: _Instants, states: _States) -> Trace:
    """Runs of equal payload merged into runs of equal state; samples without a value are left out."""
    if np.any(states < 0):
        full = expand(starts, states, len(asked))
        keep = full >= 0
        asked, told, states = asked[keep], told[keep], full[keep]
        starts = np.arange(len(states))
    if not len(states):
        return Trace.from_states(name, asked, told, states.astype(np.bool_))
    change = np.concatenate(([True], states[1:] != states[:-1]))
    starts = np.asarray(starts[change], dtype=np.int64)
    return Trace(
        point=name,
        lo=asked,
        hi=told,
        starts=starts,
        first_on=bool(states[0]),
        edges=np.zeros(len(starts), dtype=np.bool_),
    )
