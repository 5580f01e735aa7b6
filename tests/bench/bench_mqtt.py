"""MQTT intake: messages a second without loss, and how long a message takes from another process to its stamp.

``python tests/bench/bench_mqtt.py [--seconds 5]``: mosquitto on loopback, a publisher in a process of its own, QoS 1.
Both clocks are this machine's monotonic clock. The last column is the share of one core that listening took.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from harness.core.errors import Origin
from harness.core.links import MqttLink, MqttVersion
from harness.core.model import Point
from harness.core.places import MqttPlace
from harness.links.base import AnyBlock, LinkState
from harness.links.mqtt import MqttListener
from harness.links.mqtt_messages import Published, decode
from tests.peers.broker import broker

PUBLISHER = """
import json, sys, time, socket
import paho.mqtt.client as mqtt
port, rate, seconds, payload_bytes = int(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4])
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
client.max_inflight_messages_set(0)
client.on_socket_open = lambda c, u, s: s.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
client.connect("127.0.0.1", port)
client.loop_start()
while not client.is_connected():
    time.sleep(0.01)
begin, number, last = time.monotonic(), 0, None
while time.monotonic() - begin < seconds:
    text = json.dumps({"n": number, "at": time.monotonic_ns(), "active": True})
    last = client.publish("bench", text.ljust(payload_bytes), qos=1)
    number += 1
    ahead = begin + number / rate - time.monotonic()
    if ahead > 0:
        time.sleep(ahead)
last.wait_for_publish(60)
client.loop_stop()
print(number)
"""


FLAT_OUT = 1e9


class Intake:
    """An observer that keeps stamps."""

    def __init__(self) -> None:
        self.stamps: list[tuple[int, int, bytes]] = []
        self.up = asyncio.Event()
        self.more = asyncio.Event()
        self.drops: list[str] = []

    def block(self, block: AnyBlock) -> None: ...

    def poll(self, block_id: int, asked_ns: int, told_ns: int, payload: bytes) -> None: ...

    def poll_failed(self, block_id: int, asked_ns: int, given_up_ns: int, why: str) -> None: ...

    def overrun(self, link: str, due_ns: int, begun_ns: int) -> None: ...

    def message(self, link: str, first_ns: int, last_ns: int, data: bytes) -> None:
        self.stamps.append((first_ns, last_ns, data))
        self.more.set()

    def link_state(self, link: str, at_ns: int, state: LinkState, why: str) -> None:
        if state is LinkState.UP:
            self.up.set()

    def dropped(self, link: str, at_ns: int, what: str, data: bytes) -> None:
        self.drops.append(what)


async def one(version: MqttVersion, rate: float, seconds: float, payload_bytes: int) -> None:
    intake = Intake()
    with tempfile.TemporaryDirectory() as folder:
        async with broker(Path(folder), ["max_queued_messages 0", "max_inflight_messages 0"]) as it:
            origin = Origin(file="bench", line=1)
            spec = MqttLink(
                name="broker", host="127.0.0.1", port=it.port, version=version, timeout_ns=5_000_000_000,
                sequence_pointer="/n", origin=origin,
            )  # fmt: skip
            point = Point(name="p", link="broker", place=MqttPlace(topic="bench", pointer="/active"), origin=origin)
            listening = asyncio.create_task(MqttListener(spec, [point], intake, time.monotonic_ns).run())
            await intake.up.wait()
            cpu, begun = time.process_time(), time.monotonic()
            command = (sys.executable, "-c", PUBLISHER, str(it.port), str(rate), str(seconds), str(payload_bytes))
            publisher = await asyncio.create_subprocess_exec(*command, stdout=subprocess.PIPE)
            out, _ = await publisher.communicate()
            sent = int(out)
            async with asyncio.timeout(60):
                while len(intake.stamps) < sent + 1 and not intake.drops:
                    intake.more.clear()
                    await intake.more.wait()
            share = (time.process_time() - cpu) / (time.monotonic() - begun)
            listening.cancel()
            await asyncio.wait([listening])
    report(version, rate, sent, intake, share)


def report(version: MqttVersion, rate: float, sent: int, intake: Intake, share: float) -> None:
    came = [(first, last, decode(data)) for first, last, data in intake.stamps]
    told = [(first, last, json.loads(it.payload)["at"]) for first, last, it in came if isinstance(it, Published)]
    first, last, at = (np.array(column, dtype=np.int64) for column in zip(*told, strict=True))
    late_ms, wide_ms = (last - at) / 1e6, (last - first) / 1e6
    took_s = (last[-1] - last[0]) / 1e9
    offered = "flat out" if rate == FLAT_OUT else f"{rate:.0f}/s"
    print(
        f"{version.value:>6} {offered:>8}  sent {sent:>7}  came {len(told):>7}  {len(told) / took_s:>8.0f}/s  "
        f"arrival p50 {np.percentile(late_ms, 50):7.2f} p99 {np.percentile(late_ms, 99):7.2f} ms  "
        f"bounds p50 {np.percentile(wide_ms, 50):6.2f} p99 {np.percentile(wide_ms, 99):7.2f} ms  "
        f"lost {len(intake.drops)}  core {share:.0%}"
    )


async def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=5)
    parser.add_argument("--bytes", type=int, default=80)
    arguments = parser.parse_args()
    for version in (MqttVersion.V311, MqttVersion.V5):
        for rate in (20, 500, 2_000, FLAT_OUT):
            await one(version, rate, arguments.seconds, arguments.bytes)


if __name__ == "__main__":
    asyncio.run(main())
