"""Framing by silence and by length: whole, in pieces, byte by byte, held up; and against the truth of random logs."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest

from harness.core.errors import Origin
from harness.core.links import Framing, TextLink
from harness.links.seen import Message
from harness.links.text_framing import HEAD_BYTES, LineFramer, NoLine
from harness.links.text_gaps import GAP_MIN_NS, RESYNC_NS, Framer, GapFramer, LengthFramer, framer_of

MS = 1_000_000
GAP = 50 * MS
Found = Message | NoLine


def gap_framer(max_bytes: int = 100) -> GapFramer:
    return GapFramer(GAP, max_bytes, 0)


def length_framer(length: int = 6) -> LengthFramer:
    return LengthFramer(length, 100, 0, GAP)


def texts(found: list[Found]) -> list[bytes]:
    return [it.data for it in found if isinstance(it, Message)]


def whys(found: list[Found]) -> list[str]:
    return [it.why for it in found if isinstance(it, NoLine)]


def fed(framer: Framer, *pieces: tuple[int, bytes], late_ns: int = 0) -> list[Found]:
    """Pieces at instants in ms, each read at once; then a long silence."""
    found: list[Found] = []
    for at, data in pieces:
        found += framer.receive(data, at * MS - 1, at * MS + late_ns)
    return found + framer.quiet((pieces[-1][0] + 1000) * MS)


@pytest.mark.parametrize("size", [1, 2, 3, 1000])
def test_messages_end_with_silence_however_their_bytes_arrive(size: int) -> None:
    """Trailing data is the last message only once silence came after it."""
    framer, found, at = gap_framer(), list[Found](), 100
    for text in (b"RAISED A", b"\r\nRAISED B\r\n", b"x", b"\r\n", b"trailing"):
        for begin in range(0, len(text), size):
            found += framer.receive(text[begin : begin + size], at * MS, at * MS + 1)
            at += 5
        at += 60
    assert texts(found) == [b"RAISED A", b"RAISED B", b"x"], "and a message of line ends only is none"
    assert whys(found) == []
    assert framer.quiet(at * MS - 60 * MS) == [], "not yet"
    assert texts(framer.quiet(at * MS)) == [b"trailing"]
    assert framer.quiet(at * MS) == []


def test_a_message_carries_when_its_first_and_its_last_byte_came() -> None:
    framer = gap_framer()
    framer.receive(b"RAI", 100 * MS, 104 * MS)
    framer.receive(b"SED", 110 * MS, 114 * MS)
    assert framer.quiet(163 * MS) == []
    assert framer.quiet(164 * MS) == [Message(first_ns=100 * MS, last_ns=114 * MS, data=b"RAISED")]


@pytest.mark.parametrize(
    ("since", "at", "answer"),
    [
        (164, 170, "a gap"),  # nothing before 164, the last byte by 114: at least 50
        (163, 170, "nobody knows"),
        (130, 160, "nobody knows"),  # at most 160 - 110 = 50
        (130, 159, "no gap"),
    ],
)
def test_a_gap_is_one_only_where_it_certainly_was(since: int, at: int, answer: str) -> None:
    framer = gap_framer()
    assert framer.receive(b"RAISED", 110 * MS, 114 * MS) == []
    found = framer.receive(b" A", since * MS, at * MS) + framer.quiet(900 * MS)
    if answer == "nobody knows":
        assert texts(found) == []
        assert whys(found) == ["bytes that were read too late to tell whether a gap of 50 ms lay between"]
    else:
        assert texts(found) == ([b"RAISED", b" A"] if answer == "a gap" else [b"RAISED A"])
        assert whys(found) == []


def test_what_came_while_the_loop_was_held_up_is_dropped_up_to_the_next_certain_gap() -> None:
    framer = gap_framer()
    found = framer.receive(b"RAISED ARAISED B", 100 * MS, 150 * MS)
    found += framer.receive(b" and on", 155 * MS, 160 * MS)
    found += framer.receive(b"RAISED C", 300 * MS, 301 * MS)
    found += framer.quiet(400 * MS)
    assert texts(found) == [b"RAISED C"]
    assert len(whys(found)) == 1, "once for all of it"
    drop = next(it for it in found if isinstance(it, NoLine))
    assert (drop.at_ns, drop.head) == (150 * MS, b"RAISED ARAISED B")


def test_one_byte_holds_no_gap() -> None:
    framer = gap_framer()
    assert framer.receive(b"x", 100 * MS, 500 * MS) == []
    assert texts(framer.quiet(600 * MS)) == [b"x"]


@pytest.mark.parametrize("framer", [gap_framer(), length_framer()])
def test_what_had_begun_before_the_connection_is_no_message(framer: Framer) -> None:
    found = fed(framer, (10, b"D A"), (40, b"12"), (200, b"RAISED"))
    assert texts(found) == [b"RAISED"]
    assert len(whys(found)) == 1


def test_a_message_too_long_is_said_once_and_takes_no_memory() -> None:
    framer = gap_framer(16)
    found = [it for n in range(1000) for it in framer.receive(b"z" * 4096, (100 + n) * MS, (100 + n) * MS + 1)]
    found += framer.receive(b"fits", 1200 * MS, 1200 * MS)
    found += framer.quiet(1300 * MS)
    assert texts(found) == [b"fits"]
    assert whys(found) == ["a message longer than 16 bytes"]
    assert all(len(it.head) <= HEAD_BYTES for it in found if isinstance(it, NoLine))
    assert len(framer._kept) <= 16


@pytest.mark.parametrize("size", [1, 2, 5, 6, 7, 1000])
def test_messages_of_one_length_however_their_bytes_arrive(size: int) -> None:
    data = b"ON   AOFF  AACK  Ahalf"
    framer, found, at = length_framer(), list[Found](), 100
    for begin in range(0, len(data), size):
        found += framer.receive(data[begin : begin + size], at * MS, at * MS + 1)
        at += 5
    assert texts(found) == [b"ON   A", b"OFF  A", b"ACK  A"]
    assert whys(framer.quiet((at + 100) * MS)) == ["a message of 4 bytes, then silence: expected 6"]
    assert texts(fed(framer, (at + 200, b"ON   B"))) == [b"ON   B"]


def test_bounds_of_a_message_of_one_length() -> None:
    framer = length_framer()
    framer.receive(b"ON ", 100 * MS, 101 * MS)
    assert framer.receive(b"  AOF", 110 * MS, 111 * MS) == [
        Message(first_ns=100 * MS, last_ns=111 * MS, data=b"ON   A")
    ]
    assert framer.receive(b"F  A", 120 * MS, 121 * MS) == [Message(first_ns=110 * MS, last_ns=121 * MS, data=b"OFF  A")]


def test_a_message_too_short_costs_itself_and_not_those_behind_it() -> None:
    found = fed(length_framer(), (100, b"ON   A"), (200, b"ON  "), (300, b"ON   B"), (400, b"OFF  B"))
    assert texts(found) == [b"ON   A", b"ON   B", b"OFF  B"]
    assert len(whys(found)) == 1


def test_where_nobody_knows_whether_a_message_begins_it_is_dropped() -> None:
    framer = length_framer()
    found = framer.receive(b"ON  ", 100 * MS, 101 * MS)
    found += framer.receive(b"OFF  B", 120 * MS, 190 * MS)
    found += framer.receive(b" A", 192 * MS, 193 * MS)
    found += framer.receive(b"ON   C", 300 * MS, 301 * MS)
    assert texts(found) == [b"ON   C"]
    assert whys(found) == ["bytes that were read too late to tell whether a new message begins with them"]


@pytest.mark.parametrize("framer", [gap_framer(), length_framer()])
def test_what_had_begun_when_the_connection_was_lost_is_reported(framer: Framer) -> None:
    assert framer.cut_off(1) is None
    framer.receive(b"RAI", 100 * MS, 101 * MS)
    cut = framer.cut_off(130 * MS)
    assert cut == NoLine(at_ns=130 * MS, why="a message was cut off by the end of the connection", head=b"RAI")


def link(**rest: object) -> TextLink:
    return TextLink(name="p", host="127.0.0.1", tcp_port=1, origin=Origin(file="t", line=1), **rest)  # type: ignore[arg-type]


def test_the_framer_of_a_link() -> None:
    assert isinstance(framer_of(link(), 0), LineFramer)
    assert isinstance(framer_of(link(framing=Framing.IDLE_GAP, idle_gap_ns=GAP_MIN_NS), 0), GapFramer)
    by_length = framer_of(link(framing=Framing.LENGTH, message_bytes=40), 0)
    assert isinstance(by_length, LengthFramer)
    assert by_length._gaps.gap_ns == RESYNC_NS
    assert framer_of(link(), 0).quiet(10) == []


@pytest.mark.parametrize(
    ("rest", "message"),
    [
        ({"framing": Framing.IDLE_GAP}, "idle_gap_ns=0: expected at least 5000000"),
        (
            {"framing": Framing.IDLE_GAP, "idle_gap_ns": GAP, "line_max_bytes": 0},
            "line_max_bytes=0: expected at least 1",
        ),
        ({"framing": Framing.LENGTH}, "message_bytes=0: expected 1 to line_max_bytes=1024"),
        ({"framing": Framing.LENGTH, "message_bytes": 2000}, "message_bytes=2000: expected 1 to"),
    ],
)
def test_a_framing_that_cannot_work_is_refused(rest: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        framer_of(link(**rest), 0)


@pytest.mark.parametrize("number", range(300))
def test_against_the_truth_of_random_logs(number: int) -> None:
    """What is told as a message was one, whole, within its bounds; what is not told was dropped; calm, all is told."""
    chance = random.Random(number)
    stalls = chance.choice([0.0, 0.1, 0.4])
    bytes_at: list[tuple[int, int]] = []
    truth: list[tuple[bytes, int, int]] = []
    at = chance.choice([5, 200]) * MS
    for n in range(20):
        text = f"MESSAGE {n:02d} ".encode() + b"." * chance.randrange(30)
        first = at
        for byte in text:
            bytes_at.append((at, byte))
            at += chance.randrange(1, 3) * MS + (chance.random() < 0.05) * chance.randrange(8) * MS
        truth.append((text, first, bytes_at[-1][0]))
        at = bytes_at[-1][0] + GAP + (chance.choice([1, chance.randrange(1, 400)]) if stalls else 25) * MS
    found = read_late(GapFramer(GAP, 200, 0), bytes_at, chance, stalls)
    known = {text: (first, last) for text, first, last in truth}
    told = texts(found)
    for it in found:
        if isinstance(it, Message):
            assert it.data in known, "a message that none was"
            first, last = known[it.data]
            assert it.first_ns <= first
            assert last <= it.last_ns
    order = [text for text, _, _ in truth]
    assert told == [text for text in order if text in told], "in their order, each once"
    if stalls == 0:
        assert told == order[truth[0][1] < GAP :], "calm, and gaps that are long enough: all of them"
    places = [-1, *(found.index(it) for it in found if isinstance(it, Message)), len(found)]
    numbers = [-1, *(order.index(text) for text in told), len(order)]
    for (place, after), (n, m) in zip(pairwise(places), pairwise(numbers), strict=True):
        assert m == n + 1 or after > place + 1, f"messages {n + 1} to {m - 1} vanished without a word"


def read_late(framer: Framer, bytes_at: list[tuple[int, int]], chance: random.Random, stalls: float) -> list[Found]:
    """Bytes as a loop reads them that looks every 5 ms or so, and is held up now and then."""
    found: list[Found] = []
    before = turn = position = 0
    end = bytes_at[-1][0] + 3 * GAP
    while turn < end:
        now = turn + chance.randrange(1, 6) * MS + (chance.random() < stalls) * chance.randrange(150) * MS
        ready = position
        while ready < len(bytes_at) and bytes_at[ready][0] <= now:
            ready += 1
        if ready > position:
            data = bytes(byte for _, byte in bytes_at[position:ready])
            found += framer.receive(data, before, now)
            position = ready
        before, turn = turn, now
        found += framer.quiet(before)
    return found
