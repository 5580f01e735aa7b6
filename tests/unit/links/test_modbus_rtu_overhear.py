"""What is overheard on a bus: pairs however their bytes arrive, nothing credited where it cannot be told."""

from __future__ import annotations

import random

import pytest

from harness.core.instants import NS_PER_MS
from harness.core.places import Table
from harness.links.modbus_pdu import ReadRequest
from harness.links.modbus_rtu_frames import request_frame, with_crc
from harness.links.modbus_rtu_overhear import Heard, NotHeard, Overheard, Overhearer, PassedOver

TIMEOUT_NS = 500 * NS_PER_MS
QUIET_NS = 100 * NS_PER_MS
DELAY_NS = 7
MS = NS_PER_MS


def read(unit: int, table: Table, address: int, count: int) -> ReadRequest:
    return ReadRequest(unit=unit, table=table, address=address, count=count)


def answer(request: ReadRequest, *values: int) -> bytes:
    payload = bytes(values) if values else bytes(request.payload_bytes)
    assert len(payload) == request.payload_bytes
    return with_crc(bytes((request.unit, request.function, len(payload))) + payload)


INPUTS = read(1, Table.DISCRETE_INPUT, 0, 16)
TWENTY = read(1, Table.DISCRETE_INPUT, 0, 20)
REGISTERS = read(2, Table.HOLDING_REGISTER, 107, 3)
WORD_A = read(3, Table.HOLDING_REGISTER, 1, 1)
WORD_B = read(3, Table.HOLDING_REGISTER, 40, 1)


class Line:
    """Feeds frames at instants; keeps what was found."""

    def __init__(self) -> None:
        self.overhearer = Overhearer(timeout_ns=TIMEOUT_NS, quiet_ns=QUIET_NS, delay_max_ns=DELAY_NS)
        self.found: list[Overheard] = []

    def say(self, data: bytes, since_ns: int, at_ns: int) -> None:
        self.found += self.overhearer.feed(data, since_ns, at_ns)

    def idle(self, at_ns: int) -> None:
        self.found += self.overhearer.idle(at_ns)

    @property
    def heard(self) -> list[Heard]:
        return [it for it in self.found if isinstance(it, Heard)]

    @property
    def not_heard(self) -> list[NotHeard]:
        return [it for it in self.found if isinstance(it, NotHeard)]

    @property
    def passed(self) -> list[PassedOver]:
        return [it for it in self.found if isinstance(it, PassedOver)]


def test_a_pair_has_bounds_from_before_the_request_to_the_answer() -> None:
    line = Line()
    line.say(request_frame(INPUTS), 100, 110)
    line.say(answer(INPUTS, 0x55, 0xAA), 150, 160)
    assert line.found == [Heard(request=INPUTS, asked_ns=100 - DELAY_NS, told_ns=160, payload=bytes((0x55, 0xAA)))]


@pytest.mark.parametrize("seed", range(40))
def test_pairs_are_the_same_however_their_bytes_arrive(seed: int) -> None:
    """Requests and answers of several units, writes and their echoes among them, cut anywhere."""
    rng = random.Random(seed)
    data, expected = b"", []
    for _ in range(60):
        request = rng.choice([INPUTS, REGISTERS, WORD_A, WORD_B, read(1, Table.COIL, 5, 3), TWENTY])
        kind = rng.random()
        if kind < 0.7:
            # High bits that are no values stay 0, as the specification has it, and no answer looks like a request.
            values = (
                [0] * request.payload_bytes if request is TWENTY else rng.choices(range(256), k=request.payload_bytes)
            )
            data += request_frame(request) + answer(request, *values)
            expected.append((request, bytes(values)))
        elif kind < 0.8:
            data += with_crc(bytes((4, 6, 0, 1, 0, 3))) * 2
        elif kind < 0.9:
            data += with_crc(bytes((4, 16, 0, 1, 0, 2, 4, 0, 10, 1, 2))) + with_crc(bytes((4, 16, 0, 1, 0, 2)))
        else:
            data += with_crc(bytes((0, 5, 0, 1, 255, 0)))
    line, at_ns = Line(), 0
    while data:
        size = rng.choice((1, 2, 7, 8, 30, 300))
        at_ns += MS
        line.say(data[:size], at_ns - 1, at_ns)
        data = data[size:]
    line.idle(at_ns + 1000 * MS)
    assert [(it.request, it.payload) for it in line.heard] == expected
    assert line.not_heard == []
    assert line.passed == []


