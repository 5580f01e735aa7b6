"""Coils and registers of a Modbus device, read and written for a stimulus.

A write's answer says that the device has done it (MODBUS Application Protocol Specification V1.1b3, 6.5, 6.6, 6.11 and
6.12: the normal response is returned after the values were written); reading them again says that it holds them.
"""

from __future__ import annotations

from typing import NamedTuple

from harness.core.places import Table
from harness.core.writing import Write
from harness.links.modbus_client import Answer
from harness.links.modbus_pdu import ReadRequest
from harness.stimulus.devices import Devices
from harness.stimulus.modbus_writes import WriteRequest


class ReadValues(NamedTuple):
    """Values in the order of their addresses, true at some instant from ``asked_ns`` to ``told_ns``."""

    values: tuple[int, ...]
    asked_ns: int
    told_ns: int


async def write_values(devices: Devices, write: Write) -> Answer:
    """The answer to a write. Raises LinkError; of these ExchangeError once something may have been sent."""
    request = WriteRequest(
        unit=write.unit,
        table=write.table,
        address=write.address,
        values=write.values,
        multiple=len(write.values) > 1,
    )
    return await devices.exchange(write.link, request)


async def read_values(devices: Devices, link: str, unit: int, table: Table, address: int, count: int) -> ReadValues:
    """Values of one unit, in as many requests as they need. Raises LinkError."""
    values: list[int] = []
    asked_ns: int | None = None
    told_ns = 0
    while len(values) < count:
        size = min(table.count_max, count - len(values))
        request = ReadRequest(unit=unit, table=table, address=address + len(values), count=size)
        answer = await devices.exchange(link, request)
        asked_ns = answer.asked_ns if asked_ns is None else asked_ns
        told_ns = answer.told_ns
        values += values_of(table, size, answer.payload)
    return ReadValues(tuple(values), told_ns if asked_ns is None else asked_ns, told_ns)


def values_of(table: Table, count: int, payload: bytes) -> tuple[int, ...]:
    """Values of an answer's payload: bits from the least significant one, registers big-endian (V1.1b3, 6.1 to 6.4)."""
    if table.is_bits:
        return tuple(payload[at >> 3] >> (at & 7) & 1 for at in range(count))
    return tuple(int.from_bytes(payload[2 * at : 2 * at + 2], "big") for at in range(count))


async def read_again(devices: Devices, write: Write) -> tuple[str, int]:
    """What is wrong with what a device holds of a write ('' where nothing is), and when that was told."""
    found = await read_values(devices, write.link, write.unit, write.table, write.address, len(write.values))
    wrong = [
        f"{write.table.value.replace('-', ' ')} {write.address + at} on the wire reads {held}, {meant} was written"
        for at, (held, meant) in enumerate(zip(found.values, write.values, strict=True))
        if held != meant
    ]
    return "; ".join(wrong[:3]), found.told_ns
