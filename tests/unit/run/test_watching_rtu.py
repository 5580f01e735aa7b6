"""A Modbus RTU bus on the command line, and what listening to one costs, in words."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from harness.core.errors import Origin, UsageError
from harness.core.instants import NS_PER_MS
from harness.core.links import BusWay, ModbusRtuLink, SerialPort
from harness.core.model import Point
from harness.core.places import ModbusPlace, Numbering, Table
from harness.run.watching import link_of_address
from harness.run.watching_rtu import rtu_cost


def link_of(address: str) -> ModbusRtuLink:
    spec = link_of_address(address, poll_period_ns=200 * NS_PER_MS, numbering=Numbering.FROM_ONE)
    assert isinstance(spec, ModbusRtuLink)
    return spec


def points(*units: int) -> list[Point]:
    table = Table.DISCRETE_INPUT
    return [
        Point(
            name=f"{unit}.{address}",
            link="bus",
            place=ModbusPlace(unit=unit, table=table, address=address),
            origin=Origin(file="test", line=1),
        )
        for unit in units
        for address in (0, 15)
    ]


@pytest.mark.parametrize(
    ("address", "port"),
    [
        ("modbus-rtu:/dev/ttyUSB0", SerialPort(port="/dev/ttyUSB0", baud=19200, parity="even", stop_bits=1)),
        ("modbus-rtu:COM3?parity=none", SerialPort(port="COM3", baud=19200, parity="none", stop_bits=2)),
        (
            "modbus-rtu:/dev/x?baud=9600&parity=odd&stop=2",
            SerialPort(port="/dev/x", baud=9600, parity="odd", stop_bits=2),
        ),
    ],
)
def test_ports(address: str, port: SerialPort) -> None:
    spec = link_of(address)
    assert spec.serial == port
    assert (spec.host, spec.unit, spec.way, spec.numbering) == (None, 1, BusWay.POLL, Numbering.FROM_ONE)


def test_device_servers() -> None:
    spec = link_of("modbus-rtu+tcp://10.0.0.9:4001/17")
    assert (spec.host, spec.tcp_port, spec.unit, spec.serial) == ("10.0.0.9", 4001, 17, None)
    assert link_of("modbus-rtu+tcp://h:1?way=receive-only").way is BusWay.RECEIVE_ONLY


@pytest.mark.parametrize(
    ("address", "message"),
    [
        ("modbus-rtu:", "expected the name of a port"),
        ("modbus-rtu:/dev/x?baud=fast", "baud=fast: expected 50 to 4000000"),
        ("modbus-rtu:/dev/x?parity=mark", "parity=mark: expected one of none, even, odd"),
        ("modbus-rtu:/dev/x?stop=3", "stop=3: expected 1 to 2"),
        ("modbus-rtu:/dev/x?unit=0", "unit=0: expected 1 to 247"),
        ("modbus-rtu:/dev/x?way=write", "way=write: expected poll or receive-only"),
        ("modbus-rtu:/dev/x?bits=8", "bits: expected one of baud, parity, stop, unit, way"),
        ("modbus-rtu+tcp://h", "expected modbus-rtu+tcp://HOST:PORT[/UNIT]"),
        ("modbus-rtu+tcp://h:99999", "expected a port from 1 to 65535"),
        ("modbus-rtu+tcp://h:1/248", "unit=248: expected 1 to 247"),
    ],
)
def test_what_is_no_address(address: str, message: str) -> None:
    with pytest.raises(UsageError, match=re.escape(message)):
        link_of(address)


def test_the_cost_names_the_time_that_the_line_needs() -> None:
    """Two polls of sixteen inputs at 9,600 baud take 50.4 ms at the least (121/2400 s)."""
    spec = link_of("modbus-rtu:/dev/x?baud=9600")
    cost, asked = rtu_cost(spec, points(1, 3))
    assert "the only master of the bus, one request at a time, a cycle of 2 reads of 2 units every 200 ms" in cost
    assert "of which the line needs 50" in cost
    assert "late" not in cost
    assert asked[1] == "unit 3 function 2: discrete input 0 to 15 on the wire (16)"
    assert "longer than the period" in rtu_cost(replace(spec, poll_period_ns=50 * NS_PER_MS), points(1, 3))[0]


def test_the_cost_behind_a_server_and_without_a_request() -> None:
    cost, _ = rtu_cost(link_of("modbus-rtu+tcp://h:1"), points(1))
    assert "wire time not known behind a serial device server: 'line' declares it" in cost
    declared, _ = rtu_cost(link_of("modbus-rtu+tcp://h:1"), points(1), link_of("modbus-rtu:/dev/x?baud=9600").serial)
    assert "of which the line needs 25" in declared
    cost, asked = rtu_cost(link_of("modbus-rtu:/dev/x?way=receive-only"), points(1))
    assert cost.startswith("receives only, sends nothing")
    assert asked == ()
