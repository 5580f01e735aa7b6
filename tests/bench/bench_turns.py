"""Polls every 20 ms while a thread of the same process judges: ``python tests/bench/bench_turns.py [--rounds 5]``.

A real listener polls a Modbus TCP device in another process; beside it, as in a test, results are judged in a thread
over and over. Shown: the gaps between polls with nothing judged, with Python's own turns of threads, and with the turns
and the heap as ``run.attentive`` sets them; the rounds alternate, so that other load of the machine meets all alike.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import itertools
import os
import random
import sys
import threading
import time
from collections import defaultdict
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from harness.cli.common import loop_factory
from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import ModbusTcpLink
from harness.core.model import Point
from harness.core.places import ModbusPlace, Numbering, Table
from harness.links.modbus_tcp import ModbusTcpListener
from harness.results.evidence import evidence_of
from harness.run.attentive import listening_first
from tests.bench.bench_judge import mqtt
from tests.bench.bench_soak import ORIGIN, Part
from tests.peers.recorder import Recorder, listening

PERIOD_NS = 20 * NS_PER_MS
JUDGED_MESSAGES = 1_000
ROUND_S = 4.0


def judging(stop: threading.Event) -> None:
    """Judge what an MQTT link told, until stopped."""
    site, source = mqtt(50, JUDGED_MESSAGES, random.Random(1))
    while not stop.is_set():
        evidence_of(source, site, (), 0, 1_000 * NS_PER_S)


async def gaps_ms(port: int, *, judged: bool) -> list[float]:
    """From asked to told of the next, in one round."""
    spec = ModbusTcpLink(
        name="panel", host="127.0.0.1", port=port, numbering=Numbering.FROM_ZERO, unit=1, poll_period_ns=PERIOD_NS,
        timeout_ns=NS_PER_S, origin=ORIGIN,
    )  # fmt: skip
    place = ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=0)
    recorder, stop = Recorder(), threading.Event()
    listener = ModbusTcpListener(
        spec, [Point(name="p", link="panel", place=place, origin=ORIGIN)], recorder, time.monotonic_ns, recorder.next_id
    )
    thread = threading.Thread(target=judging, args=(stop,), name="judging")
    async with listening(listener):
        if judged:
            thread.start()
        await asyncio.sleep(ROUND_S)
    stop.set()
    if judged:
        await asyncio.to_thread(thread.join)
    return [(later[2] - one[1]) / NS_PER_MS for one, later in itertools.pairwise(recorder.polls)]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=5)
    rounds = parser.parse_args().rounds
    part = Part("devices", "--rate", "5")
    found: dict[str, list[float]] = defaultdict(list)
    modes = {"nothing judged": (False, False), "judging, as Python is": (True, False), "judging, as set": (True, True)}
    try:
        for _ in range(rounds):
            for name, (judged, is_set) in modes.items():
                set_so = listening_first() if is_set else contextlib.nullcontext()
                with asyncio.Runner(loop_factory=loop_factory()) as runner, set_so:
                    found[name] += runner.run(gaps_ms(part.told["ports"][0], judged=judged))
    finally:
        part.end()
    print(f"gaps of polls every {PERIOD_NS // NS_PER_MS} ms, load {os.getloadavg()[0]:.2f}")
    for name, gaps in found.items():
        p50, p99, worst = np.percentile(gaps, [50, 99, 100])
        print(f"  {name:<22} {len(gaps):>6,d}   p50 {p50:6.2f}   p99 {p99:6.2f}   max {worst:7.2f} ms")


if __name__ == "__main__":
    main()