@pytest.mark.parametrize("seed", range(40))
def test_nothing_is_made_of_garbage_and_the_stream_is_found_again(seed: int) -> None:
    rng = random.Random(seed)
    line, at_ns, expected = Line(), 0, 0
    for number in range(40):
        at_ns += 20 * MS
        line.say(request_frame(REGISTERS), at_ns - 1, at_ns)
        whole = answer(REGISTERS, 0, number, 0, number, 0, number)
        if rng.random() < 0.4:
            broken = bytearray(whole)
            broken[rng.randrange(len(broken))] ^= 1 << rng.randrange(8)
            whole = bytes(broken) + bytes(rng.choices(range(256), k=rng.randrange(9)))
        else:
            expected += 1
        at_ns += 10 * MS
        line.say(whole, at_ns - 1, at_ns)
        at_ns += 400 * MS
        line.idle(at_ns)
        at_ns += 400 * MS
        line.idle(at_ns)
    assert len(line.heard) == expected
    for it in line.heard:
        assert len(set(it.payload[1::2])) == 1
        assert it.request == REGISTERS
    assert len(line.not_heard) == 40 - expected


def test_an_answer_whose_request_was_not_heard_is_no_value() -> None:
    line = Line()
    line.say(answer(REGISTERS), 0, 1)
    line.say(request_frame(INPUTS), 2, 3)
    line.say(answer(INPUTS), 4, 5)
    assert [it.request for it in line.heard] == [INPUTS]
    assert [it.what for it in line.passed] == ["an answer whose request was not heard, of unit 2"]


def test_what_the_master_did_not_get_is_told() -> None:
    line = Line()
    line.say(request_frame(INPUTS), 0, 1)
    line.say(request_frame(REGISTERS), 900 * MS, 901 * MS)
    line.say(with_crc(bytes((2, 0x83, 4))), 902 * MS, 903 * MS)
    line.say(request_frame(REGISTERS), 950 * MS, 951 * MS)
    line.idle(951 * MS + TIMEOUT_NS + 1)
    assert line.heard == []
    assert [(it.request, it.why) for it in line.not_heard] == [
        (INPUTS, "the master's request was not answered before its next one"),
        (REGISTERS, "exception 04 (server device failure)"),
        (REGISTERS, "the master's request was not answered"),
    ]


def test_an_answer_of_another_length_is_no_value() -> None:
    line = Line()
    line.say(request_frame(WORD_A), 0, 1)
    line.say(answer(read(3, Table.HOLDING_REGISTER, 1, 2)), 2, 3)
    assert line.heard == []
    assert [it.what for it in line.passed] == ["4 bytes of values, expected 2"]


# --- what cannot be told apart ----------------------------------------------------------------------

AT_768 = read(1, Table.DISCRETE_INPUT, 0x0300, 16)


def test_three_bytes_of_bits_that_look_like_a_request_are_an_answer_when_they_come_at_once() -> None:
    line = Line()
    looks_like = answer(TWENTY, 0, 0, 16)
    assert looks_like == request_frame(AT_768)
    line.say(request_frame(TWENTY), 0, 1)
    line.say(looks_like, 10 * MS, 11 * MS)
    assert [it.payload for it in line.heard] == [bytes((0, 0, 16))]


def test_they_are_nothing_when_they_come_as_late_as_a_masters_next_request() -> None:
    line = Line()
    line.say(request_frame(TWENTY), 0, 1)
    line.say(request_frame(AT_768), 60 * MS, 61 * MS)
    assert line.heard == []
    assert [it.request for it in line.not_heard] == [TWENTY]


