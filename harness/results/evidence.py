"""From what was recorded, or is still in memory, to the evidence that the correlator takes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from harness.core.instants import Bounds
from harness.core.links import BacnetLink
from harness.core.model import Site, Stimulus
from harness.core.places import ModbusPlace, Order, ValueType
from harness.core.trace import Trace
from harness.core.wording import NOT_CONNECTED
from harness.correlate.evidence import BlindTime, Evidence, Neighbour
from harness.links.bacnet_says import objects_of
from harness.links.bacnet_untold import held_back, unreachable_points, unsubscribed_times
from harness.links.base import LISTENER_ENDED, AnyBlock, Block, LinkState
from harness.links.decoding import trace_of
from harness.links.heard import heard_of
from harness.links.polled_trace import trace_of_runs
from harness.links.source import Source
from harness.links.told_says import unreadable_of

CHANGES_SPARE: Final = 16
"""An unmapped bit may change twice a stimulus, and so often beyond it, before it counts as part of a number."""


def evidence_of(
    source: Source,
    site: Site,
    stimuli: Iterable[Stimulus],
    start_ns: int,
    end_ns: int,
    points: Collection[str] | None = None,
) -> Evidence:
    """The evidence of one run from ``start_ns`` to ``end_ns``, decoded as ``site`` maps it.

    ``points``: the only ones that are asked for, None for all. A point that no block held has no trace: it was not
    observed, whatever the point map expects of it.
    """
    known, source = tuple(stimuli), heard_of(source)
    blocks: dict[str, list[AnyBlock]] = defaultdict(list)
    for block in source.blocks():
        blocks[block.link].append(block)
    traces: dict[str, Trace] = {}
    mapped: dict[str, list[ModbusPlace]] = defaultdict(list)
    for point in site.points.values():
        if isinstance(point.place, ModbusPlace):
            mapped[point.link].append(point.place)
        if points is not None and point.name not in points:
            continue
        trace = trace_of(point, site.links[point.link], source, blocks[point.link], start_ns, end_ns)
        if trace is not None and len(trace):
            traces[point.name] = trace
    return Evidence(
        stimuli=known,
        traces=traces,
        neighbours=tuple(_neighbours(source, mapped, 2 * len(known) + CHANGES_SPARE)),
        blind=tuple(blind_times(source, site, start_ns, end_ns)),
        not_run=unreachable_points(source, site.points.values()),
        delays=held_back(source, site.points.values()),
        objects=objects_of(source, site.points.values()),
        unreadable=tuple(unreadable_of(source, site.links, site.points.values())),
        orders=_other_orders(source, site, blocks, traces, start_ns, end_ns),
    )


def _other_orders(
    source: Source,
    site: Site,
    blocks: Mapping[str, Sequence[AnyBlock]],
    traces: Mapping[str, Trace],
    start_ns: int,
    end_ns: int,
) -> dict[str, dict[str, Trace]]:
    """What numbers that never were on would have shown in another order of their bytes or words; only what would."""
    found: dict[str, dict[str, Trace]] = {}
    for point in site.points.values():
        place, trace = point.place, traces.get(point.name)
        if not isinstance(place, ModbusPlace) or place.value_type not in _NUMBERS or place.loop is not None:
            continue
        if trace is None or trace.first_on or len(trace.starts) > 1:
            continue
        others = {"bytes-swapped": replace(place, byte_order=_OTHER[place.byte_order])}
        if place.value_type.registers > 1:
            others["words-swapped"] = replace(place, word_order=_OTHER[place.word_order])
        for code, other in others.items():
            as_other = replace(point, place=other)
            read = trace_of(as_other, site.links[point.link], source, blocks[point.link], start_ns, end_ns)
            if read is not None and not read.first_on and len(read.starts) > 1:
                found.setdefault(point.name, {})[code] = read
    return found


_NUMBERS: Final = (ValueType.U16, ValueType.S16, ValueType.U32, ValueType.S32, ValueType.F32)
_OTHER: Final = {Order.BIG: Order.LITTLE, Order.LITTLE: Order.BIG}


def _neighbours(source: Source, mapped: Mapping[str, Sequence[ModbusPlace]], changes_max: int) -> Iterator[Neighbour]:
    """Bits that changed and that no point maps, of every block; not those that change too often to be alarms."""
    for block in source.blocks():
        polls = source.polls(block.id)
        if not isinstance(block, Block) or len(polls.payloads) < 2:
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
            trace = trace_of_runs(name, polls.asked, polls.told, polls.starts, bits[:, column])
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
    blocks: dict[str, list[AnyBlock]] = defaultdict(list)
    for block in source.blocks():
        blocks[block.link].append(block)
    for name in site.links:
        since: int | None = start_ns
        why = NOT_CONNECTED
        is_new = True
        for change in source.link_states(name):
            if change.state is LinkState.UP and since is not None:
                yield BlindTime(link=name, span=Bounds(since, max(since, change.at_ns)), why=why)
                since, is_new = None, False
            elif change.state is LinkState.DOWN and since is None:
                since, why = change.at_ns, change.why
            elif is_new and change.why not in ("", LISTENER_ENDED):
                why = f"{NOT_CONNECTED}: {change.why}"  # what was tried last tells most
        if since is not None:
            yield BlindTime(link=name, span=Bounds(since, max(since, end_ns)), why=why)
        if isinstance(site.links[name], BacnetLink):
            for lo, hi, lost in unsubscribed_times(source, name, end_ns):
                yield BlindTime(link=name, span=Bounds(lo, hi), why=lost)
        for block in blocks[name]:
            for failure in source.failures(block.id):
                span = Bounds(failure.asked_ns, max(failure.asked_ns, failure.given_up_ns))
                unit, table = (block.unit, block.table.value) if isinstance(block, Block) else (None, "")
                yield BlindTime(link=name, span=span, why=failure.why, unit=unit, table=table)
