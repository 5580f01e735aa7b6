"""A BACnet/IP device made by hand, octet by octet, that does what no well-kept stack would: for tests of a listener.

It answers ReadProperty and ReadPropertyMultiple from a table, takes SubscribeCOV, and sends whatever a test wants
from its own address. Octets as in ASHRAE 135, clauses 20 and 21 and Annex J, written out here on purpose: a codec
that is shared with what is tested would share its mistakes.
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

BINARY_INPUT, ANALOG_INPUT, DEVICE = 3, 0, 8
PRESENT_VALUE, STATUS_FLAGS, EVENT_STATE, OBJECT_IDENTIFIER = 85, 111, 36, 75
READ_PROPERTY, READ_PROPERTY_MULTIPLE, SUBSCRIBE_COV = 12, 14, 5
ACTIVE_COV_SUBSCRIPTIONS, TIME_OF_DEVICE_RESTART = 152, 203
Address = tuple[str, int]


def identifier(object_type: int, instance: int) -> bytes:
    """An object identifier's four octets (20.2.14)."""
    return struct.pack(">I", object_type << 22 | instance)


def unicast(apdu: bytes) -> bytes:
    """An APDU in an Original-Unicast-NPDU, with the plainest NPDU."""
    return b"\x81\x0a" + struct.pack(">H", len(apdu) + 6) + b"\x01\x00" + apdu


def enumerated(value: int) -> bytes:
    return bytes((0x91, value))


def real(value: float) -> bytes:
    return b"\x44" + struct.pack(">f", value)


def flags(bits: int) -> bytes:
    """Status_Flags: in-alarm is 8."""
    return bytes((0x82, 0x04, bits << 4))


def sequence(number: int) -> bytes:
    """A BACnetTimeStamp that is a sequence number (clause 21)."""
    return bytes((0x19, number))


def cov(device: int, object_type: int, instance: int, value: bytes, bits: int = 0, process: int = 1) -> bytes:
    """What follows the service choice of a COV notification (13.7.1, as in F.1.2)."""
    head = bytes((0x09, process, 0x1C)) + identifier(DEVICE, device) + b"\x2c" + identifier(object_type, instance)
    return head + b"\x39\x3c\x4e\x09\x55\x2e" + value + b"\x2f\x09\x6f\x2e" + flags(bits) + b"\x2f\x4f"


