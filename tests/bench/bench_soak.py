"""Everything at once for ten minutes: ``python tests/bench/bench_soak.py [--seconds 600]``. Nothing passes or fails.

200 BACnet objects (60 told by confirmed COV, 140 read every 500 ms), a Modbus RTU bus of 5 units at 19,200 baud, 10
Modbus TCP devices (one of them every 20 ms), 24 topics of an MQTT broker and a printed line, watched by one process as
a test watches them: real listeners, the real record, the live states. What is watched runs in processes of its own
(tests/bench/soak_site.py, mosquitto) and changes all the time. Printed: what listening costs, how late polls began on
their absolute schedule, whatever was blind and why, and how long a change took from the device to its stamp.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import gc
import heapq
import json
import os
import subprocess
import sys
import tempfile
import time
from array import array
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[2]))

from harness.cli.common import loop_factory
from harness.core.errors import Origin
from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import BacnetLink, LinkSpec, ModbusRtuLink, ModbusTcpLink, MqttLink, TextLink
from harness.core.model import Point, Site
from harness.core.places import (
    Arrival,
    BacnetPlace,
    ModbusPlace,
    MqttPlace,
    Numbering,
    ObjectType,
    Place,
    Table,
    TextPlace,
    ValueType,
)
from harness.core.wording import NOT_CONNECTED
from harness.links.bacnet_messages import ValueChange
from harness.links.bacnet_messages import decode as decode_bacnet
from harness.links.base import Block, Link
from harness.links.mqtt_messages import Published
from harness.links.mqtt_messages import decode as decode_mqtt
from harness.record.header import Header
from harness.record.reader import RecordReader
from harness.record.writer import RecordWriter
from harness.results.evidence import blind_times
from harness.run.attentive import listening_first
from harness.run.listening import listeners
from harness.run.live import LiveSource
from tests.bench.soak_site import DEVICE, OBJECTS, TCP_INPUTS, TOPICS
from tests.peers.recorder import STOPPED

ORIGIN = Origin(file="bench", line=1)
PANEL_PERIOD_NS, TCP_PERIOD_NS, RTU_PERIOD_NS = 20 * NS_PER_MS, 100 * NS_PER_MS, 200 * NS_PER_MS
BACNET_PERIOD_NS = 500 * NS_PER_MS
COV_OBJECTS = 60
"""The device takes no more than 64 subscriptions."""
RATES = {"site": 2.0, "devices": 5.0, "building": 10.0, "publisher": 10.0}
"""Changes a second of each part."""
STAMPS = r"\d{4,} \d\d-\d\d \d\d:\d\d:\d\d"
LONG_STRETCH_NS = 3 * NS_PER_MS
SHOWN_STRETCHES = 8
STARTING_NS = 5 * NS_PER_S
"""Left out of lateness, blind time and CPU share: connecting, reading how objects report, subscribing."""


def site_of(told: dict[str, Any]) -> Site:
    """What is watched, by the ports that the parts told."""
    links: list[LinkSpec] = []
    points: list[Point] = []

    def tcp(name: str, port: int, period_ns: int, inputs: int) -> None:
        links.append(
            ModbusTcpLink(
                name=name, host="127.0.0.1", port=port, numbering=Numbering.FROM_ZERO, unit=1,
                poll_period_ns=period_ns, timeout_ns=NS_PER_S, origin=ORIGIN,
            )
        )  # fmt: skip
        for at in range(inputs):
            add(name, ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=at))

    def add(link: str, place: Place) -> None:
        points.append(Point(name=f"{link}.{len(points)}", link=link, place=place, origin=ORIGIN))

    tcp("panel", told["site"]["panel_port"], PANEL_PERIOD_NS, 24)
    tcp("bms", told["site"]["bms_port"], TCP_PERIOD_NS, 24)
    for number, port in enumerate(told["devices"]["ports"]):
        tcp(f"tcp{number}", port, TCP_PERIOD_NS, TCP_INPUTS)
    links.append(
        ModbusRtuLink(
            name="bus", host="127.0.0.1", tcp_port=told["site"]["bus_port"], numbering=Numbering.FROM_ZERO,
            poll_period_ns=RTU_PERIOD_NS, timeout_ns=NS_PER_S, quiet_ns=300 * NS_PER_MS, origin=ORIGIN,
        )
    )  # fmt: skip
    for unit in (1, 3, 4, 5):
        for at in range(24):
            add("bus", ModbusPlace(unit=unit, table=Table.DISCRETE_INPUT, address=at))
    for at in range(3):
        add("bus", ModbusPlace(unit=2, table=Table.INPUT_REGISTER, address=at, value_type=ValueType.U16))
    links.append(
        BacnetLink(
            name="building", host="127.0.0.1", port=told["building"]["port"], device=DEVICE, listen_host="127.0.0.1",
            listen_port=told["listen_port"], listen_prefix=8, poll_period_ns=BACNET_PERIOD_NS, timeout_ns=NS_PER_S,
            longest_delay_ns=200 * NS_PER_MS, promises_every_change=True, origin=ORIGIN,
        )
    )  # fmt: skip
    for number in range(1, OBJECTS + 1):
        arrives = Arrival.COV if number <= COV_OBJECTS else Arrival.POLL
        add("building", BacnetPlace(object_type=ObjectType.BINARY_INPUT, instance=number, arrives=arrives))
    links.append(
        MqttLink(
            name="broker", host="127.0.0.1", port=told["broker_port"], timeout_ns=5 * NS_PER_S, keep_alive_s=5,
            sequence_pointer="/seq", longest_delay_ns=300 * NS_PER_MS, promises_every_change=True, origin=ORIGIN,
        )
    )  # fmt: skip
    for number in range(TOPICS):
        add("broker", MqttPlace(topic=f"soak/{number}", pointer="/active"))
    links.append(TextLink(name="printer", host="127.0.0.1", tcp_port=told["site"]["printer_port"], origin=ORIGIN))
    for number in range(28):
        raised, cleared = (f"{STAMPS} {word} ALARM {number}" for word in ("RAISED  ", "CLEARED "))
        add("printer", TextPlace(raised=raised, cleared=cleared))
    return Site(
        name="soak", title="", controller="", firmware="", side_effects={}, writable=(), expectations=(), alarms={},
        links={it.name: it for it in links}, points={it.name: it for it in points},
    )  # fmt: skip


# --- the process that listens ---------------------------------------------------------------------------


def used_kb(which: str) -> int:
    """VmRSS or VmHWM of this process, in kB; 0 where the platform does not say."""
    try:
        return int(Path("/proc/self/status").read_text("ascii").split(f"{which}:")[1].split()[0])
    except OSError:
        return 0


def waited_s() -> float:
    """For how long the calling thread was ready to run and had no core (Documentation/scheduler/sched-stats)."""
    try:
        return int(Path("/proc/thread-self/schedstat").read_text("ascii").split()[1]) / NS_PER_S
    except OSError:
        return 0.0


class Stretches:
    """Times every call of the event loop, by the processor's clock of its thread: only our own work counts."""

    def __init__(self) -> None:
        self.took_ns = array("q")  # no list: the collector would go through it
        self.longest: list[tuple[int, str]] = []
        real = asyncio.Handle._run

        def timed(handle: asyncio.Handle) -> None:
            begun = time.thread_time_ns()
            real(handle)
            took = time.thread_time_ns() - begun
            self.took_ns.append(took)
            if took > LONG_STRETCH_NS:
                heapq.heappush(self.longest, (took, repr(handle)[:160]))
                if len(self.longest) > SHOWN_STRETCHES:
                    heapq.heappop(self.longest)

        asyncio.Handle._run = timed  # type: ignore[assignment, method-assign]

    def clear(self) -> None:
        """Begin anew."""
        del self.took_ns[:]
        self.longest.clear()

    def told(self) -> dict[str, Any]:
        """In ms: percentiles, and the longest with what they were."""
        took = np.array(self.took_ns or [0], dtype=np.int64) / NS_PER_MS
        longest = [[it / NS_PER_MS, what] for it, what in sorted(self.longest, reverse=True)]
        return {"p": [float(it) for it in np.percentile(took, [50, 99, 99.9, 100])], "longest": longest}


