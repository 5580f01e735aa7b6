"""A process that writes a record and tells on standard output what it handed over when. It is made to be killed.

``python -m tests.peers.record_child steadily PATH``: a line and a poll every millisecond, until killed; a report after
each (number, monotonic ns). ``… in-rounds PATH ROUNDS LINES BYTES``: rounds of so many lines of so many bytes, each
flushed, then a clean close; a line of text at every step.
"""

from __future__ import annotations

import os
import struct
import sys
import time
from pathlib import Path

from harness.core.places import Table
from harness.links.base import Block, LinkState
from harness.record.header import Header
from harness.record.writer import RecordWriter

REPORT = struct.Struct("<qq")
DOCUMENTS = {"site.yaml": b"site: hollowmere\n", "points.csv": b"alarm,point\n" * 500}
PAYLOAD_LASTS = 50
"""Polls for which the payload stays the same."""


def payload_of(number: int) -> bytes:
    return struct.pack(">H", number // PAYLOAD_LASTS)


def line_of(number: int, size: int = 16) -> bytes:
    return (f"{number} RAISED " + "x" * size)[:size].encode()


def start(path: Path) -> RecordWriter:
    clock = time.monotonic_ns
    writer = RecordWriter.create(path, Header.now(clock, site="hollowmere"), DOCUMENTS, clock)
    writer.block(Block(id=1, link="bms", unit=1, table=Table.HOLDING_REGISTER, address=0, count=1))
    writer.link_state("printer", clock(), LinkState.UP, "connected")
    return writer


def hand_over(writer: RecordWriter, number: int, size: int = 16) -> int:
    now = time.monotonic_ns()
    writer.message("printer", now - 1000, now, line_of(number, size))
    writer.poll(1, now, now + 300_000 + number, payload_of(number))
    return now


def steadily(path: Path) -> None:
    writer = start(path)
    number = 0
    while True:
        now = hand_over(writer, number)
        os.write(1, REPORT.pack(number, now))
        number += 1
        time.sleep(0.001)


def in_rounds(path: Path, rounds: int, lines: int, size: int) -> None:
    writer = start(path)
    os.write(1, b"created 0\n")
    for number in range(rounds):
        for line in range(lines):
            hand_over(writer, number * lines + line, size)
        os.write(1, f"handed {(number + 1) * lines}\n".encode())
        writer.flush()
        os.write(1, f"flushed {(number + 1) * lines}\n".encode())
    writer.close()
    os.write(1, b"closed 0\n")


if __name__ == "__main__":
    if sys.argv[1] == "steadily":
        steadily(Path(sys.argv[2]))
    else:
        in_rounds(Path(sys.argv[2]), *map(int, sys.argv[3:]))
