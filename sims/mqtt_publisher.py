"""The controller's MQTT publisher: one retained topic for each alarm, and one that says whether it is there.

``hollowmere/alarm/<name>``: JSON ``{"seq": 17, "active": true, "state": 1, "text": "BULK A HIGH"}``, QoS 1, retained.
``seq`` goes up by one with every message of its topic; ``state`` is the code of the alarm's state. Published whenever
one of the two changes, and once more for every topic after each connection: what changed in between is lost.
``hollowmere/alive``: ``online``, retained, again and again; ``offline`` is the last will.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
import socket
import time
from collections import deque
from collections.abc import Mapping, Sequence
from typing import Final

import aiomqtt

from sims.alarm_states import AlarmState
from sims.alarms import BY_NAME
from sims.controller import Situation
from sims.defect_kinds import Name
from sims.defects import Defect
from sims.durations import NS_PER_S
from sims.output import Surroundings, Value
from sims.points import BROKER, Place, Point

ROOT: Final = "hollowmere"
ALIVE_TOPIC: Final = f"{ROOT}/alive"
ONLINE: Final = "online"
OFFLINE: Final = "offline"
KEEP_ALIVE_S: Final = 5
ANSWER_WITHIN_S: Final = 5.0
RECONNECT_S: Final = 0.2
PENDING_MAX: Final = 1_000
"""Messages that wait while the broker is slow; the oldest is forgotten, as in a controller with little memory."""


def topic_of(signal: str) -> str:
    """The topic of an alarm."""
    return f"{ROOT}/alarm/{signal}"


class _Client(aiomqtt.Client):
    """A connection that can also be cut without a word, so that the broker publishes the last will."""

    def cut(self) -> None:
        one = self._client.socket()
        if isinstance(one, socket.socket):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)


class MqttPublisher:
    """An ``Output``: publishes through a broker that somebody else runs."""

    name = "broker"

    def __init__(self, host: str, port: int, delay_ns: int, heartbeat_ns: int = 2 * NS_PER_S) -> None:
        """``delay_ns``: from the scan until a change is published. ``heartbeat_ns``: between two ``online``."""
        self.delay_ns = delay_ns
        self.connections = 0
        self._host = host
        self._port = port
        self._heartbeat_s = heartbeat_ns / NS_PER_S
        self._client: _Client | None = None
        self._surroundings: Surroundings | None = None
        self._states: dict[str, AlarmState] = {}
        self._values: dict[Point, int] = dict.fromkeys(BROKER, 0)
        self._told: dict[Point, int] = dict.fromkeys(BROKER, 0)
        self._seq: dict[Point, int] = dict.fromkeys(BROKER, 0)
        self._pending: deque[tuple[Point, int | None]] = deque(maxlen=PENDING_MAX)
        self._again: dict[str, int] = {}
        self._shares: list[Defect] = []
        self._dice = random.Random()
        self._more = asyncio.Event()
        self._timers: set[asyncio.TimerHandle] = set()

    def ready(self) -> Mapping[str, object]:
        """See ``Output``."""
        return {"mqtt": f"{self._host}:{self._port}"}

    def meant(self, situation: Situation) -> Mapping[Point, int]:
        """See ``Output``. An acknowledged alarm is published again although it is as active as before."""
        for point in BROKER:
            before, now = self._states.get(point.signal), situation.states[point.signal]
            if before is not None and before is not now and before.active is now.active:
                self._later(self.delay_ns, point)
            self._states[point.signal] = now
        return {point: int(situation.states[point.signal].active) for point in BROKER}

    async def start(self, surroundings: Surroundings) -> None:
        """See ``Output``. OSError where the broker cannot be reached."""
        self._surroundings = surroundings
        self._dice = random.Random(f"{surroundings.seed}/broker")
        for defect in surroundings.defects:
            if defect.name is Name.RETRANSMITTED_LINE and defect.alarm is not None:
                self._again[defect.alarm] = defect.duration_ns or 0
            elif defect.share is not None:
                self._shares.append(defect)
        for point, value in surroundings.initial:
            self._values[point] = self._told[point] = value
        try:
            await self._connect()
        except aiomqtt.MqttError as exc:
            raise OSError(f"mqtt={self._host}:{self._port}: {exc}; expected a broker that takes connections") from exc

    async def run(self) -> None:
        """See ``Output``. Connects again whenever the connection is lost."""
        while True:
            try:
                await self._use(self._client or await self._connect())
            except aiomqtt.MqttError:
                await self._disconnect()
                await asyncio.sleep(RECONNECT_S)

    async def _use(self, client: _Client) -> None:
        """Publish until the connection is lost (MqttError).

        Not by a TaskGroup: where its tasks fail while it is cancelled, it tells of their errors alone, and the
        cancelling is lost.
        """
        lost = asyncio.create_task(self._until_lost(client), name="sims broker lost")
        publish = asyncio.create_task(self._publish_pending(client), name="sims broker publish")
        try:
            await asyncio.wait((lost, publish), return_when=asyncio.FIRST_EXCEPTION)
        finally:
            lost.cancel()
            publish.cancel()
            ended = await asyncio.gather(lost, publish, return_exceptions=True)
        for exc in ended:
            if isinstance(exc, Exception):
                raise exc

    async def stop(self) -> None:
        """See ``Output``."""
        for timer in self._timers:
            timer.cancel()
        client = self._client
        if client is not None:
            with contextlib.suppress(aiomqtt.MqttError):
                await client.publish(ALIVE_TOPIC, OFFLINE, qos=1, retain=True)
        await self._disconnect()

    def show(self, values: Sequence[Value]) -> None:
        """See ``Output``."""
        for point, value in values:
            if self._values[point] != value:
                self._values[point] = value
                self._pending.append((point, value))
        self._more.set()

    def _later(self, delay_ns: int, point: Point) -> None:
        """Publish what a point shows by then, whether it has changed or not."""

        def due() -> None:
            self._timers.discard(timer)
            self._pending.append((point, None))
            self._more.set()

        timer = asyncio.get_running_loop().call_later(delay_ns / NS_PER_S, due)
        self._timers.add(timer)

    async def _connect(self) -> _Client:
        """Connect, and publish how everything stands. Raises MqttError."""
        client = _Client(
            self._host,
            self._port,
            will=aiomqtt.Will(ALIVE_TOPIC, OFFLINE, qos=1, retain=True),
            keepalive=KEEP_ALIVE_S,
            timeout=ANSWER_WITHIN_S,
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        )
        await client.__aenter__()
        self._client = client
        self.connections += 1
        await client.publish(ALIVE_TOPIC, ONLINE, qos=1, retain=True)
        self._pending.clear()
        for point in BROKER:
            self._seq[point] += 1
            value = self._values[point]
            await self._send(point, self._payload(point, value), value)
        assert self._surroundings is not None  # noqa: S101 - start() was called
        self._surroundings.changed()
        return client

    async def _disconnect(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            with contextlib.suppress(aiomqtt.MqttError):
                await client.__aexit__(None, None, None)

    async def _until_lost(self, client: _Client) -> None:
        """Raises MqttError when the connection is lost."""
        async for _ in client.messages:
            pass  # nothing was subscribed to

    async def _publish_pending(self, client: _Client) -> None:
        """Publish what is waiting, and a heartbeat where nothing came for so long. Raises MqttError."""
        while True:
            self._more.clear()
            while self._pending:
                await self._publish(*self._pending.popleft())
            try:
                async with asyncio.timeout(self._heartbeat_s):
                    await self._more.wait()
            except TimeoutError:
                await client.publish(ALIVE_TOPIC, ONLINE, qos=1, retain=True)

    async def _publish(self, point: Point, value: int | None = None) -> None:
        """``value``: None for what the point shows now."""
        assert self._client is not None  # noqa: S101 - run() connected
        assert self._surroundings is not None  # noqa: S101 - start() was called
        self._seq[point] += 1
        value = self._values[point] if value is None else value
        payload = self._payload(point, value)
        fault = next((it for it in self._shares if self._dice.random() < (it.share or 0)), None)
        if fault is not None:
            self._surroundings.fault(Place.BROKER, fault.name, f"{point.signal} number {self._seq[point]}")
        if fault is not None and fault.name is Name.RESETS:
            self._client.cut()
            raise aiomqtt.MqttError("cut on purpose")
        if fault is not None and fault.name is Name.LOST_MESSAGES:
            return
        halved = fault is not None and fault.name is Name.HALF_FRAMES
        await self._send(point, payload[: len(payload) // 2] if halved else payload, None if halved else value)
        if point.signal in self._again:
            await asyncio.sleep(self._again[point.signal] / NS_PER_S)
            await self._send(point, payload, None)

    async def _send(self, point: Point, payload: bytes, value: int | None) -> None:
        """``value``: what a subscriber reads from it, None where it tells nothing new."""
        assert self._client is not None  # noqa: S101 - run() connected
        assert self._surroundings is not None  # noqa: S101 - start() was called
        before_ns = time.monotonic_ns()
        await self._client.publish(topic_of(point.signal), payload, qos=1, retain=True)
        after_ns = time.monotonic_ns()
        if value is not None and value != self._told[point]:
            self._told[point] = value
            self._surroundings.shown(point, value, before_ns, after_ns)

    def _payload(self, point: Point, value: int) -> bytes:
        fields = {
            "seq": self._seq[point],
            "active": bool(value),
            "state": self._states[point.signal].code,
            "text": BY_NAME[point.signal].text,
        }
        return json.dumps(fields).encode()