def test_they_are_nothing_where_the_master_is_known_to_ask_so() -> None:
    line = Line()
    line.say(request_frame(AT_768), 0, 1)
    line.say(answer(AT_768, 1, 2), 2, 3)
    line.say(request_frame(TWENTY), 10, 11)
    line.say(request_frame(AT_768), 12, 13)
    assert [it.request for it in line.heard] == [AT_768]
    assert [it.request for it in line.not_heard] == [TWENTY]


def test_a_dead_unit_asked_again_and_again_gives_no_value() -> None:
    at_768 = read(1, Table.DISCRETE_INPUT, 0x0300, 20)
    line = Line()
    for number in range(10):
        line.say(request_frame(at_768), number * 3 * MS, number * 3 * MS + 1)
    assert line.heard == []


# --- late answers -----------------------------------------------------------------------------------


@pytest.mark.parametrize("late", [1, 2, 3])
def test_answers_that_a_hasty_master_takes_for_others_are_not_credited(late: int) -> None:
    """The master goes on after a time-out and from then on takes each answer for that of a later request."""
    line, at_ns = Line(), 0
    words = [WORD_A, WORD_B]
    behind: list[ReadRequest] = []
    for number in range(30):
        request = words[number % 2]
        at_ns += 10 * MS
        line.say(request_frame(request), at_ns - 1, at_ns)
        behind.append(request)
        if len(behind) > late:
            value = words.index(behind.pop(0))
            at_ns += 5 * MS
            line.say(answer(request, 0, value), at_ns - 1, at_ns)
        else:
            at_ns += 40 * MS
    for it in line.heard:
        assert it.payload[1] == words.index(it.request)
    assert line.not_heard


def test_a_late_answer_of_one_unit_is_not_that_of_another() -> None:
    line = Line()
    line.say(request_frame(WORD_A), 0, 1)
    line.say(request_frame(INPUTS), 100 * MS, 101 * MS)
    line.say(answer(WORD_A), 102 * MS, 103 * MS)
    line.say(answer(INPUTS, 1, 2), 104 * MS, 105 * MS)
    assert [it.request for it in line.heard] == [INPUTS]
    assert [it.what for it in line.passed] == ["a late answer, of unit 3"]


@pytest.mark.parametrize(
    ("noise", "is_credited"),
    [
        (b"", True),
        (b"\x00", True),
        (b"\xff\x00", True),
        (b"\x00\x00\x00", False),
        (b"\x01", False),
        (b"\x8a\x14", False),
    ],
)
def test_an_answer_behind_what_is_left_of_lost_bytes_is_not_credited(noise: bytes, is_credited: bool) -> None:
    """Most of an answer and of the next request may be lost; the next answer would seem to be the one before."""
    line = Line()
    line.say(request_frame(INPUTS), 0, MS)
    line.say(noise + answer(INPUTS, 255, 255), 40 * MS, 41 * MS)
    line.say(request_frame(INPUTS) + answer(INPUTS, 1, 0), 80 * MS, 81 * MS)
    assert [it.payload for it in line.heard] == [bytes((255, 255))] * is_credited + [bytes((1, 0))]
    assert len(line.not_heard) == (not is_credited)


def test_an_answer_that_surely_came_behind_the_masters_time_out_is_not_credited() -> None:
    line = Line()
    line.say(request_frame(INPUTS), 0, MS)
    line.say(answer(INPUTS, 255, 255), TIMEOUT_NS + 2 * MS, TIMEOUT_NS + 3 * MS)
    assert line.heard == []
    assert [it.why for it in line.not_heard] == ["the master's request was not answered within its time-out"]
    held_up = Line()
    held_up.say(request_frame(INPUTS), 0, MS)
    held_up.say(answer(INPUTS, 255, 255), 2 * MS, TIMEOUT_NS + 3 * MS)
    assert [it.payload for it in held_up.heard] == [bytes((255, 255))], "read late, and perhaps in time"
