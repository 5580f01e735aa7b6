"""What goes over the wire to a broker, as a packet capture and a foreign dissector have it: nothing is published,
nothing asked for but what was declared, and each recorded message is the one that came."""

from __future__ import annotations

import asyncio
import json
import time
from decimal import Decimal
from pathlib import Path
from random import Random
from typing import Any

import pytest

from harness.core.instants import NS_PER_S
from harness.core.links import MqttVersion
from harness.links.mqtt import MqttListener
from harness.links.mqtt_messages import Published, decode
from tests.live.test_capture import may_capture
from tests.live.test_mqtt_listener import heard, mqtt_link, points, published, ups
from tests.peers.broker import broker, needs_mosquitto, publisher
from tests.peers.capture import TSHARK, capture
from tests.peers.recorder import Recorder, listening

__all__ = ["may_capture"]

pytestmark = [
    needs_mosquitto,
    pytest.mark.skipif(TSHARK is None, reason="tshark is not installed (Debian: tshark)"),
]

CONNECT, PUBLISH, PUBACK, SUBSCRIBE, PINGREQ, DISCONNECT = "1", "3", "4", "8", "12", "14"
"""Control packet types (MQTT 3.1.1, 2.2.1)."""

CLOCKS_APART_NS = 2_000_000
"""How far the wall clock may drift from the monotonic clock while a test runs: 500 ppm of some seconds."""

LENGTHS = [0, 127 - 20, 128 - 20, 321, 16_383 - 20, 16_384 - 20, 16_384]
"""Payloads whose packets have a remaining length of one, two and three bytes (MQTT 3.1.1, 2.2.3)."""


def remaining_length(value: int) -> bytes:
    """The algorithm of MQTT 3.1.1, 2.2.3, as the specification has it."""
    out = bytearray()
    while True:
        value, byte = divmod(value, 128)
        out.append(byte | (128 if value else 0))
        if not value:
            return bytes(out)


@pytest.mark.parametrize(
    ("value", "octets"),
    [(0, "00"), (127, "7f"), (128, "8001"), (321, "c102"), (16_383, "ff7f"), (16_384, "808001"),
     (2_097_151, "ffff7f"), (268_435_455, "ffffff7f")],
)  # fmt: skip
def test_remaining_lengths_from_memory_of_the_specification(value: int, octets: str) -> None:
    assert remaining_length(value).hex() == octets


async def dissected(path: Path, port: int) -> list[dict[str, Any]]:
    """Every MQTT packet of a capture: its fields by name, and which way and on which client's port it went."""
    assert TSHARK is not None
    process = await asyncio.create_subprocess_exec(
        TSHARK, "-r", str(path), "-n", "-d", f"tcp.port=={port},mqtt", "-Y", "mqtt", "-T", "json",
        "--no-duplicate-keys",
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    out, err = await process.communicate()
    assert process.returncode == 0, err.decode()
    packets = []
    for entry in json.loads(out):
        layers = entry["_source"]["layers"]
        tcp = layers["tcp"] if isinstance(layers["tcp"], dict) else layers["tcp"][-1]
        to_broker = tcp["tcp.dstport"] == str(port)
        found = layers["mqtt"]
        for layer in found if isinstance(found, list) else [found]:
            flags = layer["mqtt.hdrflags_tree"]
            client = tcp["tcp.srcport" if to_broker else "tcp.dstport"]
            at_ns = round(Decimal(layers["frame"]["frame.time_epoch"]) * NS_PER_S)
            packets.append({**layer, **flags, "client": client, "to_broker": to_broker, "at_ns": at_ns})
    return packets


@pytest.mark.usefixtures("may_capture")
@pytest.mark.parametrize("version", [MqttVersion.V311, MqttVersion.V5])
async def test_the_dissector_agrees_with_every_recorded_message_and_saw_nothing_published(
    tmp_path: Path, version: MqttVersion
) -> None:
    recorder = Recorder()
    random = Random(311)
    sent = [(f"a/{number % 3}", random.randbytes(length)) for number, length in enumerate(LENGTHS)]
    sent += [(f"a/{random.randrange(3)}", b'{"active":true,"n":%d}' % number) for number in range(50)]
    path = tmp_path / "mqtt.pcapng"
    wall_ns = time.time_ns() - time.monotonic_ns()
    async with broker(tmp_path) as one, capture(one.port, path) as wire:
        async with publisher(one.port) as other:
            await other.publish("a/0", b"kept", qos=1, retain=True)
            spec = mqtt_link(one.port, version=version, keep_alive_s=1)
            async with listening(MqttListener(spec, points("a/0", "a/1", "a/2"), recorder, time.monotonic_ns)):
                await recorder.until(lambda: ups(recorder) == 1)
                for number, (topic, payload) in enumerate(sent):
                    await other.publish(topic, payload, qos=number % 2)
                await recorder.until(lambda: len(published(recorder)) == len(sent) + 1)
                await recorder.until(lambda: len(heard(recorder)) > len(sent) + 2)  # the answer to a PINGREQ
        await wire.caught_up(one.port)
    packets = await dissected(path, one.port)
    (mine,) = {it["client"] for it in packets if it.get("mqtt.clientid", "").startswith("farend-")}
    own = [it for it in packets if it["client"] == mine]
    out = [it for it in own if it["to_broker"]]
    assert {it["mqtt.msgtype"] for it in out} == {CONNECT, SUBSCRIBE, PUBACK, PINGREQ, DISCONNECT}
    connect = out[0]
    assert connect["mqtt.msgtype"] == CONNECT
    assert connect["mqtt.conflags_tree"]["mqtt.conflag.willflag"] == "0"
    assert connect["mqtt.conflags_tree"]["mqtt.conflag.cleansess"] == "1"
    assert connect["mqtt.kalive"] == "1"
    assert connect["mqtt.ver"] == ("5" if version is MqttVersion.V5 else "4")
    (subscribe,) = (it for it in out if it["mqtt.msgtype"] == SUBSCRIBE)
    assert subscribe["mqtt.topic"] == ["a/0", "a/1", "a/2"]
    came = [it for it in own if not it["to_broker"] and it["mqtt.msgtype"] == PUBLISH]
    assert published(recorder) == [
        Published(
            topic=it["mqtt.topic"],
            payload=bytes.fromhex(it.get("mqtt.msg", "").replace(":", "")),
            qos=int(it["mqtt.qos"]),
            retain=it["mqtt.retain"] == "1",
            dup=it["mqtt.dupflag"] == "1",
        )
        for it in came
    ]
    spans = [(first, last) for _, first, last, data in recorder.lines if isinstance(decode(data), Published)]
    for (first_ns, last_ns), packet in zip(spans, came, strict=True):
        # When the capture saw the packet, it was on its way into our socket.
        assert first_ns - CLOCKS_APART_NS <= packet["at_ns"] - wall_ns <= last_ns + CLOCKS_APART_NS
    widths = {len(remaining_length(int(it["mqtt.len"]))) for it in came}
    assert widths == {1, 2, 3}
