"""How long characters, silences, frames and polls take on a serial bus. Pure; exact, as rational numbers of seconds.

Source: *MODBUS over Serial Line Specification and Implementation Guide V1.02*, 2.5.1 (a character has 11 bits: start,
eight data bits, parity or a second stop bit, stop) and 2.5.1.1 (frames are at least 3.5 characters apart, a silence of
more than 1.5 characters within one ends it; above 19,200 baud 1.75 ms and 750 us are to be used).
A character without parity and with one stop bit has 10 bits, which the specification does not have and the
field does (common practice, no source), so the format of the line is an input.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from harness.core.instants import NS_PER_S
from harness.core.links import SerialPort
from harness.links.modbus_pdu import ReadRequest
from harness.links.modbus_rtu_frames import EXCEPTION_BYTES, REQUEST_BYTES, BusRequest, answer_bytes, request_bytes

BAUD_FIXED_ABOVE: Final = 19_200
T15_FIXED_S: Final = Fraction(750, 1_000_000)
T35_FIXED_S: Final = Fraction(1_750, 1_000_000)


def character_bits(port: SerialPort) -> int:
    """Bits of one character on the line: start, data, parity, stop."""
    return 1 + port.data_bits + (port.parity != "none") + port.stop_bits


def character_s(port: SerialPort) -> Fraction:
    """How long one character takes."""
    return Fraction(character_bits(port), port.baud)


def t15_s(port: SerialPort) -> Fraction:
    """The longest silence within a frame."""
    return T15_FIXED_S if port.baud > BAUD_FIXED_ABOVE else Fraction(3, 2) * character_s(port)


def t35_s(port: SerialPort) -> Fraction:
    """The shortest silence between two frames."""
    return T35_FIXED_S if port.baud > BAUD_FIXED_ABOVE else Fraction(7, 2) * character_s(port)


def exchange_s(port: SerialPort, sent: int, received: int) -> Fraction:
    """The least that a request of ``sent`` bytes and its answer of ``received`` take, the silence after each included.

    The time that the unit needs to find its answer comes on top.
    """
    return (sent + received) * character_s(port) + 2 * t35_s(port)


def poll_s(port: SerialPort, request: BusRequest) -> Fraction:
    """The least that one answered poll takes on the line."""
    return exchange_s(port, request_bytes(request), answer_bytes(request))


def refused_s(port: SerialPort) -> Fraction:
    """The least that a poll takes which is answered by an exception."""
    return exchange_s(port, REQUEST_BYTES, EXCEPTION_BYTES)


def cycle_s(port: SerialPort, requests: Iterable[ReadRequest]) -> Fraction:
    """The least that a list of polls takes, each answered."""
    return sum((poll_s(port, request) for request in requests), Fraction(0))


def unanswered_s(port: SerialPort, timeout_s: Fraction) -> Fraction:
    """What a request without an answer takes: itself, and the time-out, which begins where the request ends."""
    return REQUEST_BYTES * character_s(port) + timeout_s


def ns_up(seconds: Fraction) -> int:
    """Whole nanoseconds, rounded up."""
    return -(-seconds.numerator * NS_PER_S // seconds.denominator)


@dataclass(frozen=True, slots=True, kw_only=True)
class BusTime:
    """Where the time of a bus went since the link came up. Nanoseconds; each is part of ``elapsed_ns``.

    ``wire_ns``: what the polls that ended take on the line at the least (``poll_s``); None where the line's settings
    are not known, behind a serial device server. ``lost_ns``: spent on requests without a usable answer,
    and on the silence after them. What is left is the units' own time, and the pauses of the schedule.
    """

    polls: int
    elapsed_ns: int
    wire_ns: int | None
    lost_ns: int

    @property
    def wire_share(self) -> float | None:
        """The part of the time in which the line was busy with polls, 0 to 1."""
        return None if self.wire_ns is None or not self.elapsed_ns else self.wire_ns / self.elapsed_ns
