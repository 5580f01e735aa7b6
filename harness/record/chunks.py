"""Polls as bytes: a batch of answered polls packed into about eight bytes each, and back. Pure functions.

A batch's *times* are three unsigned LEB128 numbers a poll: the block's id, the zigzag of asked - asked of the poll
before (the batch's base for the first), and told - asked. Every number ends at its own last byte, so the times of
many batches can be joined and decoded in one pass. *Changes* hold the payloads, only where they differ from the
payload before them in the same block: how many, their positions in the batch, their lengths (LEB128 each), then the
payloads themselves, all behind one byte that says whether zlib packed them.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

_PLAIN: Final = b"\x00"
_ZLIB: Final = b"\x01"
_PACK_FROM_BYTES: Final = 64
"""Shorter than this, zlib's own eight bytes eat what it saves."""

_VARINT_BYTES_MAX: Final = 10  # 64 bits in groups of seven
_WINDOW_BYTES: Final = 8
_KEEP: Final = np.array([2 ** (8 * count) - 1 for count in range(_WINDOW_BYTES + 1)], dtype=np.uint64)
"""The lowest so many bytes of a word."""


def encode_varints(values: NDArray[np.uint64]) -> bytes:
    """Unsigned LEB128 of each value, joined. ``values`` has shape (n,)."""
    lengths = np.ones(len(values), dtype=np.int64)
    for group in range(1, _VARINT_BYTES_MAX):
        more = values >> np.uint64(7 * group) != 0
        if not more.any():
            break
        lengths += more
    ends = np.cumsum(lengths)
    starts = ends - lengths
    out = np.zeros(int(ends[-1]) if len(ends) else 0, dtype=np.uint8)
    for group in range(int(lengths.max(initial=0))):
        has = lengths > group
        low = (values[has] >> np.uint64(7 * group)) & np.uint64(0x7F)
        follows = (lengths[has] > group + 1).astype(np.uint8) << 7
        out[starts[has] + group] = low.astype(np.uint8) | follows
    return out.tobytes()


def decode_varints(data: bytes) -> NDArray[np.uint64]:
    """The values that ``encode_varints`` packed, shape (n,). ValueError where one is cut off or too long."""
    raw = np.frombuffer(data, dtype=np.uint8)
    ends = np.flatnonzero(raw < 0x80)
    if len(raw) and (len(ends) == 0 or int(ends[-1]) != len(raw) - 1):
        raise ValueError("the last number is cut off")
    starts = np.empty_like(ends)
    if len(ends):
        starts[0] = 0
        starts[1:] = ends[:-1] + 1
    lengths = ends - starts + 1
    longest = int(lengths.max(initial=0))
    if longest > _VARINT_BYTES_MAX:
        raise ValueError(f"a number has {longest} bytes, expected at most {_VARINT_BYTES_MAX}")
    if longest <= _WINDOW_BYTES:
        return _decode_short(data, starts, lengths, longest)
    values = (raw[starts] & 0x7F).astype(np.uint64)
    chosen = np.flatnonzero(lengths > 1)
    for group in range(1, longest):
        part = (raw[starts[chosen] + group] & 0x7F).astype(np.uint64)
        values[chosen] |= part << np.uint64(7 * group)
        chosen = chosen[lengths[chosen] > group + 1]
    return values


def _decode_short(
    data: bytes, starts: NDArray[np.int64], lengths: NDArray[np.int64], longest: int
) -> NDArray[np.uint64]:
    """Numbers of up to eight bytes: each is loaded as one word, cut to length, and its groups moved together."""
    padded = data + bytes(_WINDOW_BYTES)
    at_every_byte: NDArray[np.uint64] = np.ndarray((len(data),), "<u8", padded, 0, (1,)).copy()
    words = at_every_byte[starts]
    words &= _KEEP[lengths]
    values: NDArray[np.uint64] = words & np.uint64(0x7F)
    for group in range(1, longest):
        values |= (words >> np.uint64(group)) & np.uint64(0x7F << (7 * group))
    return values


def encode_times(polls: NDArray[np.int64]) -> tuple[int, bytes]:
    """(base in ns, times) of polls given as rows (block id, asked, told), shape (n, 3), n >= 1."""
    base = int(polls[0, 1])
    delta = np.diff(polls[:, 1], prepend=base)
    rows = np.empty((len(polls), 3), dtype=np.uint64)
    rows[:, 0] = polls[:, 0].astype(np.uint64)
    rows[:, 1] = ((delta << 1) ^ (delta >> 63)).astype(np.uint64)
    rows[:, 2] = (polls[:, 2] - polls[:, 1]).astype(np.uint64)
    return base, encode_varints(rows.reshape(-1))


def decode_times(counts: Sequence[int], bases: Sequence[int], times: Sequence[bytes]) -> NDArray[np.int64]:
    """Rows (block id, asked, told) of many batches, shape (sum of counts, 3). ValueError where they do not fit."""
    values = decode_varints(b"".join(times))
    sizes = np.asarray(counts, dtype=np.int64)
    total = int(sizes.sum())
    if len(values) != 3 * total:
        raise ValueError(f"{len(values)} numbers for {total} polls, expected {3 * total}")
    out = np.empty((total, 3), dtype=np.int64)
    if total == 0:
        return out
    rows = values.reshape(-1, 3)
    out[:, 0] = rows[:, 0]
    zigzag = rows[:, 1]
    delta = (zigzag >> np.uint64(1)).astype(np.int64) ^ -(zigzag & np.uint64(1)).astype(np.int64)
    run = np.cumsum(delta)
    used = sizes > 0
    first = (np.cumsum(sizes) - sizes)[used]
    out[:, 1] = run + np.repeat(np.asarray(bases, dtype=np.int64)[used] - run[first] + delta[first], sizes[used])
    out[:, 2] = out[:, 1] + rows[:, 2].astype(np.int64)
    return out


def encode_changes(positions: Sequence[int], payloads: Sequence[bytes]) -> bytes:
    """Payloads that differ from the one before, and where in the batch; b'' where there are none."""
    if not positions:
        return b""
    head = np.array([len(positions), *positions, *map(len, payloads)], dtype=np.uint64)
    plain = encode_varints(head) + b"".join(payloads)
    if len(plain) >= _PACK_FROM_BYTES:
        packed = zlib.compress(plain, 1)
        if len(packed) < len(plain):
            return _ZLIB + packed
    return _PLAIN + plain


def decode_changes(data: bytes) -> tuple[list[int], list[bytes]]:
    """(positions in the batch, payloads). ValueError where the bytes do not fit together."""
    if not data:
        return [], []
    try:
        plain = zlib.decompress(data[1:]) if data[:1] == _ZLIB else data[1:]
    except zlib.error as exc:
        raise ValueError(f"packed payloads cannot be unpacked: {exc}") from exc
    count, at = _varint_at(plain, 0)
    numbers = []
    for _ in range(2 * count):
        number, at = _varint_at(plain, at)
        numbers.append(number)
    payloads = []
    for length in numbers[count:]:
        payloads.append(plain[at : at + length])
        at += length
    if at != len(plain):
        raise ValueError(f"payloads take {at} bytes, found {len(plain)}")
    return numbers[:count], payloads


def _varint_at(data: bytes, at: int) -> tuple[int, int]:
    """(value, position behind it) of the LEB128 number at ``at``."""
    value = shift = 0
    for position in range(at, min(at + _VARINT_BYTES_MAX, len(data))):
        byte = data[position]
        value |= (byte & 0x7F) << shift
        shift += 7
        if byte < 0x80:
            return value, position + 1
    raise ValueError(f"no whole number at byte {at}")
