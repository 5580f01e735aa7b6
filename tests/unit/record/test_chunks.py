"""Packed polls: back as they were, small, and damage is an error and never other numbers."""

from __future__ import annotations

import random
import zlib

import numpy as np
import pytest

from harness.record.chunks import (
    decode_changes,
    decode_times,
    decode_varints,
    encode_changes,
    encode_times,
    encode_varints,
)

EDGES = [0, 1, 127, 128, 129, 16_383, 16_384, 2**32, 2**56 - 1, 2**56, 2**63 - 1, 2**63, 2**64 - 1]


def leb128(value: int) -> bytes:
    """The plain definition (DWARF 5, appendix C), one value at a time."""
    out = bytearray()
    while True:
        low, value = value & 0x7F, value >> 7
        out.append(low | (0x80 if value else 0))
        if not value:
            return bytes(out)


def test_numbers_are_packed_as_leb128_defines_them() -> None:
    chance = random.Random(1)
    values = EDGES + [chance.getrandbits(chance.randrange(1, 65)) for _ in range(5000)]
    packed = encode_varints(np.array(values, dtype=np.uint64))
    assert packed == b"".join(map(leb128, values))
    assert decode_varints(packed).tolist() == values


def test_no_numbers_are_no_bytes() -> None:
    assert encode_varints(np.zeros(0, dtype=np.uint64)) == b""
    assert decode_varints(b"").tolist() == []


@pytest.mark.parametrize(
    ("data", "message"),
    [(b"\x80", "cut off"), (b"\x01\xff", "cut off"), (b"\x80" * 10 + b"\x01", "has 11 bytes, expected at most 10")],
)
def test_numbers_that_do_not_end_are_an_error(data: bytes, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        decode_varints(data)


def random_polls(chance: random.Random, count: int) -> np.ndarray[tuple[int, int], np.dtype[np.int64]]:
    now = chance.randrange(10**15)
    rows = []
    for _ in range(count):
        now += chance.randrange(-(10**6), 10**9)
        rows.append((chance.randrange(300), now, now + chance.randrange(10**7)))
    return np.array(rows, dtype=np.int64).reshape(-1, 3)


def test_batches_come_back_joined_as_they_were() -> None:
    chance = random.Random(2)
    batches = [random_polls(chance, chance.randrange(1, 50)) for _ in range(40)]
    packed = [encode_times(batch) for batch in batches]
    back = decode_times([len(batch) for batch in batches], [base for base, _ in packed], [data for _, data in packed])
    assert np.array_equal(back, np.concatenate(batches))


def test_a_batch_without_polls_between_others_changes_nothing() -> None:
    batch = random_polls(random.Random(3), 5)
    base, data = encode_times(batch)
    back = decode_times([0, 5, 0, 5], [0, base, 0, base], [b"", data, b"", data])
    assert np.array_equal(back, np.concatenate([batch, batch]))
    assert decode_times([], [], []).shape == (0, 3)


def test_a_count_that_does_not_fit_is_an_error() -> None:
    base, data = encode_times(random_polls(random.Random(4), 5))
    with pytest.raises(ValueError, match="15 numbers for 6 polls, expected 18"):
        decode_times([6], [base], [data])


def test_a_steady_poll_of_many_blocks_takes_about_eight_bytes() -> None:
    chance = random.Random(5)
    rows = [(at % 50, at * 2_000_000, at * 2_000_000 + chance.randrange(200_000, 900_000)) for at in range(10_000)]
    _, data = encode_times(np.array(rows, dtype=np.int64))
    assert len(data) < 9 * len(rows)


def test_payloads_come_back_as_they_were_and_none_are_no_bytes() -> None:
    assert encode_changes([], []) == b""
    assert decode_changes(b"") == ([], [])
    chance = random.Random(6)
    for count in (1, 2, 500):
        positions = sorted(chance.sample(range(10_000), count))
        payloads = [chance.randbytes(chance.randrange(0, 250)) for _ in range(count)]
        assert decode_changes(encode_changes(positions, payloads)) == (positions, payloads)


def test_payloads_that_repeat_are_packed() -> None:
    data = encode_changes(list(range(100)), [bytes(250)] * 100)
    assert len(data) < 1000
    assert decode_changes(data) == (list(range(100)), [bytes(250)] * 100)


@pytest.mark.parametrize(
    "data",
    [
        b"\x01not packed",
        b"\x01" + zlib.compress(b"\x05\x01"),
        b"\x00\x01\x00\x05abc",
        b"\x00\x01\x00\x02abc",
        b"\x00\x80",
        b"\x00",
    ],
)
def test_payloads_that_do_not_fit_are_an_error(data: bytes) -> None:
    with pytest.raises(ValueError, match=r"unpacked|no whole number|payloads take"):
        decode_changes(data)
