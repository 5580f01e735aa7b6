"""From what was recorded, or is still in memory, to the evidence that the correlator takes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Final, Protocol

import numpy as np

from harness.core.instants import Bounds
from harness.core.model import ModbusTcpLink, Point, Site, Stimulus, TextLink
from harness.core.places import ModbusPlace, TextPlace
from harness.core.trace import Trace
from harness.correlate.evidence import BlindTime, Evidence, Neighbour
from harness.links.base import Block, LinkState
from harness.links.modbus_values import is_on
from harness.links.seen import Dropped, Failure, Line, StateChange
from harness.links.text_trace import text_trace
from harness.record.found import Polls

CHANGES_SPARE: Final = 16
"""An unmapped bit may change twice a stimulus, and so often beyond it, before it counts as part of a number."""


class Source(Protocol):
    """Where observations come from: a record on disk, or the memory of a run that is going on."""

    def blocks(self) -> tuple[Block, ...]:
        """Every block, in the order in which they were announced."""

    def polls(self, block_id: int) -> Polls:
        """Every answered poll of a block."""

    def failures(self, block_id: int) -> tuple[Failure, ...]:
        """The polls of a block without a usable answer."""

    def lines(self, link: str) -> tuple[Line, ...]:
        """The lines that a text link printed."""

    def link_states(self, link: str) -> tuple[StateChange, ...]:
        """When a link came up and went down."""

    def dropped(self, link: str) -> tuple[Dropped, ...]:
        """Bytes of a link that did not fit."""


def evidence_of(source: Source, site: Site, stimuli: Iterable[Stimulus], start_ns: int, end_ns: int) -> Evidence:
    """The evidence of one run from ``start_ns`` to ``end_ns``, decoded as ``site`` maps it.

    A point that no block held has no trace: it was not observed, whatever the point map expects of it.
    """
    known = tuple(stimuli)
    blocks: dict[tuple[str, int], list[Block]] = defaultdict(list)
    for block in source.blocks():
        blocks[block.link, block.unit].append(block)
    traces: dict[str, Trace] = {}
    mapped: dict[str, list[ModbusPlace]] = defaultdict(list)
    for point in site.points.values():
        place = point.place
        if isinstance(place, ModbusPlace):
            mapped[point.link].append(place)
            trace = modbus_trace(point.name, place, blocks[point.link, place.unit], source.polls)
        else:
            trace = _text(source, site, point, place, start_ns, end_ns)
        if trace is not None and len(trace):
            traces[point.name] = trace
    return Evidence(
        stimuli=known,
        traces=traces,
        neighbours=tuple(_neighbours(source, mapped, 2 * len(known) + CHANGES_SPARE)),
        blind=tuple(blind_times(source, site, start_ns, end_ns)),
    )


def modbus_trace(
    name: str, place: ModbusPlace, blocks: Sequence[Block], polls_of: Callable[[int], Polls]
) -> Trace | None:
    """The trace of one place from all blocks that held it; None where none did.

    A block is asked one poll at a time, so its samples do not overlap. Where several blocks held the place, a sample
    that overlaps the one before it is left out: their order is not known.
    """
    parts = [_block_states(place, block, polls_of(block.id)) for block in blocks if block.holds(place)]
    parts = [part for part in parts if len(part[0])]
    if not parts:
        return None
    if len(parts) == 1:
        asked, told, starts, states = parts[0]
        return _trace_of_runs(name, asked, told, starts, states)
    asked = np.concatenate([part[0] for part in parts])
    told = np.concatenate([part[1] for part in parts])
    on = np.concatenate([_expand(part[2], part[3], len(part[0])) for part in parts])
    order = np.argsort(asked, kind="stable")
    asked, told, on = asked[order], told[order], on[order]
    keep = np.concatenate(([True], asked[1:] >= np.maximum.accumulate(told)[:-1]))
    return _trace_of_runs(name, asked[keep], told[keep], np.arange(int(keep.sum())), on[keep])


_Instants = np.ndarray[tuple[int], np.dtype[np.int64]]
_States = np.ndarray[tuple[int], np.dtype[np.int8]]
_Part = tuple[_Instants, _Instants, _Instants, _States]
"""asked (n,), told (n,), starts (m,) of payload runs, states (m,): 1 on, 0 off, -1 no value."""


def _block_states(place: ModbusPlace, block: Block, polls: Polls) -> _Part:
    """Decodes each distinct value of the place once, however many payloads hold it."""
    if not polls.payloads:
        return polls.asked, polls.told, polls.starts, np.zeros(0, dtype=np.int8)
    first = place.address - block.address
    columns = (
        slice(first >> 3, (first >> 3) + 1) if place.table.is_bits else slice(2 * first, 2 * (first + place.count))
    )
    packed = np.frombuffer(b"".join(polls.payloads), dtype=np.uint8).reshape(len(polls.payloads), -1)[:, columns]
    weights = 256 ** np.arange(packed.shape[1], dtype=np.uint64)
    _, index, inverse = np.unique(packed @ weights, return_index=True, return_inverse=True)
    decoded = [is_on(place, block, polls.payloads[at]) for at in index.tolist()]
    states = np.array([-1 if on is None else int(on) for on in decoded], dtype=np.int8)
    return polls.asked, polls.told, polls.starts, states[inverse]


def _expand(starts: _Instants, states: _States, count: int) -> _States:
    return np.repeat(states, np.diff(np.append(starts, count)))


def _trace_of_runs(name: str, asked: _Instants, told: _Instants, starts: _Instants, states: _States) -> Trace:
    """Runs of equal payload merged into runs of equal state; samples without a value are left out."""
    if np.any(states < 0):
        full = _expand(starts, states, len(asked))
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


def _text(source: Source, site: Site, point: Point, place: TextPlace, start_ns: int, end_ns: int) -> Trace | None:
    spec = site.links[point.link]
    if not isinstance(spec, TextLink):
        return None
    states = source.link_states(point.link)
    dropped = source.dropped(point.link)
    return text_trace(point.name, place, spec, source.lines(point.link), states, start_ns, end_ns, dropped)


def _neighbours(source: Source, mapped: Mapping[str, Sequence[ModbusPlace]], changes_max: int) -> Iterator[Neighbour]:
    """Bits that changed and that no point maps, of every block; not those that change too often to be alarms."""
    for block in source.blocks():
        polls = source.polls(block.id)
        if len(polls.payloads) < 2:
            continue
        taken = {
            (address, bit)
            for place in mapped.get(block.link, ())
            if place.unit == block.unit and place.table is block.table
            for address in range(place.address, place.address + place.count)
            for bit in _bits_of(place)
        }
        packed = np.frombuffer(b"".join(polls.payloads), dtype=np.uint8).reshape(len(polls.payloads), -1)
        bits = np.unpackbits(packed, axis=1, bitorder="little").view(np.int8)
        changes = (bits[1:] != bits[:-1]).sum(axis=0)
        for column in np.flatnonzero((changes > 0) & (changes <= changes_max)).tolist():
            address, bit = _bit_of_column(block, column)
            if (address, bit) in taken or address >= block.address + block.count:
                continue
            place = ModbusPlace(unit=block.unit, table=block.table, address=address, bit=bit)
            name = f"{block.link}:{block.table.value} {address}.{bit}"
            trace = _trace_of_runs(name, polls.asked, polls.told, polls.starts, bits[:, column])
            yield Neighbour(link=block.link, place=place, trace=trace)


def _bit_of_column(block: Block, column: int) -> tuple[int, int]:
    """(address, bit) of the bit in a column of the unpacked payload, least significant bit of each byte first."""
    if block.table.is_bits:
        return block.address + column, 0
    at, bit = divmod(column, 8)
    return block.address + at // 2, bit + (0 if at % 2 else 8)


def _bits_of(place: ModbusPlace) -> range:
    if place.table.is_bits:
        return range(1)
    if place.value_type.value in ("bit", "bits"):
        return range(place.bit, place.bit + (place.bit_count if place.value_type.value == "bits" else 1))
    return range(16)


def blind_times(source: Source, site: Site, start_ns: int, end_ns: int) -> Iterator[BlindTime]:
    """When each link was not observed: down, or polls without an answer. In order by link, then by time."""
    blocks: dict[str, list[Block]] = defaultdict(list)
    for block in source.blocks():
        blocks[block.link].append(block)
    for name, spec in site.links.items():
        since: int | None = start_ns
        why = "not connected yet"
        for change in source.link_states(name):
            if change.state is LinkState.UP and since is not None:
                yield BlindTime(link=name, span=Bounds(since, max(since, change.at_ns)), why=why)
                since = None
            elif change.state is LinkState.DOWN and since is None:
                since, why = change.at_ns, change.why
        if since is not None:
            yield BlindTime(link=name, span=Bounds(since, max(since, end_ns)), why=why)
        if isinstance(spec, ModbusTcpLink):
            for block in blocks[name]:
                for failure in source.failures(block.id):
                    span = Bounds(failure.asked_ns, max(failure.asked_ns, failure.given_up_ns))
                    yield BlindTime(link=name, span=span, why=failure.why)
