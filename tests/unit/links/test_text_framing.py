"""Framing of printed lines: the same lines however the bytes arrive, and never more memory than one line."""

from __future__ import annotations

import random

import pytest

from harness.core.links import LineEnd
from harness.links.seen import Message
from harness.links.text_framing import HEAD_BYTES, LineFramer, NoLine

CASES = [
    (LineEnd.ANY, b"one\r\ntwo\nthree\rfour\r\n", [b"one", b"two", b"three", b"four"]),
    (LineEnd.ANY, b"\r\n\r\none\n\n\rtwo\r\n", [b"one", b"two"]),
    (LineEnd.ANY, b"one\n\rtwo\r\r\nthree\n", [b"one", b"two", b"three"]),
    (LineEnd.CRLF, b"one\r\ntwo\nstill two\rand on\r\n\r\nthree\r\n", [b"one", b"two\nstill two\rand on", b"three"]),
    (LineEnd.CRLF, b"one\r\r\n", [b"one\r"]),
    (LineEnd.CRLF, b"\none\r\n", [b"\none"]),
    (LineEnd.LF, b"one\r\ntwo\n\nthree\n", [b"one\r", b"two", b"three"]),
    (LineEnd.CR, b"one\rtwo\r\r\nthree\r", [b"one", b"two", b"\nthree"]),
    (LineEnd.ANY, b"\x00\xff\x1b[31mred\x07\r\n", [b"\x00\xff\x1b[31mred\x07"]),
    (LineEnd.ANY, b"begun and not ended", []),
    (LineEnd.ANY, b"", []),
    (LineEnd.ANY, b"ended\r\nbegun", [b"ended"]),
]


def framed(end: LineEnd, pieces: list[bytes], line_max: int = 1024) -> list[Message | NoLine]:
    framer = LineFramer(end, line_max)
    found: list[Message | NoLine] = []
    for number, piece in enumerate(pieces):
        found += framer.receive(piece, 100 * number, 100 * number + 50)
    return found


def texts(found: list[Message | NoLine]) -> list[bytes]:
    assert all(isinstance(one, Message) for one in found)
    return [one.data for one in found if isinstance(one, Message)]


@pytest.mark.parametrize(("end", "data", "lines"), CASES)
def test_the_lines_are_the_same_however_the_bytes_arrive(end: LineEnd, data: bytes, lines: list[bytes]) -> None:
    assert texts(framed(end, [data])) == lines
    assert texts(framed(end, [bytes([byte]) for byte in data])) == lines
    for cut in range(len(data) + 1):
        assert texts(framed(end, [data[:cut], data[cut:]])) == lines
    chance = random.Random(7)
    for _ in range(50):
        cuts = sorted(chance.randrange(len(data) + 1) for _ in range(4))
        pieces = [data[a:b] for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True)]
        assert texts(framed(end, pieces)) == lines


def test_a_line_carries_when_its_first_and_its_last_byte_came_not_when_its_end_did() -> None:
    framer = LineFramer(LineEnd.ANY, 100)
    assert framer.receive(b"RAI", 10, 20) == []
    assert framer.receive(b"SED", 30, 40) == []
    assert framer.receive(b"\r", 50, 60) == [Message(first_ns=10, last_ns=40, data=b"RAISED")]
    assert framer.receive(b"\nNEXT\n", 70, 80) == [Message(first_ns=70, last_ns=80, data=b"NEXT")]


def test_blank_lines_do_not_start_the_clock_of_the_line_behind_them() -> None:
    framer = LineFramer(LineEnd.ANY, 100)
    assert framer.receive(b"\r\n\r\n", 10, 20) == []
    assert framer.receive(b"A\n", 30, 40) == [Message(first_ns=30, last_ns=40, data=b"A")]


@pytest.mark.parametrize("end", list(LineEnd))
@pytest.mark.parametrize("size", [1, 7, 100_000])
def test_a_line_too_long_is_said_once_and_the_next_one_is_read(end: LineEnd, size: int) -> None:
    close = {LineEnd.CRLF: b"\r\n", LineEnd.LF: b"\n", LineEnd.CR: b"\r", LineEnd.ANY: b"\r\n"}[end]
    data = b"fits" + close + b"x" * 5000 + close + b"y" * 16 + close
    pieces = [data[at : at + size] for at in range(0, len(data), size)]
    found = framed(end, pieces, line_max=16)
    assert [one.data for one in found if isinstance(one, Message)] == [b"fits", b"y" * 16]
    cut = [one for one in found if isinstance(one, NoLine)]
    assert len(cut) == 1
    assert cut[0].why == "a line longer than 16 bytes"
    assert cut[0].head.startswith(b"x" * 16)
    assert len(cut[0].head) <= HEAD_BYTES


def test_a_line_without_end_takes_no_more_memory_than_one_line() -> None:
    framer = LineFramer(LineEnd.ANY, 1024)
    found = [one for _ in range(1000) for one in framer.receive(b"z" * 4096, 0, 1)]
    assert len(found) == 1
    assert len(framer._kept) <= 1024
    assert framer.cut_off(5) is None, "what was reported as too long is not reported again"


def test_what_had_begun_when_the_connection_was_lost_is_reported() -> None:
    framer = LineFramer(LineEnd.ANY, 1024)
    assert framer.cut_off(1) is None
    framer.receive(b"done\n" + b"RAISED BULK" * 20, 0, 1)
    cut = framer.cut_off(9)
    assert cut == NoLine(
        at_ns=9, why="a line was cut off by the end of the connection", head=(b"RAISED BULK" * 20)[:HEAD_BYTES]
    )


def test_a_limit_below_one_byte_is_refused() -> None:
    with pytest.raises(ValueError, match="line_max_bytes=0: expected at least 1"):
        LineFramer(LineEnd.ANY, 0)
