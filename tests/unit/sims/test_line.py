"""The line in virtual time: how long characters take, where frames end, and what a collision does."""

import random

import pytest

from sims.line import PENDING_MAX, UNITS, Line

MASTER = 2
OTHER = 3


class Heard:
    """A line and all that was told of it."""

    def __init__(self, baud: int = 19_200) -> None:
        self.bytes: list[tuple[int, bytes, int]] = []
        self.frames: list[tuple[bytes, int]] = []
        self.order: list[str] = []
        self.line = Line(baud, self._passed, self._ended)

    def _passed(self, talker: int, data: bytes, end_ns: int) -> None:
        self.bytes.append((talker, data, end_ns))
        self.order.append("bytes")

    def _ended(self, frame: bytes, at_ns: int) -> None:
        self.frames.append((frame, at_ns))
        self.order.append("frame")

    def run(self) -> None:
        """Let everything happen, each at its own instant."""
        while (due_ns := self.line.due_ns) is not None:
            self.line.advance(due_ns)

    def data(self, talker: int) -> bytes:
        return b"".join(data for one, data, _ in self.bytes if one == talker)


@pytest.mark.parametrize(
    ("baud", "character_us", "gap_us"),
    [(9600, 1145.833, 4010.417), (19_200, 572.917, 2005.208), (38_400, 286.458, 1750), (115_200, 95.486, 1750)],
)
def test_times_of_the_specification(baud: int, character_us: float, gap_us: float) -> None:
    """11 bits a character; 3.5 characters of silence, 1.75 ms above 19,200 baud (V1.02, 2.5.1 and 2.5.1.1)."""
    line = Heard(baud).line
    assert line.character_ns / 1000 == pytest.approx(character_us, abs=0.001)
    assert line.gap_ns / 1000 == pytest.approx(gap_us, abs=0.001)


def test_a_request_takes_its_time_and_its_silence() -> None:
    heard = Heard()
    end_ns = heard.line.put(MASTER, b"12345678", 1000)
    heard.run()
    assert end_ns == 1000 + 8 * heard.line.character_ns
    assert [end for _, _, end in heard.bytes] == [1000 + n * heard.line.character_ns for n in range(1, 9)]
    assert heard.frames == [(b"12345678", end_ns + heard.line.gap_ns)]
    assert heard.line.due_ns is None


def test_nothing_is_early() -> None:
    heard = Heard()
    heard.line.put(MASTER, b"12", 0)
    heard.line.advance(heard.line.character_ns - 1)
    assert heard.bytes == []
    heard.line.advance(heard.line.character_ns)
    assert heard.bytes == [(MASTER, b"1", heard.line.character_ns)]
    heard.line.advance(2 * heard.line.character_ns + heard.line.gap_ns - 1)
    assert heard.frames == []


def test_a_late_look_changes_no_instant() -> None:
    """Whoever looks late is told everything at once, with the instants at which it happened."""
    prompt, late = Heard(), Heard()
    for heard in (prompt, late):
        heard.line.put(MASTER, b"1234", 0)
        heard.line.put(UNITS, b"abcd", 50_000_000)
    prompt.run()
    late.line.advance(10**9)
    assert late.frames == prompt.frames
    assert late.data(MASTER) == prompt.data(MASTER) == b"1234"
    assert late.data(UNITS) == prompt.data(UNITS) == b"abcd"
    assert late.bytes[-1][2] == prompt.bytes[-1][2]
    assert late.order.index("frame") < len(late.order) - 1, "the request ended before the answer began"


@pytest.mark.parametrize("pause", [0.0, 1.0, 3.4])
def test_a_short_pause_ends_no_frame(pause: float) -> None:
    heard = Heard()
    end_ns = heard.line.put(MASTER, b"1234", 0)
    heard.line.put(MASTER, b"5678", end_ns + round(pause * heard.line.character_ns))
    heard.run()
    assert [frame for frame, _ in heard.frames] == [b"12345678"]


@pytest.mark.parametrize("pause", [3.5, 10.0])
def test_a_silence_ends_a_frame(pause: float) -> None:
    heard = Heard()
    end_ns = heard.line.put(MASTER, b"1234", 0)
    heard.line.put(MASTER, b"5678", end_ns + 1 + round(pause * heard.line.character_ns))
    heard.run()
    assert [frame for frame, _ in heard.frames] == [b"1234", b"5678"]


def test_answers_are_no_requests() -> None:
    heard = Heard()
    heard.line.put(UNITS, b"answer", 0)
    heard.run()
    assert heard.frames == []
    assert heard.data(UNITS) == b"answer"


def test_talkers_after_each_other_do_not_spoil_anything() -> None:
    heard = Heard()
    end_ns = heard.line.put(MASTER, b"\xff\xff", 0)
    heard.line.put(UNITS, b"\xaa\xaa", end_ns)
    heard.run()
    assert (heard.data(MASTER), heard.data(UNITS)) == (b"\xff\xff", b"\xaa\xaa")


def test_talkers_at_the_same_time_spoil_each_other() -> None:
    heard = Heard()
    heard.line.put(UNITS, b"\xf0\xf0\xf0", 0)
    heard.line.put(OTHER, b"\x3c\x3c\x3c", heard.line.character_ns * 3 // 2)
    heard.run()
    assert heard.data(UNITS) == b"\xf0\x30\x30"
    assert heard.data(OTHER) == b"\x30\x30\x3c"


def test_two_masters_are_one_stream_of_bytes_to_the_units() -> None:
    heard = Heard()
    end_ns = heard.line.put(MASTER, b"12", 0)
    heard.line.put(OTHER, b"34", end_ns)
    heard.run()
    assert [frame for frame, _ in heard.frames] == [b"1234"]


def test_whoever_leaves_sends_nothing_more() -> None:
    heard = Heard()
    heard.line.put(OTHER, b"12345", 0)
    heard.line.advance(2 * heard.line.character_ns)
    heard.line.forget(OTHER)
    heard.run()
    assert [frame for frame, _ in heard.frames] == [b"12"]


def test_a_flood_has_an_end() -> None:
    heard = Heard()
    for _ in range(10):
        heard.line.put(MASTER, bytes(1000), 0)
    heard.run()
    assert len(heard.data(MASTER)) == PENDING_MAX


@pytest.mark.parametrize("seed", range(30))
def test_however_it_is_looked_at_it_is_the_same(seed: int) -> None:
    """Bytes put at random, looked at in random steps: all that is told is told in order, and once."""
    dice = random.Random(seed)
    heard = Heard()
    sent = {MASTER: bytearray(), UNITS: bytearray(), OTHER: bytearray()}
    now_ns = 0
    for _ in range(60):
        now_ns += dice.choice((0, 300_000, 2_000_000, 9_000_000))
        heard.line.advance(now_ns)
        data = bytes([0xFF]) * dice.randint(1, 9)
        talker = dice.choice(list(sent))
        sent[talker] += data
        heard.line.put(talker, data, now_ns)
    heard.run()
    assert {talker: heard.data(talker) for talker in sent} == {talker: bytes(data) for talker, data in sent.items()}
    assert b"".join(frame for frame, _ in heard.frames) == bytes(sent[MASTER] + sent[OTHER])
    ends = [end_ns for _, _, end_ns in heard.bytes]
    assert ends == sorted(ends)
