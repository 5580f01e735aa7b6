"""The MQTT client: aiomqtt, with what a witness needs beside it. It subscribes, and publishes nothing.

Arrival. Messages are stamped in the call in which aiomqtt's client would queue them; nothing is queued, so nothing can
be dropped on the way. An event loop that was busy reads late, so an arrival is known within bounds only: the whole
message was there by ``last_ns``, when it was read, and was not there at ``first_ns``, the last instant at which none
was waiting. The client reads at most one packet each time that the loop finds its socket readable, so none was waiting
where the loop looked at the socket and no packet was read: between two noted turns, or in the turn after a read.

What has been read is told by the client's own log, which is a documented way in and the only one for a PINGRESP.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, cast

import aiomqtt

from harness.core.errors import LinkError
from harness.core.instants import NS_PER_S, Clock
from harness.core.links import MqttLink, MqttVersion
from harness.links.mqtt_messages import Published
from harness.links.os_reasons import os_reason

if TYPE_CHECKING:
    from paho.mqtt.reasoncodes import ReasonCode

TURN_NOTED_S: Final = 0.01
"""How often a turn of the loop is noted. It widens an arrival by twice this, and costs 100 turns a second."""

TOPICS_PER_REQUEST: Final = 100
"""Topics in one SUBSCRIBE: a packet of a few kilobytes, which every broker takes."""

Told = Callable[[Published, int, int], None]
"""What came in, first_ns, last_ns."""

Answered = Callable[[int, int], None]
"""first_ns, last_ns of a PINGRESP."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Loss:
    """How a connection was lost. ``silent``: nobody said so; it is known by what did not come."""

    why: str
    silent: bool


class Arrivals:
    """Stamps what comes in on one connection, and hands it on at once."""

    def __init__(self, clock: Clock, told: Told, answered: Answered) -> None:
        self._clock = clock
        self._loop = asyncio.get_running_loop()
        self._told = told
        self._answered = answered
        self._packets = 0
        self._noted = 0  # packets at the last noted turn
        self._turn_ns = self._none_waiting_ns = clock()
        self._is_looking = False
        self._dup = False
        self._timer: asyncio.TimerHandle | None = self._loop.call_later(TURN_NOTED_S, self._note_turn)
        self.heard_ns = self._turn_ns
        self.last_error = ""

    def close(self) -> None:
        """Note no more turns."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def packet(self, told: str, arguments: tuple[Any, ...]) -> None:
        """A packet was read, as the client's log has it."""
        self._packets += 1
        self.heard_ns = self._clock()
        if told.startswith("Received PUBLISH"):
            self._dup = bool(arguments[0])
        elif told == "Received PINGRESP":
            self._answered(self._none_waiting_ns, self.heard_ns)
            self._look_again()

    def message(self, message: aiomqtt.Message) -> None:
        """A message was read."""
        at_ns = self.heard_ns = self._clock()
        payload = message.payload if isinstance(message.payload, bytes) else bytes(message.payload)
        published = Published(
            topic=message.topic.value,
            payload=payload,
            qos=message.qos,
            retain=message.retain,
            dup=self._dup and message.qos == 1,  # one with QoS 2 is handed on once, however often it was sent
        )
        self._told(published, self._none_waiting_ns, at_ns)
        self._look_again()

    def _note_turn(self) -> None:
        """Between the turn noted before and this one the loop has looked at the socket."""
        if self._packets == self._noted:
            self._none_waiting_ns = max(self._none_waiting_ns, self._turn_ns)
        self._noted, self._turn_ns = self._packets, self._clock()
        self._timer = self._loop.call_later(TURN_NOTED_S, self._note_turn)

    def _look_again(self) -> None:
        """The loop looks at the socket once a turn, so by the turn after the next it has looked since now."""
        if not self._is_looking:
            self._is_looking = True
            self._loop.call_soon(self._loop.call_soon, self._looked, self._packets, self._clock())

    def _looked(self, packets: int, since_ns: int) -> None:
        """The loop has looked at the socket once since ``since_ns``, when so many packets had been read."""
        self._is_looking = False
        if packets == self._packets:
            self._none_waiting_ns = max(self._none_waiting_ns, since_ns)
        else:
            self._look_again()


class _Log(logging.Logger):
    """What the client logs: each packet that it reads, and what went wrong. Nothing is formatted or written."""

    def __init__(self, arrivals: Arrivals) -> None:
        super().__init__("mqtt", logging.DEBUG)
        self.addHandler(logging.NullHandler())
        self._arrivals = arrivals

    def log(self, level: int, msg: object, *args: object, **kwargs: Any) -> None:  # noqa: ARG002 - the interface of logging
        told = str(msg)
        if told.startswith("Received "):
            self._arrivals.packet(told, args)
        elif level >= logging.ERROR and args:
            last = args[-1]
            self._arrivals.last_error = os_reason(last) if isinstance(last, OSError) else str(last)


class _Straight(asyncio.Queue[aiomqtt.Message]):
    """A queue that is never in between: what would be queued is handed on at once."""

    def __init__(self, arrivals: Arrivals) -> None:
        super().__init__()
        self._arrivals = arrivals

    def put_nowait(self, item: aiomqtt.Message) -> None:
        self._arrivals.message(item)