async def listen(told: dict[str, Any], path: Path, seconds: float) -> dict[str, Any]:
    """Listen for so long, as a test does; what it cost."""
    clock = time.monotonic_ns
    site = site_of(told)
    journal = RecordWriter.create(path, Header.now(clock, site="soak"), {}, clock)
    journal.subscribe(LiveSource(site, clock))
    pauses: list[tuple[int, float]] = []
    begun = [0.0]

    def collected(phase: str, info: dict[str, int]) -> None:
        if phase == "start":
            begun[0] = time.perf_counter()
        else:
            pauses.append((info["generation"], time.perf_counter() - begun[0]))

    gc.callbacks.append(collected)
    stretches = Stretches()
    opened = listeners(site, journal, clock)
    with listening_first():
        cost = await listen_for(seconds, opened, stretches, pauses)
    await asyncio.to_thread(journal.close)
    return cost


async def listen_for(
    seconds: float, opened: Sequence[Link], stretches: Stretches, pauses: list[tuple[int, float]]
) -> dict[str, Any]:
    """Run the listeners, and count from when they have settled."""
    clock = time.monotonic_ns
    async with asyncio.TaskGroup() as group:
        tasks = [group.create_task(it.run(), name=it.name) for it in opened]
        await asyncio.sleep(STARTING_NS / NS_PER_S)
        from_ns, cpu, start_kb = clock(), time.process_time(), used_kb("VmRSS")
        pauses.clear()
        stretches.clear()
        waited = waited_s()
        await asyncio.sleep(seconds)
        share = (time.process_time() - cpu) / ((clock() - from_ns) / NS_PER_S)
        until_ns, end_kb = clock(), used_kb("VmRSS")
        waited = waited_s() - waited
        objects = gc.get_objects()
        kinds = Counter(type(it).__qualname__ for it in objects).most_common(SHOWN_STRETCHES)
        for task in tasks:
            task.cancel()
    oldest = [took for generation, took in pauses if generation == 2]
    return {
        "from_ns": from_ns,
        "until_ns": until_ns,
        "share": share,
        "waited": waited,
        "stretches": stretches.told(),
        "kb": [start_kb, end_kb, used_kb("VmHWM")],
        "objects": [len(objects), kinds],
        "gc": [len(pauses), max((took for _, took in pauses), default=0.0), len(oldest)],
    }


