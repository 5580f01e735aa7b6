"""Which read requests cover the places of a device: as few as the declared gaps and the protocol's limits allow. Pure.

Limits per request: *MODBUS Application Protocol Specification V1.1b3*, 6.1 to 6.4 (2,000 bits, 125 registers). A value
of two registers is never split over two requests: its halves would be of different instants.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from typing import Final

from harness.core.places import ModbusPlace, Table

ADDRESSES: Final = 65_536
"""Of each table (V1.1b3, 4.3)."""

TWIN: Final = {
    Table.COIL: Table.DISCRETE_INPUT,
    Table.DISCRETE_INPUT: Table.COIL,
    Table.INPUT_REGISTER: Table.HOLDING_REGISTER,
    Table.HOLDING_REGISTER: Table.INPUT_REGISTER,
}
"""The other table of the same width."""


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class BlockPlan:
    """One read request: ``count`` bits or registers of a unit's table from ``address``, counted from 0."""

    unit: int
    table: Table
    address: int
    count: int

    @property
    def end(self) -> int:
        """The first address after the block."""
        return self.address + self.count

    def holds(self, place: ModbusPlace) -> bool:
        """True where the whole place is read by this request."""
        return (
            place.unit == self.unit
            and place.table is self.table
            and self.address <= place.address
            and place.address + place.count <= self.end
        )

    def contains(self, other: BlockPlan) -> bool:
        """True where everything that ``other`` reads is read by this request too."""
        return (
            (self.unit, self.table) == (other.unit, other.table)
            and self.address <= other.address
            and other.end <= self.end
        )


def plan_blocks(
    places: Iterable[ModbusPlace],
    gap_max_bits: int | None,
    gap_max_registers: int | None,
    refused: AbstractSet[BlockPlan] = frozenset(),
) -> tuple[BlockPlan, ...]:
    """The fewest requests that cover ``places``, in order of unit, table and address.

    ``gap_max_bits``/``gap_max_registers``: how many unneeded ones may lie between two neighbours in one request; None
    for as many as fit. ``refused``: requests that the device answered with exception 02 (illegal data address); no
    request that contains a refused one is planned again, except a place that cannot be made smaller.
    """
    blocks: list[BlockPlan] = []
    tables = {table: number for number, table in enumerate(Table)}
    spans = {(p.unit, tables[p.table], p.address, p.address + p.count, p.table) for p in places}
    run: BlockPlan | None = None
    # In order of start and end, taking each as far as it fits is optimal: whatever fits together still fits when cut.
    for unit, _, start, end, table in sorted(spans, key=lambda span: span[:4]):
        if run is not None and (run.unit, run.table) == (unit, table):
            gap_max = gap_max_bits if table.is_bits else gap_max_registers
            joined = BlockPlan(unit=unit, table=table, address=run.address, count=max(run.end, end) - run.address)
            gap_fits = gap_max is None or start - run.end <= gap_max
            own = BlockPlan(unit=unit, table=table, address=start, count=end - start)
            if gap_fits and joined.count <= table.count_max and _allowed(joined, (run, own), refused):
                run = joined
                continue
        if run is not None:
            blocks.append(run)
        run = BlockPlan(unit=unit, table=table, address=start, count=end - start)
    if run is not None:
        blocks.append(run)
    return tuple(blocks)


def plan_probes(places: Iterable[ModbusPlace], around: int) -> tuple[BlockPlan, ...]:
    """Reads of what is not mapped: ``around`` bits or registers beside mapped ones, and their addresses in the other
    table of their width, as far around. In order of unit, table and address; none where ``around`` is 0.
    """
    if not around:
        return ()
    mapped: dict[tuple[int, Table], set[int]] = defaultdict(set)
    wanted: dict[tuple[int, Table], set[int]] = defaultdict(set)
    for place in places:
        mapped[place.unit, place.table].update(range(place.address, place.address + place.count))
        near = range(max(0, place.address - around), min(ADDRESSES, place.address + place.count + around))
        wanted[place.unit, place.table].update(near)
        wanted[place.unit, TWIN[place.table]].update(near)
    blocks = [
        BlockPlan(unit=unit, table=table, address=at, count=min(table.count_max, end - at))
        for (unit, table), near in wanted.items()
        for start, end in _runs(sorted(near - mapped[unit, table]))
        for at in range(start, end, table.count_max)
    ]
    return tuple(sorted(blocks, key=lambda it: (it.unit, _RANK[it.table], it.address)))


_RANK: Final = {table: number for number, table in enumerate(Table)}


def _runs(addresses: Iterable[int]) -> Iterator[tuple[int, int]]:
    """First and behind-last of each run of neighbouring addresses; ``addresses`` in order."""
    start = end = -1
    for at in addresses:
        if at != end and end >= 0:
            yield start, end
        if at != end:
            start = at
        end = at + 1
    if end >= 0:
        yield start, end


def split(block: BlockPlan, places: Iterable[ModbusPlace]) -> tuple[BlockPlan, ...]:
    """What to ask instead of ``block`` after the device refused it with exception 02.

    First cut at every gap, since an unneeded address is the likeliest cause; a block without gaps is cut in two near
    its middle, so that one wrong address does not blind its neighbours. Returns ``(block,)`` where nothing is left to
    cut: then the place itself is what the device refuses.
    """
    held = [place for place in places if block.holds(place)]
    parts = plan_blocks(held, 0, 0)
    if len(parts) > 1 or (parts and parts[0] != block):
        return parts
    cuts = [
        at
        for at in range(block.address + 1, block.end)
        if not any(place.address < at < place.address + place.count for place in held)
    ]
    if not cuts:
        return (block,)
    middle = min(cuts, key=lambda at: abs(2 * at - block.address - block.end))
    return (
        BlockPlan(unit=block.unit, table=block.table, address=block.address, count=middle - block.address),
        BlockPlan(unit=block.unit, table=block.table, address=middle, count=block.end - middle),
    )


def _allowed(joined: BlockPlan, alone: tuple[BlockPlan, ...], refused: AbstractSet[BlockPlan]) -> bool:
    """Whether no refused request lies within ``joined``. What one of ``alone`` needs is asked all the same."""
    if not refused or joined in alone:
        return True
    return not any(joined.contains(block) for block in refused)