class TlsContext(ssl.SSLContext):
    """A client's context that knows its newest socket: the client library forgets it where the handshake fails."""

    newest: ssl.SSLSocket | None = None

    def wrap_socket(self, *arguments: Any, **settings: Any) -> ssl.SSLSocket:
        """See ``ssl.SSLContext``."""
        self.newest = super().wrap_socket(*arguments, **settings)
        return self.newest


class Connection(aiomqtt.Client):
    """One connection to a broker. A new one is made for each attempt, so its start is clean, and so is its session.

    A session that the broker keeps would hand over what it queued while we were away: messages that look as if their
    change lay no more than the longest delay behind them, which it does not.
    """

    def __init__(
        self, spec: MqttLink, identifier: str, arrivals: Arrivals, tls: TlsContext | None, password: str | None
    ) -> None:
        self._tls = tls
        self._is_v5 = spec.version is MqttVersion.V5
        super().__init__(
            spec.host,
            spec.port,
            username=spec.user_name,
            password=password,
            logger=_Log(arrivals),
            identifier=identifier,
            queue_type=cast("type[asyncio.Queue[aiomqtt.Message]]", lambda maxsize: _Straight(arrivals)),  # noqa: ARG005
            protocol=aiomqtt.ProtocolVersion.V5 if self._is_v5 else aiomqtt.ProtocolVersion.V311,
            clean_session=None if self._is_v5 else True,
            timeout=spec.timeout_ns / NS_PER_S,
            keepalive=spec.keep_alive_s,
            tls_context=tls,
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        )

    async def open(self) -> None:
        """Connect. MqttError where that fails; nothing is left open then, or where this is cancelled."""
        # The library connects in a thread, which does not end when its waiter is cancelled.
        entering = asyncio.ensure_future(self.__aenter__())
        try:
            await asyncio.shield(entering)
        except asyncio.CancelledError:
            await asyncio.wait([entering])
            entering.exception()
            self.abandon()
            raise
        except BaseException:
            self.abandon()
            raise

    async def close(self) -> None:
        """Say goodbye, and close; nothing is left open even where that fails."""
        try:
            with contextlib.suppress(aiomqtt.MqttError):
                await self.__aexit__(None, None, None)
        finally:
            self.abandon()

    def abandon(self) -> None:
        """Close the socket where the library has left it open: a CONNACK did not come, or a TLS handshake failed."""
        self._client.disconnect()
        if self._tls is not None and self._tls.newest is not None and self._client.socket() is None:
            self._tls.newest.close()

    async def ask_for(self, topics: list[str], qos: int) -> dict[str, str]:
        """Subscribe. Returns why, for each topic that the broker refused."""
        refused: dict[str, str] = {}
        for at in range(0, len(topics), TOPICS_PER_REQUEST):
            some = topics[at : at + TOPICS_PER_REQUEST]
            codes = cast("list[ReasonCode]", await self.subscribe(self._request(some, qos)))
            refused |= {
                topic: f"the broker refused the subscription: {code}"
                for topic, code in zip(some, codes, strict=True)
                if code.is_failure
            }
        return refused

    def _request(self, topics: list[str], qos: int) -> Any:
        if not self._is_v5:
            return [(topic, qos) for topic in topics]
        from paho.mqtt.subscribeoptions import SubscribeOptions

        return [(topic, SubscribeOptions(qos=qos)) for topic in topics]

    async def until_lost(self) -> Loss:
        """Wait until the connection is lost."""
        try:
            async for _ in self.messages:
                pass  # they are handed on before they could come here
        except aiomqtt.MqttError as exc:
            return _loss(exc.__cause__ or exc)
        return Loss(why="it was closed", silent=False)


def _loss(cause: BaseException) -> Loss:
    code = cause.rc if isinstance(cause, aiomqtt.MqttCodeError) else None
    name = "" if code is None else str(code)
    if name == "Keep alive timeout":  # MQTT 5, 2.4: 0x8D; the client library uses the codes for every version
        return Loss(why="the broker no longer answers", silent=True)
    if name == "Unspecified error":
        return Loss(why="the other end closed it", silent=False)
    return Loss(why=name or str(cause), silent=False)


def tls_context(spec: MqttLink) -> TlsContext | None:
    """What the link's TLS files say; None where it uses none. LinkError where a file cannot be used."""
    if spec.tls is None:
        return None
    context = TlsContext(ssl.PROTOCOL_TLS_CLIENT)  # verifies the certificate and the host's name
    try:
        if spec.tls.ca_file is None:
            context.load_default_certs()
        else:
            context.load_verify_locations(spec.tls.ca_file)
    except OSError as exc:
        raise LinkError(
            f"ca_file={spec.tls.ca_file}: {exc.strerror or exc}; expected certificates in PEM form"
        ) from exc
    if spec.tls.certificate_file is not None:
        try:
            context.load_cert_chain(spec.tls.certificate_file, spec.tls.key_file)
        except OSError as exc:
            files = f"certificate_file={spec.tls.certificate_file} key_file={spec.tls.key_file}"
            raise LinkError(f"{files}: {exc.strerror or exc}; expected a certificate and its key in PEM form") from exc
    return context


def password_of(spec: MqttLink) -> str | None:
    """The password from the environment; None where none is named. LinkError where the variable is not set."""
    if spec.password_env is None:
        return None
    password = os.environ.get(spec.password_env)
    if password is None:
        raise LinkError(
            f"password_env={spec.password_env}: this environment variable is not set; set it to the password"
        )
    return password
