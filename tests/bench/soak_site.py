"""The devices of the soak benchmark, each part a process of its own: ``python tests/bench/soak_site.py PART …``.

Each part prints one JSON line once it serves (its ports), then changes values at the rate it was given until its
standard input ends, and prints one JSON line of what it did: ``{"changes": [[place, value, at_ns], …]}``. All stamps
are this machine's monotonic clock. Bounded: loopback only, a few hundred changes a second at most.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import random
import socket
import sys
import time
from collections.abc import Awaitable, Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from sims.controller import Action
from sims.modbus_server import ModbusDevice
from sims.options import SiteOptions
from sims.outputs import Image
from sims.points import Table
from sims.site import SimulatedSite

OBJECTS = 200
DEVICE = 260_001
TCP_DEVICES = 8
"""Beside the two of the simulated site."""
TCP_INPUTS = 64
TOPICS = 24
ALARMS = ("bulk-a.high", "bulk-a.low-low", "bulk-b.water", "day.high", "day.low", "sump-a.leak", "bulk-b.high")

Changes = list[tuple[str, int, int]]
"""What was changed: the place, its new value, and when that was begun (ns)."""

Changed = Callable[[], Awaitable[None]]


async def serve(told: dict[str, object], rate: float, change: Changed, changes: Changes) -> None:
    """Say that it serves, then change something at ``rate`` until standard input ends, on an absolute schedule."""
    print(json.dumps(told), flush=True)
    loop = asyncio.get_running_loop()
    ended = loop.run_in_executor(None, sys.stdin.buffer.read)
    due = loop.time()
    while not ended.done():
        due += 1 / rate
        await asyncio.wait([ended], timeout=max(0.0, due - loop.time()))
        await change()
    print(json.dumps({"changes": changes}), flush=True)


async def site(rate: float, dice: random.Random) -> None:
    """The simulated site: panel, bms, printed line, and a bus of five units at 19,200 baud."""
    async with SimulatedSite(SiteOptions(keep_truth=False, output_delay_ns=20_000_000)) as it:
        up: set[str] = set()

        async def change() -> None:
            name = dice.choice(ALARMS)
            if name in up:
                it.command(name, Action.CLEAR)
                it.command(name, Action.ACKNOWLEDGE)
                it.command(name, Action.RESET)
            else:
                it.command(name, Action.RAISE)
            up.symmetric_difference_update({name})

        await serve(it.ready(), rate, change, [])


async def devices(rate: float, dice: random.Random) -> None:
    """Modbus TCP devices with discrete inputs that change, served by pymodbus."""
    images = [Image() for _ in range(TCP_DEVICES)]
    for image in images:
        image.define(Table.DISCRETE_INPUT, 0, TCP_INPUTS)
    served = [ModbusDevice(image) for image in images]
    ports = [await one.start() for one in served]

    async def change() -> None:
        words = dice.choice(images).words[Table.DISCRETE_INPUT]
        words[dice.randrange(TCP_INPUTS // 16)] ^= 1 << dice.randrange(16)

    await serve({"ports": ports}, rate, change, [])
    for one in served:
        await one.stop()


async def building(rate: float, dice: random.Random) -> None:
    """A BACnet/IP device of another stack (rusty-bacnet) with binary inputs that change and notify."""
    import rusty_bacnet as rusty

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    server = rusty.BACnetServer(DEVICE, "soak", interface="127.0.0.1", port=port, broadcast_address="127.255.255.255")
    for number in range(1, OBJECTS + 1):
        server.add_binary_input(number, f"input {number}")
    await server.start()
    states = dict.fromkeys(range(1, OBJECTS + 1), 0)
    changes: Changes = []

    async def change() -> None:
        number = dice.randrange(1, OBJECTS + 1)
        states[number] ^= 1
        object_id = rusty.ObjectIdentifier(rusty.ObjectType.BINARY_INPUT, number)
        changes.append((str(number), states[number], time.monotonic_ns()))
        await server.set_present_value_local(object_id, rusty.PropertyValue.enumerated(states[number]))

    await serve({"port": port}, rate, change, changes)
    await server.stop()


async def publisher(rate: float, dice: random.Random, broker_port: int) -> None:
    """Publishes the states of topics, QoS 1, each message with a number and the instant at which it was published."""
    import paho.mqtt.client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion

    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_socket_open = lambda _c, _u, it: it.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # type: ignore[attr-defined]
    client.connect("127.0.0.1", broker_port)
    client.loop_start()
    states = dict.fromkeys(range(TOPICS), 0)
    numbers = dict.fromkeys(range(TOPICS), 0)
    changes: Changes = []

    async def change() -> None:
        topic = dice.randrange(TOPICS)
        states[topic] ^= 1
        numbers[topic] += 1
        at_ns = time.monotonic_ns()
        changes.append((str(topic), states[topic], at_ns))
        payload = {"seq": numbers[topic], "active": bool(states[topic]), "at": at_ns}
        client.publish(f"soak/{topic}", json.dumps(payload), qos=1, retain=True)

    await serve({}, rate, change, changes)
    client.disconnect()
    client.loop_stop()


def main() -> None:
    """One part, until its standard input ends."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("part", choices=["site", "devices", "building", "publisher"])
    parser.add_argument("--rate", type=float, required=True, help="changes a second")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--broker-port", type=int, default=0)
    options = parser.parse_args()
    dice = random.Random(options.seed)
    parts: dict[str, Callable[[], Awaitable[None]]] = {
        "site": lambda: site(options.rate, dice),
        "devices": lambda: devices(options.rate, dice),
        "building": lambda: building(options.rate, dice),
        "publisher": lambda: publisher(options.rate, dice, options.broker_port),
    }

    async def run() -> None:
        await parts[options.part]()

    asyncio.run(run())


if __name__ == "__main__":
    main()
