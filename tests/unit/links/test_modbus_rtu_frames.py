"""RTU frames against published values and another CRC; what does not fit is refused however it arrives."""

from __future__ import annotations

import pytest
from crccheck.crc import CrcModbus
from hypothesis import given
from hypothesis import strategies as st

from harness.core.places import Table
from harness.links.modbus_pdu import ReadRequest
from harness.links.modbus_rtu_frames import (
    NoAnswer,
    RtuAnswer,
    answer_bytes,
    crc16,
    has_good_crc,
    misfit,
    request_frame,
    take_answer,
    with_crc,
)


def test_the_worked_frame_of_the_specification() -> None:
    """MODBUS over Serial Line V1.02, 6.2.2: the CRC of 02 07 is 1241, sent as 41 12 (figure 30)."""
    assert crc16(bytes.fromhex("0207")) == 0x1241
    assert with_crc(bytes.fromhex("0207")) == bytes.fromhex("02074112")


def test_the_check_value_of_the_catalogue_of_crcs() -> None:
    """CRC-16/MODBUS of "123456789" is 4B37."""
    assert crc16(b"123456789") == 0x4B37


WIRE = [  # of libmodbus on a pseudo-terminal; tshark finds the checksum of the first good
    "11 02 00 C4 00 16 BA A9",
    "11 03 00 6B 00 03 76 87",
    "11 01 00 13 00 13 8E 92",
    "11 01 03 CD 6B 05 40 12",
    "11 02 03 AC DB 35 20 18",
    "11 03 06 02 2B 00 00 00 64 C8 BA",
    "11 02 00 00 00 10 7B 56",
    "11 81 02 C0 54",
]


@pytest.mark.parametrize("text", WIRE)
def test_frames_that_others_sent(text: str) -> None:
    frame = bytes.fromhex(text)
    assert has_good_crc(frame)
    assert with_crc(frame[:-2]) == frame


def test_requests_are_those_of_libmodbus() -> None:
    inputs = ReadRequest(unit=17, table=Table.DISCRETE_INPUT, address=196, count=22)
    registers = ReadRequest(unit=17, table=Table.HOLDING_REGISTER, address=107, count=3)
    assert request_frame(inputs) == bytes.fromhex(WIRE[0])
    assert request_frame(registers) == bytes.fromhex(WIRE[1])


@given(st.binary(min_size=1, max_size=256))
def test_the_crc_is_that_of_crccheck(data: bytes) -> None:
    assert crc16(data) == CrcModbus.calc(data)


def test_a_worked_answer_of_the_specification() -> None:
    """V1.1b3, 6.2: inputs 197 to 218 are AC DB 35."""
    request = ReadRequest(unit=17, table=Table.DISCRETE_INPUT, address=196, count=22)
    frame = bytes.fromhex(WIRE[4])
    assert answer_bytes(request) == len(frame)
    answer = take_answer(frame)
    assert answer == RtuAnswer(unit=17, function=2, payload=bytes.fromhex("ACDB35"), raw=frame)
    assert answer.fits(request)


def test_an_exception() -> None:
    """V1.1b3, 7: 81 02."""
    answer = take_answer(bytes.fromhex(WIRE[7]))
    assert isinstance(answer, RtuAnswer)
    assert (answer.function, answer.code, answer.payload) == (1, 2, b"")
    assert answer.fits(ReadRequest(unit=17, table=Table.COIL, address=0, count=2000))
    assert not answer.fits(ReadRequest(unit=17, table=Table.DISCRETE_INPUT, address=0, count=1))


@pytest.mark.parametrize("text", [WIRE[3], WIRE[5], WIRE[7]])
def test_an_answer_is_whole_only_with_its_last_byte_and_takes_no_more(text: str) -> None:
    frame = bytes.fromhex(text)
    for end in range(len(frame)):
        assert take_answer(frame[:end]) is None
    whole = take_answer(frame + b"\x00more")
    assert isinstance(whole, RtuAnswer)
    assert whole.raw == frame


@given(st.integers(0, 7 * 8 - 1))
def test_a_bit_that_flipped_is_never_a_value(bit: int) -> None:
    """A CRC of 16 bits finds every single error; a flipped length leaves the frame unfinished or its CRC wrong."""
    frame = bytearray(with_crc(bytes((1, 2, 2, 0x55, 0xAA))))
    frame[bit >> 3] ^= 1 << (bit & 7)
    found = take_answer(bytes(frame))
    assert found is None or isinstance(found, NoAnswer)


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (with_crc(bytes((1, 6, 0, 1, 0, 1))), "function 6 answered, which reads nothing"),
        (bytes((1, 3, 252)), "byte count 252, more than a frame of 256 bytes holds"),
        (bytes((1, 3, 2, 0, 1, 0xFF, 0xFF)), "CRC ff ff, expected 79 84"),
    ],
)
def test_what_is_no_answer(data: bytes, what: str) -> None:
    assert take_answer(data) == NoAnswer(what=what)


def test_misfits_in_words() -> None:
    request = ReadRequest(unit=1, table=Table.HOLDING_REGISTER, address=0, count=2)
    for body, what in (
        (bytes((2, 3, 4, 0, 0, 0, 0)), "unit 2 answered, unit 1 was asked"),
        (bytes((1, 4, 4, 0, 0, 0, 0)), "function 4 answered, function 3 was asked"),
        (bytes((1, 3, 2, 0, 0)), "2 bytes of values, expected 4"),
    ):
        answer = take_answer(with_crc(body))
        assert isinstance(answer, RtuAnswer)
        assert not answer.fits(request)
        assert misfit(request, answer) == what
