"""Times on a serial bus, as exact rationals worked out from MODBUS over Serial Line V1.02, 2.5.1 and 2.5.1.1."""

from __future__ import annotations

from fractions import Fraction

import pytest

from harness.core.links import SerialPort
from harness.core.places import Table
from harness.links.modbus_pdu import ReadRequest
from harness.links.modbus_rtu_timing import (
    BusTime,
    character_bits,
    character_s,
    cycle_s,
    ns_up,
    poll_s,
    refused_s,
    t15_s,
    t35_s,
    unanswered_s,
)


def line(baud: int, parity: str = "even", stop_bits: int = 1) -> SerialPort:
    return SerialPort(port="x", baud=baud, parity=parity, stop_bits=stop_bits)


def inputs(unit: int = 1, count: int = 16) -> ReadRequest:
    return ReadRequest(unit=unit, table=Table.DISCRETE_INPUT, address=0, count=count)


def registers(count: int) -> ReadRequest:
    return ReadRequest(unit=1, table=Table.HOLDING_REGISTER, address=0, count=count)


@pytest.mark.parametrize(
    ("port", "bits"),
    [(line(9600), 11), (line(9600, "none", 2), 11), (line(9600, "odd"), 11), (line(9600, "none", 1), 10)],
)
def test_a_character_has_eleven_bits_or_what_was_declared(port: SerialPort, bits: int) -> None:
    assert character_bits(port) == bits
    assert character_s(port) == Fraction(bits, 9600)


@pytest.mark.parametrize(
    ("baud", "cycle", "t15_us", "t35_us"),
    [
        (1200, Fraction(121, 600), 13750, 32083),
        (2400, Fraction(121, 1200), 6875, 16042),
        (4800, Fraction(121, 2400), 3438, 8021),
        (9600, Fraction(121, 4800), 1719, 4010),
        (19200, Fraction(121, 9600), 859, 2005),
        (38400, Fraction(499, 64000), 750, 1750),
        (57600, Fraction(611, 96000), 750, 1750),
        (115200, Fraction(947, 192000), 750, 1750),
    ],
)
def test_a_poll_of_sixteen_inputs(baud: int, cycle: Fraction, t15_us: int, t35_us: int) -> None:
    """Eight bytes, 3.5 characters, seven bytes, 3.5 characters; above 19,200 baud the silences are 1.75 ms."""
    assert poll_s(line(baud), inputs()) == cycle
    assert round(t15_s(line(baud)) * 1_000_000) == t15_us
    assert round(t35_s(line(baud)) * 1_000_000) == t35_us


def test_other_polls_at_9600_baud() -> None:
    port = line(9600)
    assert poll_s(port, registers(1)) == Fraction(121, 4800)
    assert poll_s(port, registers(10)) == Fraction(11, 240)
    assert poll_s(port, registers(125)) == Fraction(99, 320)
    coils = ReadRequest(unit=1, table=Table.COIL, address=0, count=2000)
    assert poll_s(port, coils) == Fraction(99, 320)
    assert refused_s(port) == Fraction(11, 480)
    assert poll_s(line(9600, "none", 1), inputs()) == Fraction(121, 4800) * Fraction(10, 11)


def test_lists_of_polls_and_a_dead_unit() -> None:
    port = line(9600)
    assert cycle_s(port, [inputs(unit) for unit in range(1, 9)]) == 8 * Fraction(121, 4800)
    assert float(cycle_s(port, [inputs(unit) for unit in range(1, 32)])) == pytest.approx(0.7814583, abs=1e-7)
    seven = cycle_s(port, [inputs(unit) for unit in range(1, 8)])
    assert seven + unanswered_s(port, Fraction(1)) == Fraction(1_185_625, 1_000_000)


def test_nanoseconds_are_rounded_up_and_shares_are_of_the_time_that_went() -> None:
    assert ns_up(Fraction(1, 3)) == 333_333_334
    assert ns_up(Fraction(1, 2)) == 500_000_000
    assert BusTime(polls=1, elapsed_ns=200, wire_ns=50, lost_ns=0).wire_share == 0.25
    assert BusTime(polls=1, elapsed_ns=200, wire_ns=None, lost_ns=0).wire_share is None
    assert BusTime(polls=0, elapsed_ns=0, wire_ns=0, lost_ns=0).wire_share is None
