"""The text listener on real sockets and a real pseudo-terminal: it hears, it never speaks, it comes back."""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
import time
import tracemalloc
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from harness.core.links import Framing, LineEnd, SerialPort, TextLink
from harness.links.base import LinkState
from harness.links.text import READ_BYTES, TextListener, _Intake
from tests.peers.recorder import DEADLINE_S, ORIGIN, Recorder, listening

clock = time.monotonic_ns


class Printer:
    """A serial device server as it is on the network: whoever connects gets the bytes; what they send is kept."""

    def __init__(self) -> None:
        self.writers: list[asyncio.StreamWriter] = []
        self.heard = b""
        self._come = asyncio.Event()
        self._server: asyncio.Server | None = None
        self.port = 0

    async def start(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.writers.append(writer)
        self._come.set()
        with contextlib.suppress(ConnectionError):
            while data := await reader.read(1000):
                self.heard += data
        writer.close()

    async def joined(self, count: int = 1) -> None:
        async with asyncio.timeout(DEADLINE_S):
            while len(self.writers) < count:
                self._come.clear()
                await self._come.wait()

    async def print(self, data: bytes) -> None:
        self.writers[-1].write(data)
        await self.writers[-1].drain()

    async def die(self) -> None:
        assert self._server is not None
        self._server.close()
        for writer in self.writers:
            writer.transport.abort()
        await self._server.wait_closed()


@asynccontextmanager
async def printer() -> AsyncIterator[Printer]:
    one = Printer()
    await one.start()
    try:
        yield one
    finally:
        await one.die()


def tcp_link(port: int, **rest: object) -> TextLink:
    return TextLink(name="printer", host="127.0.0.1", tcp_port=port, origin=ORIGIN, **rest)  # type: ignore[arg-type]


def data_of(recorder: Recorder) -> list[bytes]:
    return [data for _, _, _, data in recorder.lines]


def is_up(recorder: Recorder, times: int = 1) -> Callable[[], bool]:
    return lambda: sum(state is LinkState.UP for _, _, state, _ in recorder.states) >= times


async def test_lines_come_with_bounds_that_hold_when_they_were_printed_and_nothing_is_ever_sent() -> None:
    recorder = Recorder()
    async with printer() as one:
        async with listening(TextListener(tcp_link(one.port), recorder, clock)):
            await recorder.until(is_up(recorder))
            await one.joined()
            for number in range(20):
                before = clock()
                await one.print(f"LINE {number}\r\n".encode())
                await recorder.until(lambda wanted=number + 1: len(recorder.lines) == wanted)  # type: ignore[misc]
                link, first_ns, last_ns, data = recorder.lines[-1]
                assert (link, data) == ("printer", f"LINE {number}".encode())
                assert first_ns <= last_ns
                assert before <= last_ns <= clock()
        await one.die()
        assert one.heard == b""
    assert [state for _, _, state, _ in recorder.states] == [LinkState.UP, LinkState.DOWN]
    assert recorder.states[-1][3] == "the listener was ended"


async def test_a_loop_that_stood_still_widens_the_arrival_down_to_before_the_line_came() -> None:
    """The bytes lie in the socket while nobody reads; the line's bounds must still hold the instant they arrived."""
    recorder = Recorder()
    async with printer() as one, listening(TextListener(tcp_link(one.port), recorder, clock)):
        await recorder.until(is_up(recorder))
        await one.joined()
        socket = one.writers[0].get_extra_info("socket")
        for _ in range(5):
            recorder.lines.clear()
            printed = clock()
            os.write(socket.fileno(), b"RAISED\r\n")
            arrived = clock()
            end = arrived + 80_000_000
            while clock() < end:
                pass  # the loop is held up on purpose
            await recorder.until(lambda: len(recorder.lines) == 1)
            _, first_ns, last_ns, _ = recorder.lines[0]
            assert first_ns <= printed
            assert last_ns >= end


@pytest.mark.parametrize("size", [1, 3, 1_000_000])
async def test_every_fragmentation_gives_the_same_lines(size: int) -> None:
    recorder = Recorder()
    data = b"one\r\ntwo\nthree\rfo\xffur\x00\r\n\r\nfive\r\ntrailing"
    async with printer() as one:
        async with listening(TextListener(tcp_link(one.port), recorder, clock)):
            await one.joined()
            for at in range(0, len(data), size):
                await one.print(data[at : at + size])
            await recorder.until(lambda: len(recorder.lines) == 5)
            await one.die()
            await recorder.until(lambda: bool(recorder.drops))
        assert data_of(recorder) == [b"one", b"two", b"three", b"fo\xffur\x00", b"five"]
        assert recorder.drops[0][2:] == ("a line was cut off by the end of the connection", b"trailing")


async def test_a_peer_that_dies_is_down_and_is_found_again_when_it_comes_back() -> None:
    recorder = Recorder()
    async with printer() as one, listening(TextListener(tcp_link(one.port), recorder, clock)):
        await one.joined()
        await one.print(b"before\r\n")
        await recorder.until(lambda: data_of(recorder) == [b"before"])
        await one.die()
        await recorder.until(lambda: "cannot connect" in recorder.states[-1][3])
        downs = [why for _, _, state, why in recorder.states if state is LinkState.DOWN]
        assert "connection lost" in downs[0]
        one.writers.clear()
        await one.start()
        await one.joined()
        await recorder.until(is_up(recorder, 2))
        await one.print(b"after\r\n")
        await recorder.until(lambda: data_of(recorder) == [b"before", b"after"])
        times = [at for _, at, _, _ in recorder.states]
        assert times == sorted(times)
        assert recorder.states[-1][1] <= recorder.lines[-1][2]


async def test_a_peer_that_is_not_there_is_reported_once_with_what_to_look_at() -> None:
    recorder = Recorder()
    one = Printer()
    await one.start()
    await one.die()
    tried = asyncio.Queue[None]()

    class Trying(TextListener):
        async def _connect(self, intake: _Intake) -> asyncio.BaseTransport:
            tried.put_nowait(None)
            return await super()._connect(intake)

    async with listening(Trying(tcp_link(one.port), recorder, clock)), asyncio.timeout(DEADLINE_S):
        for _ in range(4):
            await tried.get()
        assert len(recorder.states) == 1
    _, _, state, why = recorder.states[0]
    assert state is LinkState.DOWN
    assert why.startswith(f"127.0.0.1:{one.port}: cannot connect: ")
    assert why.endswith("look at address and port")


HOSTILE = [
    pytest.param(b"A" * 500_000, id="one huge line"),
    pytest.param(bytes(range(256)) * 1500, id="bytes that are no text"),
    pytest.param(b"\x00" * 300_000, id="NUL bytes"),
    pytest.param(b"\r" * 150_000 + b"\n" * 150_000, id="line ends only"),
    pytest.param(b"<script>alert(1)</script>\x1b]0;title\x07\x1b[2J\r\n" * 5000, id="markup and escapes"),
]


@pytest.mark.parametrize("flood", HOSTILE)
async def test_a_hostile_printer_neither_crashes_nor_fills_the_memory_nor_hides_what_follows(flood: bytes) -> None:
    recorder = Recorder()
    async with printer() as one, listening(TextListener(tcp_link(one.port), recorder, clock)):
        await one.joined()
        tracemalloc.start()
        try:
            await one.print(flood + b"\r\nRAISED TANK 1 HIGH\r\n")
            await recorder.until(lambda: bool(recorder.lines) and recorder.lines[-1][3] == b"RAISED TANK 1 HIGH")
            kept = sum(len(data) + 300 for data in data_of(recorder)) + 400 * len(recorder.drops)
            now, _ = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
        assert all(len(data) <= 1024 for data in data_of(recorder))
        assert now < kept + 200_000, "more is held than was observed"


async def test_a_printer_that_floods_is_read_slowly_enough_for_the_others() -> None:
    """Two links in one loop: while one floods, the other's lines still come in."""
    recorder, other = Recorder(), Recorder()
    async with (
        printer() as loud,
        printer() as quiet,
        listening(TextListener(tcp_link(loud.port), recorder, clock)),
        listening(TextListener(tcp_link(quiet.port), other, clock)),
    ):
        await loud.joined()
        await quiet.joined()
        loud.writers[0].write(b"x\n" * 100_000)
        await recorder.until(lambda: len(recorder.lines) > READ_BYTES)
        await quiet.print(b"RAISED\r\n")
        await other.until(lambda: data_of(other) == [b"RAISED"])
        assert len(recorder.lines) < 100_000, "the flood was over before the other line came"
        await recorder.until(lambda: len(recorder.lines) == 100_000)


COM3 = SerialPort(port="COM3")


@pytest.mark.parametrize(
    ("rest", "message"),
    [
        ({}, "expected a host with its TCP port, or a serial port"),
        ({"host": "127.0.0.1"}, "expected a host with its TCP port"),
        ({"host": "127.0.0.1", "tcp_port": 1, "serial": COM3}, "expected a host with its TCP port"),
        ({"serial": COM3, "line_max_bytes": 0}, "line_max_bytes=0"),
        ({"serial": COM3, "framing": Framing.IDLE_GAP}, "idle_gap_ns=0: expected at least"),
    ],
)
async def test_a_link_that_says_too_little_or_too_much_is_refused(rest: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        TextListener(TextLink(name="printer", origin=ORIGIN, **rest), Recorder(), clock)  # type: ignore[arg-type]


# --- serial ports ---------------------------------------------------------------------------------

needs_pty = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")


def serial_link(port: str, **rest: object) -> TextLink:
    return TextLink(name="printer", serial=SerialPort(port=port, baud=9600), origin=ORIGIN, **rest)  # type: ignore[arg-type]


@needs_pty
async def test_a_serial_port_is_heard_and_nothing_comes_back_on_it() -> None:
    recorder = Recorder()
    device, listened = os.openpty()
    port = os.ttyname(listened)
    os.close(listened)
    os.set_blocking(device, False)
    try:
        link = serial_link(port, line_end=LineEnd.CRLF)
        async with listening(TextListener(link, recorder, clock)):
            await recorder.until(is_up(recorder))
            for number in range(10):
                os.write(device, f"LINE {number}\r\n".encode())
                await recorder.until(lambda wanted=number + 1: len(recorder.lines) == wanted)  # type: ignore[misc]
        with pytest.raises(OSError, match=r"(?i)input/output error|temporarily unavailable|resource"):
            assert os.read(device, 100) == b"", "an echo, or a byte of ours"
    finally:
        os.close(device)
    assert data_of(recorder) == [f"LINE {number}".encode() for number in range(10)]


@needs_pty
async def test_a_terminal_that_echoes_is_silenced_before_anything_is_heard() -> None:
    """A pseudo-terminal echoes by default, as a real port may: the printer must not get its own lines back."""
    import termios

    recorder = Recorder()
    device, held = os.openpty()
    try:
        assert termios.tcgetattr(held)[3] & termios.ECHO
        async with listening(TextListener(serial_link(os.ttyname(held)), recorder, clock)):
            await recorder.until(is_up(recorder))
            assert not termios.tcgetattr(held)[3] & (termios.ECHO | termios.ICANON)
            os.write(device, b"RAISED\r\n")
            await recorder.until(lambda: data_of(recorder) == [b"RAISED"])
            os.set_blocking(device, False)
            with pytest.raises(BlockingIOError):
                os.read(device, 100)
    finally:
        os.close(device)
        os.close(held)


@needs_pty
async def test_an_unplugged_port_is_down_at_once() -> None:
    recorder = Recorder()
    device, listened = os.openpty()
    port = os.ttyname(listened)
    os.close(listened)
    async with listening(TextListener(serial_link(port), recorder, clock)):
        await recorder.until(is_up(recorder))
        os.close(device)
        await recorder.until(lambda: recorder.states[-1][2] is LinkState.DOWN)
        assert recorder.states[-1][3].startswith(f"{port}: connection lost: ")
        await recorder.until(lambda: "cannot be opened" in recorder.states[-1][3])


@needs_pty
async def test_a_port_that_comes_back_under_its_name_is_heard_again(tmp_path: Path) -> None:
    recorder = Recorder()
    name = tmp_path / "printer-port"
    device, listened = os.openpty()
    name.symlink_to(os.ttyname(listened))
    async with listening(TextListener(serial_link(str(name)), recorder, clock)):
        await recorder.until(is_up(recorder))
        os.close(listened)
        os.close(device)
        await recorder.until(lambda: recorder.states[-1][2] is LinkState.DOWN)
        device, listened = os.openpty()
        name.unlink()
        name.symlink_to(os.ttyname(listened))
        await recorder.until(is_up(recorder, 2))
        os.write(device, b"RAISED\n")
        await recorder.until(lambda: data_of(recorder) == [b"RAISED"])
    os.close(listened)
    os.close(device)


@needs_pty
async def test_flow_control_bytes_are_bytes(tmp_path: Path) -> None:
    """XON and XOFF (0x11, 0x13) neither stop the listening nor are they swallowed, whatever the port was set to."""
    import termios

    recorder = Recorder()
    device, held = os.openpty()
    try:
        before = termios.tcgetattr(held)
        before[0] |= termios.IXON | termios.IXOFF
        termios.tcsetattr(held, termios.TCSANOW, before)
        async with listening(TextListener(serial_link(os.ttyname(held)), recorder, clock)):
            await recorder.until(is_up(recorder))
            assert not termios.tcgetattr(held)[0] & (termios.IXON | termios.IXOFF | termios.IXANY)
            os.write(device, b"A\x13B\x11C\r\n")
            await recorder.until(lambda: data_of(recorder) == [b"A\x13B\x11C"])
            os.write(device, b"x" * 900 + b"\n")
            await recorder.until(lambda: data_of(recorder)[1:] == [b"x" * 900])
            os.set_blocking(device, False)
            with pytest.raises(BlockingIOError):
                os.read(device, 10)
    finally:
        os.close(device)
        os.close(held)


@needs_pty
async def test_messages_framed_by_silence_on_a_port() -> None:
    """No byte ends them: they come out when nothing followed, with bounds that hold when they were written."""
    recorder = Recorder()
    device, held = os.openpty()
    try:
        link = serial_link(os.ttyname(held), framing=Framing.IDLE_GAP, idle_gap_ns=100_000_000)
        async with listening(TextListener(link, recorder, clock)):
            await recorder.until(is_up(recorder))
            for number in range(4):
                before, after = await until_told(device, recorder, f"MESSAGE {number}\r\n".encode())
                _, first_ns, last_ns, data = recorder.lines[-1]
                assert data == f"MESSAGE {number}".encode()
                assert first_ns <= after
                assert before <= last_ns
            recorder.drops.clear()
            await quiet_for(0.2)
            os.write(device, b"RAISED A")
            hold_up(0.15)
            os.write(device, b"RAISED B")
            await recorder.until(lambda: bool(recorder.drops))
            assert recorder.drops[0][2] == "bytes that were read too late to tell whether a gap of 100 ms lay between"
            await until_told(device, recorder, b"RAISED C")
        assert data_of(recorder) == [*(f"MESSAGE {n}".encode() for n in range(4)), b"RAISED C"]
    finally:
        os.close(device)
        os.close(held)


@needs_pty
async def test_messages_of_one_length_on_a_port() -> None:
    recorder = Recorder()
    device, held = os.openpty()
    try:
        link = serial_link(os.ttyname(held), framing=Framing.LENGTH, message_bytes=8, idle_gap_ns=100_000_000)
        async with listening(TextListener(link, recorder, clock)):
            await recorder.until(is_up(recorder))
            await quiet_for(0.5)
            os.write(device, b"RAISED 1RAISED 2CLEA")
            await recorder.until(lambda: len(recorder.lines) == 2)
            await recorder.until(lambda: bool(recorder.drops))
            os.write(device, b"CLEARED1")
            await recorder.until(lambda: len(recorder.lines) == 3)
        assert data_of(recorder) == [b"RAISED 1", b"RAISED 2", b"CLEARED1"]
        assert recorder.drops[0][2:] == ("a message of 4 bytes, then silence: expected 8", b"CLEA")
    finally:
        os.close(device)
        os.close(held)


async def until_told(device: int, recorder: Recorder, message: bytes) -> tuple[int, int]:
    """Write it, and again where this computer was too busy to tell its gaps; instants before and after the writing."""
    wanted = len(recorder.lines) + 1
    while True:
        await quiet_for(0.2)
        drops, before = len(recorder.drops), clock()
        os.write(device, message)
        after = clock()
        await recorder.until(lambda: len(recorder.lines) == wanted or len(recorder.drops) > drops)  # noqa: B023
        if len(recorder.lines) == wanted:
            return before, after


async def quiet_for(seconds: float) -> None:
    """Silence on the line, which is what is framed by, and not a wait for something to happen."""
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(seconds):
            await asyncio.Event().wait()


def hold_up(seconds: float) -> None:
    """The loop stands still, as it does for a busy computer."""
    end = clock() + round(seconds * 1e9)
    while clock() < end:
        pass


@needs_pty
async def test_a_port_is_not_shared() -> None:
    first, second = Recorder(), Recorder()
    device, held = os.openpty()
    port = os.ttyname(held)
    try:
        async with listening(TextListener(serial_link(port), first, clock)):
            await first.until(is_up(first))
            async with listening(TextListener(serial_link(port), second, clock)):
                await second.until(lambda: bool(second.states))
                assert second.states[0][2] is LinkState.DOWN
                assert "another program has it open" in second.states[0][3]
            os.write(device, b"RAISED\n")
            await first.until(lambda: data_of(first) == [b"RAISED"])
    finally:
        os.close(device)
        os.close(held)


@needs_pty
@pytest.mark.parametrize(
    ("port", "message"),
    [
        ("/dev/null", "it is no serial port"),
        ("/nonexistent/port", "No such file or directory"),
        ("socket://127.0.0.1:1", "expected the name of a serial port"),
    ],
)
async def test_what_is_no_port_says_so(port: str, message: str) -> None:
    recorder = Recorder()
    async with listening(TextListener(serial_link(port), recorder, clock)):
        await recorder.until(lambda: bool(recorder.states))
        assert message in recorder.states[0][3]
