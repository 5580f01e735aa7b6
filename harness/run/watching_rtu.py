"""A Modbus RTU bus on the command line, and what listening to one costs."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final
from urllib.parse import parse_qsl, urlsplit

from harness.core.errors import Origin, UsageError
from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import BusWay, ModbusRtuLink, SerialPort
from harness.core.model import Point
from harness.core.places import ModbusPlace, Numbering
from harness.correlate.wording import time_text
from harness.links.modbus_pdu import ReadRequest
from harness.links.modbus_plan import BlockPlan, plan_blocks
from harness.links.modbus_rtu_timing import cycle_s, ns_up

TIMEOUT_NS: Final = NS_PER_S
QUIET_NS: Final = 100 * NS_PER_MS
"""MODBUS over Serial Line V1.02, 2.4.1: a time-out of 1 s to several seconds at 9,600 baud; the shorter turnaround."""
UNIT_MAX: Final = 247
"""V1.02, 2.2: units are 1 to 247."""
_PARITIES: Final = ("none", "even", "odd")
_KEYS: Final = ("baud", "parity", "stop", "unit", "way")


def rtu_of_address(address: str, *, poll_period_ns: int, numbering: Numbering) -> ModbusRtuLink:
    """The bus that ``modbus-rtu:…`` or ``modbus-rtu+tcp://…`` names. UsageError, with what was expected.

    What is not said is as the specification has it (V1.02, 2.5.1 and 3.3): 19,200 baud, even parity, one stop bit, or
    two where there is no parity.
    """
    parts = urlsplit(address)
    asked = dict(parse_qsl(parts.query, keep_blank_values=True))
    for key in asked:
        if key not in _KEYS:
            raise UsageError(f"address={address}: {key}: expected one of {', '.join(_KEYS)}")
    serial, host, tcp_port = None, None, None
    if parts.scheme == "modbus-rtu+tcp":
        host, tcp_port = parts.hostname, _port(address)
        unit_text = parts.path.strip("/") or asked.get("unit", "1")
        if host is None or tcp_port is None:
            raise UsageError(f"address={address}: expected modbus-rtu+tcp://HOST:PORT[/UNIT]")
    else:
        unit_text = asked.get("unit", "1")
        serial = _serial(address, parts.netloc + parts.path, asked)
    way = asked.get("way", BusWay.POLL.value)
    if way not in (it.value for it in BusWay):
        raise UsageError(f"address={address}: way={way}: expected poll or receive-only")
    return ModbusRtuLink(
        name="bus",
        serial=serial,
        host=host,
        tcp_port=tcp_port,
        way=BusWay(way),
        numbering=numbering,
        unit=_number(address, "unit", unit_text, 1, UNIT_MAX),
        poll_period_ns=poll_period_ns,
        timeout_ns=TIMEOUT_NS,
        quiet_ns=QUIET_NS,
        origin=Origin(file="command line", line=1),
    )


def _serial(address: str, port: str, asked: dict[str, str]) -> SerialPort:
    if not port:
        raise UsageError(f"address={address}: expected the name of a port, as in modbus-rtu:/dev/ttyUSB0")
    parity = asked.get("parity", "even")
    if parity not in _PARITIES:
        raise UsageError(f"address={address}: parity={parity}: expected one of {', '.join(_PARITIES)}")
    stop = asked.get("stop", "2" if parity == "none" else "1")
    return SerialPort(
        port=port,
        baud=_number(address, "baud", asked.get("baud", "19200"), 50, 4_000_000),
        parity=parity,
        stop_bits=_number(address, "stop", stop, 1, 2),
    )


def _port(address: str) -> int | None:
    try:
        return urlsplit(address).port
    except ValueError as exc:
        raise UsageError(f"address={address}: {exc}; expected a port from 1 to 65535") from exc


def _number(address: str, name: str, text: str, low: int, high: int) -> int:
    if not text.isdecimal() or not low <= int(text) <= high:
        raise UsageError(f"address={address}: {name}={text}: expected {low} to {high}")
    return int(text)


def rtu_cost(
    spec: ModbusRtuLink, points: Iterable[Point], line: SerialPort | None = None
) -> tuple[str, tuple[str, ...]]:
    """What listening to the bus costs it, and what is read, in words. ``line``: as declared, behind a device server."""
    if spec.way is BusWay.RECEIVE_ONLY:
        return "receives only, sends nothing: sees what the master of this bus reads, as often as it reads it", ()
    places = [point.place for point in points if point.link == spec.name]
    modbus = [place for place in places if isinstance(place, ModbusPlace)]
    blocks = plan_blocks(modbus, spec.gap_max_bits, spec.gap_max_registers)
    units = len({block.unit for block in blocks})
    cost = (
        f"the only master of the bus, one request at a time, a cycle of {len(blocks)} read{'s' * (len(blocks) != 1)} "
        f"of {units} unit{'s' * (units != 1)} every {time_text(spec.poll_period_ns)}"
    )
    if spec.requests_per_s_max is not None:
        cost += f", at most {spec.requests_per_s_max:g} requests a second"
    return cost + _wire_words(spec, spec.serial or line, blocks), tuple(_read_words(it) for it in blocks)


def _wire_words(spec: ModbusRtuLink, line: SerialPort | None, blocks: Iterable[BlockPlan]) -> str:
    if line is None:
        return ", wire time not known behind a serial device server: 'line' declares it"
    requests = [ReadRequest(unit=it.unit, table=it.table, address=it.address, count=it.count) for it in blocks]
    wire_ns = ns_up(cycle_s(line, requests))
    words = f", of which the line needs {time_text(wire_ns)} at {line.baud} baud"
    if wire_ns > spec.poll_period_ns:
        words += ": longer than the period, so polls will be late"
    return words


def _read_words(block: BlockPlan) -> str:
    return (
        f"unit {block.unit} function {block.table.read_function}: {block.table.value.replace('-', ' ')} "
        f"{block.address} to {block.end - 1} on the wire ({block.count})"
    )