# --- starting all of it ---------------------------------------------------------------------------------


class Part:
    """One process of what is watched."""

    def __init__(self, *arguments: str) -> None:
        script = str(Path(__file__).with_name("soak_site.py"))
        pipe = subprocess.PIPE
        self._process = subprocess.Popen([sys.executable, script, *arguments], stdin=pipe, stdout=pipe)  # noqa: S603
        self.told = self._line()

    def _line(self) -> dict[str, Any]:
        out: IO[bytes] | None = self._process.stdout
        assert out is not None
        found: dict[str, Any] = json.loads(out.readline())
        return found

    def end(self) -> dict[str, Any]:
        """End it; what it did."""
        assert self._process.stdin is not None
        if not self._process.stdin.closed:
            self._process.stdin.close()
            self._did = self._line()
            self._process.wait()
        return self._did


@contextmanager
def broker() -> Iterator[int]:
    """A mosquitto of our own; its port."""
    from tests.peers.broker import MOSQUITTO
    from tests.peers.free_ports import free_tcp_port

    port = free_tcp_port()
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "mosquitto.conf"
        user = ["user root"] if os.geteuid() == 0 else []
        lines = [f"listener {port} 127.0.0.1", "allow_anonymous true", *user, "set_tcp_nodelay true"]
        file.write_text("\n".join(lines) + "\n", encoding="utf-8")
        process = subprocess.Popen([str(MOSQUITTO), "-c", str(file)], stderr=subprocess.DEVNULL)  # noqa: S603
        try:
            time.sleep(1)
            yield port
        finally:
            process.terminate()
            process.wait()


def soak(seconds: float, path: Path) -> tuple[dict[str, Any], dict[str, Any], Site]:
    """Start everything, listen in a process of its own, end everything."""
    from tests.peers.free_ports import free_udp_port

    with ExitStack() as stack:
        port = stack.enter_context(broker())
        parts = {}
        for name, rate in RATES.items():
            arguments = [name, "--rate", str(rate), "--broker-port", str(port)]
            parts[name] = Part(*arguments)
            stack.callback(parts[name].end)
        told: dict[str, Any] = {name: part.told for name, part in parts.items()}
        told |= {"broker_port": port, "listen_port": free_udp_port()}
        command = [sys.executable, __file__, "--listen", json.dumps(told), "--record", str(path)]
        command += ["--seconds", str(seconds)]
        done = subprocess.run(command, stdout=subprocess.PIPE, check=True)  # noqa: S603
        cost: dict[str, Any] = json.loads(done.stdout)
        did = {name: part.end() for name, part in parts.items()}
    return cost, did, site_of(told)


