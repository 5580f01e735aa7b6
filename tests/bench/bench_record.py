"""What a record costs: intake, size, memory over an hour's worth of polls, and reading it back.

``python -m tests.bench.bench_record [--blocks 50] [--hours 1]`` prints one line a measurement. Nothing passes or fails.
"""

from __future__ import annotations

import argparse
import gc
import itertools
import random
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from harness.core.instants import NS_PER_S
from harness.core.places import Table
from harness.links.base import Block
from harness.record.header import Header
from harness.record.reader import RecordReader
from harness.record.writer import COMMIT_PERIOD_NS, RecordWriter

MILLION = 1_000_000
CHANGE_EVERY = 600
"""Polls of a block between two changes of its payload: one a minute at 10 Hz."""


def new(folder: str, name: str, blocks: int) -> RecordWriter:
    clock = time.monotonic_ns
    writer = RecordWriter.create(Path(folder) / name, Header.now(clock, site="bench"), {}, clock)
    for number in range(blocks):
        writer.block(Block(id=number, link=f"l{number}", unit=1, table=Table.DISCRETE_INPUT, address=0, count=100))
    return writer


def polls(blocks: int, count: int, period_ns: int) -> Iterator[tuple[int, int, int, bytes]]:
    """Polls as ``blocks`` links of one period make them, spread over it, with exchange times that scatter."""
    chance = random.Random(1)
    took = [chance.randrange(150_000, 900_000) for _ in range(9973)]
    jitter = [chance.randrange(0, 120_000) for _ in range(9967)]
    payloads = [chance.randbytes(13) for _ in range(97)]
    start = time.monotonic_ns()
    for number in range(count):
        asked = start + number * period_ns // blocks + jitter[number % 9967]
        turn = number // blocks // CHANGE_EVERY
        yield number % blocks, asked, asked + took[number % 9973], payloads[(turn + number % blocks) % 97]


def resident_kb() -> int:
    """Memory of this process that is in use now, in kB; 0 where the platform does not say."""
    try:
        text = Path("/proc/self/status").read_text("ascii")
    except OSError:
        return 0
    return int(text.split("VmRSS:")[1].split()[0])


def intake(folder: str, blocks: int) -> None:
    """How many polls a second can be handed over, the writing thread running beside."""
    prepared = list(polls(blocks, MILLION, NS_PER_S // 10))
    writer = new(folder, "intake", blocks)
    gc.disable()
    start = time.perf_counter()
    for one in prepared:
        writer.poll(*one)
    took = time.perf_counter() - start
    gc.enable()
    writer.close()
    print(f"intake                 {MILLION / took:12,.0f} polls/s handed over")
    with RecordReader.open(writer.path) as reader:
        lost = sum(sum(one.counts.values()) for one in reader.lost())
    print(f"intake, lost           {lost:12,d} polls of {MILLION:,d}")


def hour(folder: str, blocks: int, hours: float, poll_hz: int) -> Path:
    """A run's worth of polls in batches as large as they are in real time: size a poll, and memory that stays flat."""
    count = int(hours * 3600 * poll_hz * blocks)
    per_batch = max(1, blocks * poll_hz * COMMIT_PERIOD_NS // NS_PER_S)
    writer = new(folder, f"hour-{blocks}-{poll_hz}", blocks)
    made = polls(blocks, count, NS_PER_S // poll_hz)
    seen = []
    start = time.perf_counter()
    for number in itertools.count():
        batch = list(itertools.islice(made, per_batch))
        if not batch:
            break
        for one in batch:
            writer.poll(*one)
        writer.flush()
        if number % max(1, count // per_batch // 10) == 0:
            seen.append(resident_kb())
    took = time.perf_counter() - start
    writer.close()
    size = writer.path.stat().st_size
    name = f"{blocks} blocks at {poll_hz} Hz"
    print(f"{name:22s} {size * MILLION / count / 1e6:12.2f} MB a million polls ({count:,d} polls, {size:,d} bytes)")
    print(f"{name:22s} {max(seen[1:]) - seen[1]:12,d} kB grown after the first tenth (in use: {seen[1]:,d} kB)")
    print(f"{name:22s} {took:12.1f} s for {hours:g} h, every batch waited for")
    return writer.path


def read_back(path: Path) -> None:
    start = time.perf_counter()
    with RecordReader.open(path) as reader:
        opened = time.perf_counter()
        blocks = reader.blocks()
        count = sum(len(reader.polls(block.id)) for block in blocks)
        done = time.perf_counter()
    print(f"opened and verified    {(opened - start) * MILLION / count:12.3f} s a million polls")
    print(f"read into arrays       {(done - opened) * MILLION / count:12.3f} s a million polls ({count:,d} polls)")


def main() -> None:
    parser = argparse.ArgumentParser(description="What a record costs.")
    parser.add_argument("--blocks", type=int, default=50)
    parser.add_argument("--hours", type=float, default=1.0)
    chosen = parser.parse_args()
    print(f"Python {sys.version.split()[0]}, {sys.platform}")
    with tempfile.TemporaryDirectory() as folder:
        read_back(hour(folder, chosen.blocks, chosen.hours, 10))
        hour(folder, 1, chosen.hours, 10)
        intake(folder, chosen.blocks)


if __name__ == "__main__":
    main()
