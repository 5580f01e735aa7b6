"""Reads per second and punctuality of the Modbus client: ``python tests/bench/bench_modbus.py`` (about two minutes).

Server: a C program on libmodbus with a poll(2) loop, compiled here (gcc, libmodbus-dev). Client and server are pinned
to different cores. Every kind of client reads 100 discrete inputs over and over; the kinds take turns, several times,
and what counts is the ratio of each to the bare client of the same turn (its median, so that a machine that is busy
with other things disturbs all alike). The bare client packs and unpacks frames and checks nothing. Beside it stands the
processor time of a read in this process, which depends less on who else uses the machine.
"""

from __future__ import annotations

import argparse
import asyncio
import ctypes
import itertools
import os
import selectors
import shutil
import statistics
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable, Coroutine, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path

import uvloop
from pymodbus.client import AsyncModbusTcpClient

sys.path.insert(0, str(Path(__file__).parents[2]))

from harness.core.places import ModbusPlace, Table
from harness.links.base import AnyBlock
from harness.links.modbus_client import ModbusClient
from harness.links.modbus_pdu import ReadRequest
from harness.links.modbus_schedule import Poll, Schedule
from harness.links.modbus_tcp import ModbusTcpListener
from harness.record.header import Header
from harness.record.writer import RecordWriter
from tests.peers import libmodbus_server, recorder

COUNT = 100
REQUEST = ReadRequest(unit=1, table=Table.DISCRETE_INPUT, address=0, count=COUNT)
TIMEOUT_NS = 5_000_000_000
Rate = Callable[[int, int, float], Coroutine[None, None, float]]


@contextmanager
def c_server() -> Iterator[int]:
    """Compile and start the server on another core than ours; gives its port."""
    source = Path(__file__).with_name("modbus_bench_server.c")
    with tempfile.TemporaryDirectory() as folder:
        program = Path(folder) / "server"
        subprocess.run([shutil.which("gcc") or "gcc", "-O2", str(source), "-o", str(program), "-lmodbus"], check=True)  # noqa: S603 - our own source
        process = subprocess.Popen([program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)  # noqa: S603
        assert process.stdin is not None
        assert process.stdout is not None
        cores = sorted(os.sched_getaffinity(0))
        os.sched_setaffinity(process.pid, {cores[-1]})
        os.sched_setaffinity(0, {cores[0]})
        try:
            yield int(process.stdout.readline())
        finally:
            process.stdin.close()
            process.wait()


class BareClient(asyncio.Protocol):
    """Frames in, frames out: no checks, no stamps, no time-out."""

    def __init__(self) -> None:
        self.transaction = 0
        self.waiting: dict[int, asyncio.Future[bytes]] = {}
        self.loop = asyncio.get_running_loop()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = transport

    def read(self) -> asyncio.Future[bytes]:
        self.transaction = (self.transaction + 1) & 0xFFFF
        future = self.waiting[self.transaction] = self.loop.create_future()
        self.transport.write(struct.pack(">HHHBBHH", self.transaction, 0, 6, 1, 2, 0, COUNT))  # type: ignore[attr-defined]
        return future

    def data_received(self, data: bytes) -> None:
        transaction, _, _, _, _, size = struct.unpack_from(">HHHBBB", data)
        self.waiting.pop(transaction).set_result(data[9 : 9 + size])


async def repeat(readers: Sequence[Callable[[], Awaitable[object]]], seconds: float) -> float:
    """Reads per second when every reader reads again as soon as it has its answer."""
    end = time.perf_counter() + seconds

    async def one(read: Callable[[], Awaitable[object]]) -> int:
        number = 0
        while time.perf_counter() < end:
            for _ in range(20):
                await read()
            number += 20
        return number

    begun = time.perf_counter()
    numbers = await asyncio.gather(*(one(read) for read in readers))
    return sum(numbers) / (time.perf_counter() - begun)


async def bare(port: int, connections: int, seconds: float) -> float:
    loop = asyncio.get_running_loop()
    pairs = [await loop.create_connection(BareClient, "127.0.0.1", port) for _ in range(connections)]
    rate = await repeat([client.read for _, client in pairs], seconds)
    for transport, _ in pairs:
        transport.close()
    return rate


async def ours(port: int, connections: int, seconds: float) -> float:
    clients = [ModbusClient("127.0.0.1", port, time.monotonic_ns) for _ in range(connections)]
    for client in clients:
        await client.connect()
    rate = await repeat([partial(client.read, REQUEST, TIMEOUT_NS) for client in clients], seconds)
    for client in clients:
        client.close()
    return rate


async def pymodbus(port: int, connections: int, seconds: float) -> float:
    clients = [AsyncModbusTcpClient("127.0.0.1", port=port) for _ in range(connections)]
    for client in clients:
        await client.connect()
    read = [partial(client.read_discrete_inputs, 0, count=COUNT, device_id=1) for client in clients]
    rate = await repeat(read, seconds)
    for client in clients:
        client.close()
    return rate


async def listener(port: int, connections: int, seconds: float) -> float:
    """The whole listener, as fast as it can go: one block a link, always overdue; its observer only counts."""
    return await _listen(port, connections, seconds, Counting())


async def recorded(port: int, connections: int, seconds: float) -> float:
    """The whole link: the listener, and everything that it observes in a record on this machine's disk."""
    with new_record() as writer:
        return await _listen(port, connections, seconds, CountingRecord(writer))


@contextmanager
def new_record() -> Iterator[RecordWriter]:
    """A record in a folder of its own, gone afterwards."""
    with tempfile.TemporaryDirectory() as folder:
        header = Header.now(time.monotonic_ns, site="bench")
        writer = RecordWriter.create(Path(folder) / "bench.farend", header, {}, time.monotonic_ns)
        try:
            yield writer
        finally:
            writer.close()


async def _listen(port: int, connections: int, seconds: float, counts: Counting) -> float:
    place = ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=COUNT - 1)
    first = ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=0)
    points = [recorder.point("first", first), recorder.point("last", place)]
    ids = itertools.count()
    spec = recorder.modbus_link(port, period_ms=0.001, gap_max_bits=COUNT)
    links = [ModbusTcpListener(spec, points, counts, time.monotonic_ns, lambda: next(ids)) for _ in range(connections)]
    tasks = [asyncio.create_task(link.run()) for link in links]
    await asyncio.sleep(0.05)
    begun, number = time.perf_counter(), counts.number
    await asyncio.sleep(seconds)
    rate = (counts.number - number) / (time.perf_counter() - begun)
    for task in tasks:
        task.cancel()
    await asyncio.wait(tasks)
    return rate


