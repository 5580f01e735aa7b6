"""The rig of an MQTT link: a real mosquitto behind a TCP wire, and a controller that publishes past that wire."""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import aiomqtt
import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.links import MqttLink, MqttVersion
from harness.core.places import MqttPlace, Place
from tests.conformance.rig import DEADLINE_NS, LINK, ORIGIN, Ears, clock
from tests.conformance.tcp_rigs import DELAY_NS, TcpRig
from tests.peers.broker import MOSQUITTO, broker, publisher

TOPIC, OTHER = "plant/tank-high", "plant/tank-high-high"
PAYLOAD = {True: b'{"active":true}', False: b'{"active":false}'}
MAY_SEND = {1: "CONNECT", 4: "PUBACK", 8: "SUBSCRIBE", 12: "PINGREQ", 14: "DISCONNECT"}
"""Control packet types (MQTT 3.1.1, 2.2.1). PUBLISH, 3, is not among them."""


class MqttRig(TcpRig):
    """One topic. Nothing is retained, so that what happened while nobody listened is not told afterwards."""

    name = "mqtt-3.1.1"
    version = MqttVersion.V311
    is_pushed = True
    in_process = False
    instants = 10
    cycles = 15

    def __init__(self) -> None:
        super().__init__()
        self._controller: aiomqtt.Client | None = None

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        if MOSQUITTO is None:
            pytest.skip("mosquitto, the MQTT broker, is not installed")
        with tempfile.TemporaryDirectory() as folder:
            async with broker(Path(folder)) as one, publisher(one.port) as self._controller:
                self.peer_port = one.port
                await self.wire.start()
                try:
                    yield
                finally:
                    await self.wire.stop()

    def spec(self) -> MqttLink:
        return MqttLink(
            name=LINK,
            host="127.0.0.1",
            port=self.wire.port,
            version=self.version,
            timeout_ns=1 * NS_PER_S,
            keep_alive_s=2,
            longest_delay_ns=DELAY_NS,
            promises_every_change=True,
            origin=ORIGIN,
        )

    def place(self) -> Place:
        return MqttPlace(topic=TOPIC, pointer="/active")

    async def set_output(self, *, on: bool) -> Bounds:
        before = clock()
        await self._publish(TOPIC, PAYLOAD[on])
        return Bounds(before, clock())

    async def prove_alive(self, ears: Ears, instant: int) -> None:
        await asyncio.sleep((DELAY_NS + 50 * NS_PER_MS) / NS_PER_S)  # an arrival is known to two turns of the loop
        # Its own topic says again what it said before: a state, no change.
        await self._publish(TOPIC, PAYLOAD[self.shown[-1][1]])
        live = ears.live
        assert await live.wait_until(lambda: live.alive_ns(LINK) > instant + DELAY_NS, clock() + DEADLINE_NS)

    async def until_well(self, ears: Ears) -> None:
        """Nonsense may have begun a packet that never ends; a new connection begins anew."""
        if not ears.live.up[LINK]:
            await ears.until_up()
            return
        downs = ears.downs()
        self.cut()
        await ears.until_back(downs)

    async def be_somebody_else(self) -> None:
        await self._publish(OTHER, b'{"active":true}')

    def check_sent(self, sent: bytes) -> None:
        """Whole packets of the types that a listener may send (MQTT 3.1.1, 2.2)."""
        at = 0
        while at < len(sent):
            assert sent[at] >> 4 in MAY_SEND, sent[at:]
            length = shift = 0
            while True:
                at += 1
                length |= (sent[at] & 0x7F) << shift
                shift += 7
                if not sent[at] & 0x80:
                    break
            at += 1 + length

    async def _publish(self, topic: str, payload: bytes) -> None:
        assert self._controller is not None
        await self._controller.publish(topic, payload, qos=1)


class Mqtt5Rig(MqttRig):
    """The same in version 5 of the protocol."""

    name = "mqtt-5"
    version = MqttVersion.V5
