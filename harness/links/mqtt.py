"""The listener of an MQTT broker: subscribes to the topics of its points and tells what comes. It publishes nothing.

Sessions are clean, so whatever was published while the connection was down is not heard, and the record says so: each
connection begins with ``Subscribing``. The broker then tells the state of every topic that it has kept.
"""

from __future__ import annotations

import asyncio
import secrets
from collections import defaultdict
from collections.abc import Iterable
from typing import Final

import aiomqtt

from harness.core.errors import LinkError
from harness.core.instants import NS_PER_MS, NS_PER_S, Clock
from harness.core.links import MqttLink
from harness.core.model import Point
from harness.core.places import MqttPlace
from harness.links.base import LISTENER_ENDED, LinkState, Observer
from harness.links.mqtt_client import Arrivals, Connection, password_of, tls_context
from harness.links.mqtt_messages import Answered, Lost, MqttMessage, Published, Refused, Subscribing, encode
from harness.links.mqtt_trace import SequenceWatch, is_down
from harness.links.mqtt_values import sequence_of
from harness.links.os_reasons import os_reason

RECONNECT_FIRST_NS: Final = 100 * NS_PER_MS
RECONNECT_MAX_NS: Final = 2 * NS_PER_S
"""Back-off between attempts that came to nothing: short enough to lose little, long enough to spare a broker."""

PAYLOAD_BYTES_MAX: Final = 16 * 1024
"""Far more than an alarm's message has. What is longer is not kept: a record must not be filled by a picture."""

DROPPED_BYTES: Final = 64


class MqttListener:
    """Tells what one broker passes on, until cancelled; one of the links behind ``Link``."""

    def __init__(self, spec: MqttLink, points: Iterable[Point], observer: Observer, clock: Clock) -> None:
        """ValueError where none of ``points`` is a topic of this link."""
        mine = [point.place.topic for point in points if point.link == spec.name and isinstance(point.place, MqttPlace)]
        if not mine:
            raise ValueError(f"link {spec.name}: points=(): expected at least one point with a topic")
        alive = [] if spec.alive_topic is None else [spec.alive_topic]
        self.name = spec.name
        self._spec = spec
        self._observer = observer
        self._clock = clock
        self._topics = list(dict.fromkeys(alive + mine))
        # Of its own, so that no other client of the broker is thrown out for having the same (MQTT 3.1.1, 3.1.4).
        self._identifier = spec.client_id or f"farend-{secrets.token_hex(6)}"
        self._state: tuple[LinkState, str] | None = None
        self._sequences: dict[str, SequenceWatch] = defaultdict(SequenceWatch)
        self._where = f"{spec.host}:{spec.port}"

    async def run(self) -> None:
        """Listen until cancelled. A broker that is down is reported to the observer, never raised."""
        wait_ns = 0
        try:
            while True:
                heard = await self._listen_once()
                wait_ns = 0 if heard else min(max(2 * wait_ns, RECONNECT_FIRST_NS), RECONNECT_MAX_NS)
                await asyncio.sleep(max(wait_ns, RECONNECT_FIRST_NS) / NS_PER_S)
        finally:
            self._report(LinkState.DOWN, LISTENER_ENDED)

    async def _listen_once(self) -> bool:
        """One connection from its beginning to its end; True where it came to listening."""
        arrivals = Arrivals(self._clock, self._published, self._answered)
        try:
            tls, password = await asyncio.to_thread(tls_context, self._spec), password_of(self._spec)
            connection = Connection(self._spec, self._identifier, arrivals, tls, password)
            await connection.open()
            try:
                if await self._subscribe(connection):
                    loss = await connection.until_lost()
                    # A broker that fell silent may have passed nothing on since its last packet.
                    since_ns = arrivals.heard_ns + 1 if loss.silent else self._clock()
                    self._report(LinkState.DOWN, f"{self._where}: connection lost: {loss.why}", since_ns)
                    return True
            finally:
                await connection.close()
        except LinkError as exc:
            self._report(LinkState.DOWN, str(exc))
        except (aiomqtt.MqttError, OSError, ValueError) as exc:
            # The library's own words may be no more than "timed out": what its socket said comes first.
            told = arrivals.last_error or _reason(exc)
            self._report(LinkState.DOWN, f"{self._where}: {told}; look at address, port, user, password and TLS")
        finally:
            arrivals.close()
        return False

    async def _subscribe(self, connection: Connection) -> bool:
        """Ask for every topic; False where the broker gives none."""
        at_ns = self._clock()
        self._sequences.clear()
        self._tell(Subscribing(topics=tuple(self._topics)), at_ns, at_ns)
        refused = await connection.ask_for(self._topics, self._spec.qos)
        at_ns = self._clock()
        for topic, why in refused.items():
            self._tell(Refused(topic=topic, why=why), at_ns, at_ns)
            self._drop(topic, why, b"", at_ns)
        if len(refused) == len(self._topics):
            self._report(LinkState.DOWN, f"{self._where}: the broker refuses every topic; look at its access rules")
            return False
        self._report(LinkState.UP, f"connected to {self._where} as {self._identifier}")
        return True

    def _published(self, message: Published, first_ns: int, last_ns: int) -> None:
        topic, payload = message.topic, message.payload
        if len(payload) > PAYLOAD_BYTES_MAX:
            why = f"a payload of {len(payload)} bytes; no more than {PAYLOAD_BYTES_MAX} are kept"
            self._tell(Lost(topic=topic, why=why), first_ns, last_ns)
            self._drop(topic, why, payload, last_ns)
            return
        self._follow(message, last_ns)
        self._tell(message, first_ns, last_ns)
        if is_down(self._spec, message):
            self._drop(topic, "the controller is gone, by its last will", payload, last_ns)

    def _follow(self, message: Published, at_ns: int) -> None:
        """Say at once where a sequence number shows that messages were lost; the trace finds it again by itself."""
        if self._spec.sequence_pointer is None or message.topic == self._spec.alive_topic:
            return
        number = sequence_of(self._spec.sequence_pointer, message.payload)
        watch = self._sequences[message.topic]
        if message.retain:
            watch.restart(number)
        elif not watch.is_again(number) and (why := watch.wrong(number)):
            self._drop(message.topic, why, message.payload, at_ns)

    def _drop(self, topic: str, why: str, data: bytes, at_ns: int) -> None:
        self._observer.dropped(self.name, at_ns, f"topic {topic}: {why}", data[:DROPPED_BYTES])

    def _answered(self, first_ns: int, last_ns: int) -> None:
        self._tell(Answered(), first_ns, last_ns)

    def _tell(self, message: MqttMessage, first_ns: int, last_ns: int) -> None:
        self._observer.message(self.name, first_ns, last_ns, encode(message))

    def _report(self, state: LinkState, why: str, at_ns: int | None = None) -> None:
        """Tell the observer where something changed; a broker that stays away for days is one report, not thousands."""
        if self._state != (state, why):
            self._state = (state, why)
            self._observer.link_state(self.name, self._clock() if at_ns is None else at_ns, state, why)


def _reason(exc: BaseException) -> str:
    """What the operating system said where the library wraps that, else the library's own words."""
    beneath = next((it for it in (exc, exc.__cause__, exc.__context__) if isinstance(it, OSError)), None)
    return str(exc) if beneath is None else os_reason(beneath)