class Counting(recorder.Recorder):
    """An observer that counts polls and keeps nothing."""

    def __init__(self) -> None:
        super().__init__()
        self.number = 0
        self.missed = 0

    def poll(self, block_id: int, asked_ns: int, told_ns: int, payload: bytes) -> None:
        self.number += 1

    def overrun(self, link: str, due_ns: int, begun_ns: int) -> None:
        self.missed += 1


class CountingRecord(Counting):
    """An observer that counts polls and puts them on record. Overruns are not: at full speed every poll is one."""

    def __init__(self, writer: RecordWriter) -> None:
        super().__init__()
        self._writer = writer

    def block(self, block: AnyBlock) -> None:
        self._writer.block(block)

    def poll(self, block_id: int, asked_ns: int, told_ns: int, payload: bytes) -> None:
        self.number += 1
        self._writer.poll(block_id, asked_ns, told_ns, payload)


def libmodbus(port: int, seconds: float) -> float:
    """libmodbus's own client, called through ctypes; it blocks, so one connection is all there is to measure."""
    lib = libmodbus_server.load()
    context = lib.modbus_new_tcp(b"127.0.0.1", port)
    lib.modbus_set_slave(context, 1)
    if lib.modbus_connect(context) != 0:
        raise OSError("libmodbus: no connection")
    values = ctypes.create_string_buffer(COUNT)
    begun, number = time.perf_counter(), 0
    while time.perf_counter() - begun < seconds:
        for _ in range(20):
            if lib.modbus_read_input_bits(context, 0, COUNT, values) != COUNT:
                raise OSError("libmodbus: no answer")
        number += 20
    rate = number / (time.perf_counter() - begun)
    lib.modbus_close(context)
    lib.modbus_free(context)
    return rate


def new_loop(name: str) -> asyncio.AbstractEventLoop:
    if name == "uvloop":
        return uvloop.new_event_loop()
    return asyncio.SelectorEventLoop(selectors.SelectSelector() if name == "select" else selectors.EpollSelector())


def run(loop: str, work: Coroutine[None, None, float]) -> float:
    with asyncio.Runner(loop_factory=lambda: new_loop(loop)) as runner:
        return runner.run(work)


KINDS: dict[str, Rate] = {
    "bare frames": bare,
    "our client": ours,
    "our listener": listener,
    "... on record": recorded,
    "pymodbus": pymodbus,
}