# --- what came of it --------------------------------------------------------------------------------------


def lateness_ms(asked: NDArray[np.int64], period_ns: int) -> NDArray[np.float64]:
    """How much later each poll began than its place on the absolute schedule, ms, as far as less than a period.

    The schedule's phase is not in the record: it is taken from the earliest hundredth, so 0 is as good as it gets.
    """
    phase = np.sort(asked % period_ns)
    around = np.append(np.diff(phase), phase[0] + period_ns - phase[-1])
    first = phase[(int(np.argmax(around)) + 1) % len(phase)]  # after the longest stretch in which none ever began
    since = np.sort((asked - first) % period_ns)
    early = since[len(since) // 100]
    late: NDArray[np.float64] = np.maximum(0, since - early) / NS_PER_MS
    return late


def row(name: str, values_ms: NDArray[np.float64], more: str = "") -> None:
    if not len(values_ms):
        print(f"  {name:<22} nothing came")
        return
    p50, p99, worst = np.percentile(values_ms, 50), np.percentile(values_ms, 99), values_ms.max()
    print(f"  {name:<22} {len(values_ms):>8,d}   p50 {p50:7.2f}   p99 {p99:7.2f}   max {worst:8.2f} ms{more}")


def report(cost: dict[str, Any], did: dict[str, Any], site: Site, path: Path) -> None:
    """Print it all."""
    start, end, peak = (it / 1024 for it in cost["kb"])
    pauses, longest, oldest = cost["gc"]
    seconds = (cost["until_ns"] - cost["from_ns"]) / NS_PER_S
    size = path.stat().st_size
    print(f"listening process: {cost['share']:.1%} of one core over {seconds:.0f} s")
    print(f"the event loop waited {cost['waited']:.1f} s for a core that others had")
    p50, p99, p999, worst = cost["stretches"]["p"]
    print(f"work at a stretch, processor time: p50 {p50:.3f}  p99 {p99:.2f}  p99.9 {p999:.2f}  max {worst:.1f} ms")
    for took, what in cost["stretches"]["longest"]:
        print(f"  {took:6.1f} ms {what}")
    print(f"memory: {start:.1f} MB at the start, {end:.1f} at the end, {peak:.1f} at the most")
    print(f"record: {size:,d} bytes, {size / seconds * 3600 / 1e6:.1f} MB an hour")
    print(f"collector: {pauses} pauses, longest {longest * 1e3:.1f} ms, {oldest} of everything")
    count, kinds = cost["objects"]
    print(f"  it goes through {count:,d} objects: {', '.join(f'{name} {number:,d}' for name, number in kinds)}")
    with RecordReader.open(path) as reader:
        polls(reader, site, cost)
        blind(reader, site, cost)
        arrivals(reader, did, cost)


def kind_of(link: str) -> str:
    return "tcp, every 100 ms" if link.startswith("tcp") or link == "bms" else link


def polls(reader: RecordReader, site: Site, cost: dict[str, Any]) -> None:
    """Lateness and gaps of the polls, by kind of link."""
    late: dict[str, list[NDArray[np.float64]]] = defaultdict(list)
    gaps: dict[str, list[NDArray[np.float64]]] = defaultdict(list)
    for block in reader.blocks():
        seen = reader.polls(block.id)
        inside = (seen.asked >= cost["from_ns"]) & (seen.told <= cost["until_ns"])
        asked, told = seen.asked[inside], seen.told[inside]
        if len(asked) < 2:
            continue
        spec = site.links[block.link]
        period_ns = getattr(spec, "poll_period_ns", NS_PER_S)
        if not isinstance(block, Block) and np.median(np.diff(asked)) > 2 * period_ns:
            period_ns = 5 * NS_PER_S  # the slow reads beside a subscription
        late[kind_of(block.link)].append(lateness_ms(asked, period_ns))
        gaps[kind_of(block.link)].append((told[1:] - asked[:-1]) / NS_PER_MS)
    print("polls begun later than the best one on their schedule:")
    for kind, values in late.items():
        row(kind, np.concatenate(values))
    print("gaps, asked to told of the next:")
    for kind, values in gaps.items():
        row(kind, np.concatenate(values))
    for name in site.links:
        overruns = [it for it in reader.overruns(name) if it.begun_ns >= cost["from_ns"]]
        if overruns:
            worst = max(it.begun_ns - it.due_ns for it in overruns) / NS_PER_MS
            print(f"  {name}: {len(overruns)} overruns, the longest {worst:.1f} ms")


def blind(reader: RecordReader, site: Site, cost: dict[str, Any]) -> None:
    """Blind time by link and why, after everything was up and before the end."""
    total: dict[tuple[str, str], list[int]] = defaultdict(list)
    for it in blind_times(reader, site, cost["from_ns"], cost["until_ns"]):
        lo, hi = max(it.span.lo, cost["from_ns"]), min(it.span.hi, cost["until_ns"])
        if hi > lo and not it.why.startswith(NOT_CONNECTED) and it.why != STOPPED:
            total[(it.link, it.why)].append(hi - lo)
    for name in site.links:
        if not [change for change in reader.link_states(name) if change.at_ns <= cost["from_ns"]]:
            print(f"  {name}: was never up")
        for drop in reader.dropped(name):
            if drop.at_ns >= cost["from_ns"]:
                total[(name, f"dropped: {drop.what}")].append(0)
    lost = reader.lost()
    print(f"blind time: {'none' if not total else ''}; not recorded for want of room: {len(lost)}")
    for (link, why), spans in sorted(total.items()):
        print(f"  {link}: {len(spans)} times, {sum(spans) / NS_PER_S:.3f} s: {why}")


def arrivals(reader: RecordReader, did: dict[str, Any], cost: dict[str, Any]) -> None:
    """From the change at the device to the stamp of its message, and what never came."""
    print("arrival, from the change to its stamp:")
    came: dict[tuple[str, int], list[int]] = defaultdict(list)
    for it in reader.messages("building"):
        change = decode_bacnet(it.data)
        if isinstance(change, ValueChange):
            came[(str(change.object[1]), int(change.reading.value or 0))].append(it.last_ns)
    mine = [it for it in did["building"]["changes"] if int(it[0]) <= COV_OBJECTS]
    arrival("COV, confirmed", mine, came, cost)
    topics: dict[tuple[str, int], list[int]] = defaultdict(list)
    for it in reader.messages("broker"):
        published = decode_mqtt(it.data)
        if isinstance(published, Published):
            value = int(json.loads(published.payload)["active"])
            topics[(published.topic.rpartition("/")[2], value)].append(it.last_ns)
    arrival("MQTT, QoS 1", did["publisher"]["changes"], topics, cost)


def arrival(
    name: str, changes: Sequence[Sequence[Any]], came: dict[tuple[str, int], list[int]], cost: dict[str, Any]
) -> None:
    took, never = [], 0
    for place, value, at_ns in changes:
        if not cost["from_ns"] <= at_ns <= cost["until_ns"] - NS_PER_S:
            continue
        stamps = np.array(came.get((str(place), value), []), dtype=np.int64)
        after = stamps[np.searchsorted(stamps, at_ns) :]
        if len(after) and after[0] - at_ns < 10 * NS_PER_S:
            took.append((after[0] - at_ns) / NS_PER_MS)
        else:
            never += 1
    row(name, np.array(took), f"   never came: {never}")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=600)
    parser.add_argument("--record", type=Path)
    parser.add_argument("--listen", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.listen:
        with asyncio.Runner(loop_factory=loop_factory()) as runner:
            print(json.dumps(runner.run(listen(json.loads(options.listen), options.record, options.seconds))))
        return
    with tempfile.TemporaryDirectory() as folder, contextlib.suppress(KeyboardInterrupt):
        path = options.record or Path(folder) / "soak.farend"
        print(f"Python {sys.version.split()[0]}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.2f} at the start")
        cost, did, site = soak(options.seconds, path)
        report(cost, did, site, path)
        print(f"load {os.getloadavg()[0]:.2f} at the end (the watched devices run on the same cores)")


if __name__ == "__main__":
    main()
