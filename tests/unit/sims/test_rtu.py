"""Frames and answers of a serial unit, against the specification's example and another implementation's CRC."""

import random

import pytest
from pymodbus.framer import FramerRTU

from sims.points import Table
from sims.rtu import answer, crc, framed, read_request, unframed

WORDS = [0x1234, 0xFFFF, 0]
BITS = [1, 0, 1, 1, 0, 0, 0, 0, 0, 1]


def read(table: Table, address: int, count: int) -> list[int] | int:
    values = BITS if table is Table.DISCRETE_INPUT else WORDS
    return values[address : address + count] if address + count <= len(values) else 2


def test_the_crc_of_the_specification() -> None:
    """MODBUS over Serial Line V1.02, page 41: the CRC of 02 07 is 1241 hex, sent as 41 12."""
    assert crc(bytes.fromhex("0207")) == bytes.fromhex("4112")
    assert crc(b"123456789") == bytes.fromhex("374b")


def test_the_crc_of_another_implementation() -> None:
    """pymodbus gives the bytes in the order of the wire, as a number with the first one on top."""
    dice = random.Random(1)
    for length in range(1, 250):
        data = dice.randbytes(length)
        assert int.from_bytes(crc(data), "big") == FramerRTU.compute_CRC(data)


@pytest.mark.parametrize("spoilt", [b"", b"\1\2\3", framed(1, b"\2")[:-1], framed(1, b"\2") + b"\1", bytes(300)])
def test_no_frame(spoilt: bytes) -> None:
    assert unframed(spoilt) is None


def test_every_single_wrong_bit_is_noticed() -> None:
    frame = read_request(17, Table.DISCRETE_INPUT, 196, 22)
    assert frame.hex(" ") == "11 02 00 c4 00 16 ba a9"  # as libmodbus sends it
    assert unframed(frame) == (17, frame[1:-2])
    for bit in range(8 * len(frame)):
        noisy = bytearray(frame)
        noisy[bit // 8] ^= 1 << bit % 8
        assert unframed(bytes(noisy)) is None


@pytest.mark.parametrize(
    ("request_hex", "answer_hex"),
    [
        ("02 0000 000a", "02 02 0d 02"),
        ("02 0001 0001", "02 01 00"),
        ("04 0000 0003", "04 06 12 34 ff ff 00 00"),
        ("02 0000 000b", "82 02"),
        ("04 0003 0001", "84 02"),
        ("02 0000 0000", "82 03"),
        ("02 0000 07d1", "82 03"),
        ("04 0000 007e", "84 03"),
        ("04 0000 00", "84 03"),
        ("05 0000 ff00", "85 01"),
        ("10 0000 0001 02 0001", "90 01"),
        ("2b 0e 01 00", "ab 01"),
    ],
)
def test_answers(request_hex: str, answer_hex: str) -> None:
    """Application Protocol V1.1b3, 6.2, 6.4 and 7; nothing can be written."""
    assert answer(bytes.fromhex(request_hex), read) == bytes.fromhex(answer_hex)