def rates(port: int, repeats: int, seconds: float) -> None:
    """Measure and print reads per second of every kind of client."""
    for loop, connections in itertools.product(("epoll", "uvloop"), (1, 50)):
        measured: dict[str, list[float]] = {name: [] for name in KINDS}
        spent: dict[str, list[float]] = {name: [] for name in KINDS}
        if connections == 1:
            measured["libmodbus (C)"], spent["libmodbus (C)"] = [], []
        for number in range(repeats):
            # Turn about, and in turned order every other time: a drift of the machine then hits all alike.
            for name in list(measured)[:: -1 if number % 2 else 1]:
                cpu = time.process_time()
                kind = KINDS.get(name)
                rate = run(loop, kind(port, connections, seconds)) if kind else libmodbus(port, seconds)
                measured[name].append(rate)
                spent[name].append((time.process_time() - cpu) / (rate * seconds))
        print(f"{loop}, {connections} connection(s):")
        for name, values in measured.items():
            ratios = [value / base for value, base in zip(values, measured["bare frames"], strict=True)]
            cpu_ratios = [base / value for value, base in zip(spent[name], spent["bare frames"], strict=True)]
            print(
                f"  {name:14} {statistics.median(values):9,.0f} reads/s, {statistics.median(ratios):5.2f} of bare "
                f"({min(ratios):.2f} to {max(ratios):.2f}); processor {1e6 * statistics.median(spent[name]):6.1f} us "
                f"a read, bare takes {statistics.median(cpu_ratios):4.2f} of that"
            )


def print_late(late_ns: list[int]) -> None:
    cuts = statistics.quantiles((ns / 1e6 for ns in late_ns), n=1000)
    print(f"    late by p50 {cuts[499]:.3f} ms, p99 {cuts[989]:.3f} ms, most {max(late_ns) / 1e6:.3f} ms")


async def bare_timers(seconds: float, links: int) -> float:
    """How late timers alone are that ring as often as the polls: what the machine and the loop add by themselves."""
    late_ns: list[int] = []
    period_ns = 100_000_000
    loop = asyncio.get_running_loop()

    def ring(due_ns: int) -> None:
        now_ns = time.monotonic_ns()
        late_ns.append(now_ns - due_ns)
        loop.call_later((due_ns + period_ns - now_ns) / 1e9, ring, due_ns + period_ns)

    begun_ns = time.monotonic_ns()
    for number in range(links):
        first_ns = number * period_ns // links
        loop.call_later(first_ns / 1e9, ring, begun_ns + first_ns)
    await asyncio.sleep(seconds)
    print(f"  {links} bare timers at 10 Hz:")
    print_late(late_ns)
    return 0.0


async def listened(port: int, seconds: float, links: int, *, on_record: bool) -> float:
    """How late polls begin, and what was missed."""
    with ExitStack() as stack:
        writer = stack.enter_context(new_record()) if on_record else None
        counts = Counting() if writer is None else CountingRecord(writer)
        await _listened(port, seconds, links, counts)
    return 0.0


async def _listened(port: int, seconds: float, links: int, counts: Counting) -> None:
    late_ns: list[int] = []
    begin = Schedule.begin

    def noted(self: Schedule, now_ns: int) -> tuple[Poll, int | None]:
        late_ns.append(now_ns - self._heap[0][0])
        return begin(self, now_ns)

    ids = itertools.count()
    place = ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=0)
    Schedule.begin = noted  # type: ignore[method-assign]
    try:
        tasks = []
        for number in range(links):
            spec = recorder.modbus_link(port, name=f"link-{number}", period_ms=100)
            mine = [recorder.point(f"p{number}", place, spec.name)]
            link = ModbusTcpListener(spec, mine, counts, time.monotonic_ns, lambda: next(ids))
            tasks.append(asyncio.create_task(link.run()))
        await asyncio.sleep(seconds)
        for task in tasks:
            task.cancel()
        await asyncio.wait(tasks)
    finally:
        Schedule.begin = begin  # type: ignore[method-assign]
    on_record = ", on record" if isinstance(counts, CountingRecord) else ""
    missed = f"{counts.missed} overruns, {len(counts.failures)} failed"
    print(f"  {links} links at 10 Hz{on_record}: {counts.number} polls, {missed}")
    print_late(late_ns)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=0.6, help="length of one measurement")
    options = parser.parse_args()
    if len(os.sched_getaffinity(0)) < 2:
        sys.exit("two cores are needed: client and server must not share one")
    with c_server() as port:
        rates(port, options.repeats, options.seconds)
        for loop in ("epoll", "select", "uvloop"):
            print(f"{loop}:")
            run(loop, bare_timers(5, 50))
            run(loop, listened(port, 5, 50, on_record=False))
            run(loop, listened(port, 5, 50, on_record=True))


if __name__ == "__main__":
    main()