@dataclass
class HandDevice:
    """``values``: by object and property, the tagged value. What is not in it is answered as unknown-property.

    ``lists``: whether it has Active_COV_Subscriptions; ``lies``: they are always shown as none. ``answers``: by
    service, an APDU's type and the octets behind its invoke id, instead of what it would answer. ``octets_max``: longer
    requests are not heard, and longer answers become an abort. ``segments_of``: longer answers are sent in segments
    of so many octets, each after the one before was acknowledged (20.1.5).
    """

    instance: int
    values: dict[tuple[int, int], dict[int, bytes]] = field(default_factory=dict)
    knows_multiple: bool = True
    objects_max: int = 100
    silent: bool = False
    subscribes: bool = True
    first_notification: bool = True
    lists: bool = False
    lies: bool = False
    octets_max: int = 1476
    segments_of: int = 0
    who_is_answer: bytes = b""
    segments: dict[int, list[bytes]] = field(default_factory=dict)
    answers: dict[int, tuple[int, bytes]] = field(default_factory=dict)
    requests: list[bytes] = field(default_factory=list)
    subscribers: dict[tuple[int, int], tuple[Address, bool]] = field(default_factory=dict)
    acked: list[int] = field(default_factory=list)
    heard: asyncio.Event = field(default_factory=asyncio.Event)
    transport: asyncio.DatagramTransport | None = None
    invoke: int = 0
    restarts: int = 0
    sent: dict[int, int] = field(default_factory=dict)

    @property
    def address(self) -> Address:
        assert self.transport is not None
        host, port = self.transport.get_extra_info("sockname")
        return host, port

    def send(self, data: bytes, to: Address) -> None:
        assert self.transport is not None
        self.transport.sendto(data, to)

    def set(self, object_type: int, instance: int, value: bytes, bits: int = 0, state: int = 0) -> None:
        """An object's value, status flags and event state; nobody is told."""
        self.values[object_type, instance] = {
            PRESENT_VALUE: value,
            STATUS_FLAGS: flags(bits),
            EVENT_STATE: enumerated(state),
        }

    def notify(self, object_type: int, instance: int, *, invoke: int | None = None) -> None:
        """Send the present value to whoever subscribed; with ``invoke`` under that number again."""
        known = self.values[object_type, instance]
        to, confirmed = self.subscribers[object_type, instance]
        body = cov(self.instance, object_type, instance, known[PRESENT_VALUE], known[STATUS_FLAGS][2] >> 4)
        if not confirmed:
            self.send(unicast(b"\x10\x02" + body), to)
            return
        if invoke is None:
            self.invoke = invoke = (self.invoke + 1) % 256
        self.send(unicast(bytes((0x00, 0x05, invoke, 0x01)) + body), to)

    def restart(self) -> None:
        """All subscriptions are forgotten; its Time_Of_Device_Restart, where it has one, is another."""
        self.subscribers.clear()
        own = self.values.get((DEVICE, self.instance), {})
        if TIME_OF_DEVICE_RESTART in own:
            self.restarts += 1
            own[TIME_OF_DEVICE_RESTART] = sequence(self.restarts)

    def has_restart_time(self) -> None:
        """From now on it has a Time_Of_Device_Restart."""
        self.values.setdefault((DEVICE, self.instance), {})[TIME_OF_DEVICE_RESTART] = sequence(self.restarts)

    def _list(self) -> bytes:
        """Its BACnetCOVSubscriptions (clause 21)."""
        found = b""
        for (object_type, instance), ((host, port), confirmed) in ({} if self.lies else self.subscribers).items():
            mac = bytes(int(it) for it in host.split(".")) + struct.pack(">H", port)
            to = b"\x0e\x0e\x1e\x21\x00\x65\x06" + mac + b"\x1f\x0f\x19\x01\x0f"
            what = b"\x1e\x0c" + identifier(object_type, instance) + b"\x19\x55\x1f"
            found += to + what + bytes((0x29, confirmed)) + b"\x39\x3c"
        return found

    # --- what comes in --------------------------------------------------------------------------------

    def connection_made(self, transport: asyncio.DatagramTransport) -> None:
        self.transport = transport

    def connection_lost(self, exc: Exception | None) -> None:
        pass

    def error_received(self, exc: Exception) -> None:
        pass

    def datagram_received(self, data: bytes, to: Address) -> None:
        self.requests.append(data)
        apdu = data[6:]
        if len(apdu) > self.octets_max:
            return
        if apdu[0] >> 4 == 4:
            self._next_segment(apdu[1], to)
        elif apdu[:2] == b"\x10\x08" and self.who_is_answer:
            self.send(self.who_is_answer, to)
        elif apdu[0] >> 4 == 2:
            self.acked.append(apdu[1])
        elif apdu[0] >> 4 == 0 and not self.silent:
            self._request(apdu, to)
        self.heard.set()

    def _request(self, apdu: bytes, to: Address) -> None:
        invoke, service, body = apdu[2], apdu[3], apdu[4:]
        if service in self.answers:
            kind, rest = self.answers[service]
            self.send(unicast(bytes((kind, invoke)) + rest), to)
            return
        if service == READ_PROPERTY:
            self._read_one(invoke, body, to)
        elif service == READ_PROPERTY_MULTIPLE and self.knows_multiple:
            self._read_multiple(invoke, body, to)
        elif service == SUBSCRIBE_COV and self.subscribes:
            self._subscribe(invoke, body, to)
        elif service == SUBSCRIBE_COV:
            self.send(unicast(bytes((0x50, invoke, service)) + b"\x91\x05\x91\x2b"), to)  # cov-subscription-failed
        else:
            self.send(unicast(bytes((0x60, invoke, 0x09))), to)  # reject: unrecognized-service

    def _read_one(self, invoke: int, body: bytes, to: Address) -> None:
        packed = struct.unpack(">I", body[1:5])[0]
        object_id, number = (packed >> 22, packed & 0x3F_FFFF), int.from_bytes(body[6 : 6 + (body[5] & 7)], "big")
        if object_id[0] == DEVICE and object_id[1] in (self.instance, 0x3F_FFFF) and number == OBJECT_IDENTIFIER:
            value: bytes | None = b"\xc4" + identifier(DEVICE, self.instance)
        else:
            value = self.values.get(object_id, {}).get(number)
        if value is None:
            self.send(unicast(bytes((0x50, invoke, READ_PROPERTY)) + b"\x91\x02\x91\x20"), to)
            return
        self.send(unicast(bytes((0x30, invoke, READ_PROPERTY)) + body + b"\x3e" + value + b"\x3f"), to)

    def _read_multiple(self, invoke: int, body: bytes, to: Address) -> None:
        answer, at, count = b"", 0, 0
        while at < len(body):
            packed = struct.unpack(">I", body[at + 1 : at + 5])[0]
            known = self.values.get((packed >> 22, packed & 0x3F_FFFF), {})
            if self.lists and packed >> 22 == DEVICE:
                known = {**known, ACTIVE_COV_SUBSCRIPTIONS: self._list()}
            answer += body[at : at + 5] + b"\x1e"
            at, count = at + 6, count + 1
            while body[at] != 0x1F:
                size = body[at] & 7
                number = body[at + 1 : at + 1 + size]
                value = known.get(int.from_bytes(number, "big"))
                inner = b"\x5e\x91\x02\x91\x20\x5f" if value is None else b"\x4e" + value + b"\x4f"
                answer += bytes((0x28 | size,)) + number + inner
                at += 1 + size
            answer += b"\x1f"
            at += 1
        if count > self.objects_max:
            self.send(unicast(bytes((0x71, invoke, 0x04))), to)  # abort: segmentation-not-supported
            return
        if self.segments_of and len(answer) > self.segments_of:
            size = self.segments_of
            self.segments[invoke] = [answer[at : at + size] for at in range(0, len(answer), size)]
            self.sent[invoke] = 0
            self._next_segment(invoke, to)
        elif len(answer) + 3 > self.octets_max:
            self.send(unicast(bytes((0x71, invoke, 0x04))), to)
        else:
            self.send(unicast(bytes((0x30, invoke, READ_PROPERTY_MULTIPLE)) + answer), to)

    def _next_segment(self, invoke: int, to: Address) -> None:
        """A segment of a Complex-ACK: its flags say segmented, and that more follow, where they do."""
        waiting, number = self.segments[invoke], self.sent[invoke]
        if number < len(waiting):
            more = 0x04 if number + 1 < len(waiting) else 0
            head = bytes((0x38 | more, invoke, number, 1, READ_PROPERTY_MULTIPLE))
            self.sent[invoke] = number + 1
            self.send(unicast(head + waiting[number]), to)

    def _subscribe(self, invoke: int, body: bytes, to: Address) -> None:
        packed = struct.unpack(">I", body[3:7])[0]
        object_id = (packed >> 22, packed & 0x3F_FFFF)
        self.send(unicast(bytes((0x20, invoke, SUBSCRIBE_COV))), to)
        if len(body) == 7:
            self.subscribers.pop(object_id, None)
            return
        self.subscribers[object_id] = (to, body[8] == 1)
        if self.first_notification:
            self.notify(*object_id)


@asynccontextmanager
async def hand_device(instance: int = 4, port: int = 0, **rest: object) -> AsyncIterator[HandDevice]:
    """A device on loopback, until the end of the block."""
    device = HandDevice(instance, **rest)  # type: ignore[arg-type]
    loop = asyncio.get_running_loop()
    transport, _ = await loop.create_datagram_endpoint(lambda: device, local_addr=("127.0.0.1", port))  # type: ignore[type-var]
    try:
        yield device
    finally:
        transport.close()
        await asyncio.sleep(0)
