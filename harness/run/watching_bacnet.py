"""Watching a BACnet/IP device: its address on the command line, its objects as it lists them, its values in words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Final
from urllib.parse import urlsplit

from harness.core.errors import LinkError, Origin, UsageError
from harness.core.instants import NS_PER_MS, NS_PER_S, Clock
from harness.core.links import BacnetLink, CovKind
from harness.core.model import Hold, Point
from harness.core.places import Arrival, BacnetPlace, ObjectPart, ObjectType
from harness.correlate.wording import time_text
from harness.links import bacnet_values
from harness.links.bacnet_messages import (
    CLOCK_PERIOD_NS,
    NOTIFY_ACK,
    SHADOW_PERIOD_NS,
    ClockRead,
    EventNotice,
    Gap,
    LifeSign,
    ObjectId,
    Reporting,
    Subscription,
    ValueChange,
    decode,
    look_period_ns,
    object_words,
)
from harness.links.bacnet_values import ObjectReading, Status
from harness.links.base import ObjectBlock

_COMMAND_LINE: Final = Origin(file="command line", line=1)

BACNET_PORT: Final = 47808
"""BAC0 hexadecimal, the registered UDP port of BACnet/IP (ASHRAE 135, Annex J)."""

WATCHED_MAX: Final = 500
"""Objects that are watched without a site file; of a device with more, the first ones."""

NS_PER_READ: Final = 50 * NS_PER_MS
"""A device that is watched without a site file gets no more than twenty reads a second."""

TIMEOUT_DEFAULT_NS: Final = 1 * NS_PER_S

_STATES: Final = ("normal", "fault", "off-normal", "high-limit", "low-limit", "life-safety-alarm")
"""BACnetEventState (clause 21)."""

_FLAGS: Final = (
    (Status.IN_ALARM, "in alarm"),
    (Status.FAULT, "fault"),
    (Status.OVERRIDDEN, "overridden"),
    (Status.OUT_OF_SERVICE, "out of service"),
)

_BINARY: Final = (ObjectType.BINARY_INPUT, ObjectType.BINARY_OUTPUT, ObjectType.BINARY_VALUE)


def bacnet_of_address(address: str, poll_period_ns: int) -> BacnetLink:
    """The link of ``bacnet://HOST[:PORT]/DEVICE``. farend listens on the registered port, on loopback on any.

    UsageError where it is no such address.
    """
    parts = urlsplit(address)
    instance = parts.path.strip("/")
    try:
        port = parts.port or BACNET_PORT
    except ValueError as exc:
        raise UsageError(f"address={address}: {exc}; expected a port from 1 to 65535") from exc
    if not parts.hostname or not instance.isdecimal() or int(instance) >= 4_194_303:
        raise UsageError(
            f"address={address}: expected bacnet://HOST[:PORT]/DEVICE with the device's instance, 0 to 4194302"
        )
    is_loopback = parts.hostname == "localhost" or parts.hostname.startswith("127.")
    return BacnetLink(
        name="device",
        host=parts.hostname,
        port=port,
        device=int(instance),
        listen_host="127.0.0.1" if is_loopback else "0.0.0.0",  # noqa: S104 - answers come from anywhere
        listen_port=0 if is_loopback else BACNET_PORT,
        poll_period_ns=poll_period_ns,
        timeout_ns=TIMEOUT_DEFAULT_NS,
        origin=_COMMAND_LINE,
    )


async def points_of_device(spec: BacnetLink, clock: Clock) -> list[Point]:
    """One polled point for each object that farend can read, as the device lists them. Raises LinkError."""
    from harness.links.bacnet_app import BacnetPorts, resolved  # they bring a protocol stack along
    from harness.links.bacnet_polls import Device
    from harness.links.bacnet_reporting import check_identity, list_objects

    ports = BacnetPorts()
    app = await ports.open(spec, clock)
    try:
        device = Device(spec=spec, app=app, peer=await resolved(spec.host, spec.port))
        await check_identity(device)
        found = await list_objects(device, WATCHED_MAX)
    finally:
        await ports.close(spec)
    if not found:
        raise LinkError(f"device {spec.device} at {spec.host}: lists no object that farend can read")
    return [
        Point(
            name=object_words(it),
            link=spec.name,
            place=BacnetPlace(object_type=it[0], instance=it[1]),
            hold=Hold(),
            written=object_words(it),
            origin=_COMMAND_LINE,
        )
        for it in found
    ]


def polite_period_ns(spec: BacnetLink, points: Sequence[Point]) -> int:
    """The poll period of a device that is watched without a site file."""
    reads = -(-len(points) // spec.objects_per_read)
    return max(spec.poll_period_ns, reads * NS_PER_READ)


def polled(points: Iterable[Point], block: ObjectBlock, payload: bytes) -> Iterator[tuple[str, str]]:
    """(place, value in words) of every mapped place in one answer."""
    for point in points:
        place = point.place
        if isinstance(place, BacnetPlace) and (place.object_type, place.instance) in block.objects:
            yield point.name, value_words(place, bacnet_values.unpack(payload, bacnet_values.index_of(place, block)))


def told(points: Iterable[Point], data: bytes) -> tuple[list[tuple[str, str]], str]:
    """What a message says: values by place, or in words what is neither a value nor worth a line ('')."""
    message = decode(data)
    match message:
        case ValueChange():
            mine = [it for it in points if _is(it, message.object)]
            return [(it.name, value_words(it.place, message.reading)) for it in mine], ""  # type: ignore[arg-type]
        case EventNotice():
            return [], _event_words(message)
        case Subscription():
            why = f": {message.why}" if message.why else ""
            return [], f"subscription of {object_words(message.object)} {message.step.value}{why}" if why else ""
        case Gap():
            return [], f"notifications may be missing: {message.why}"
        case LifeSign() | ClockRead():
            return [], ""
        case Reporting():
            return [], "" if not message.why else f"{object_words(message.object)}: {message.why}"


def _is(point: Point, object_id: ObjectId) -> bool:
    place = point.place
    return isinstance(place, BacnetPlace) and (place.object_type, place.instance) == object_id


def value_words(place: BacnetPlace, reading: ObjectReading) -> str:
    """What was read of a place: its value, and what else is not as usual."""
    if place.part is ObjectPart.EVENT_STATE:
        value = state_words(reading.event_state)
    elif reading.value is None:
        value = "no value"
    elif place.object_type in _BINARY:
        value = "on" if reading.value else "off"
    else:
        value = f"{reading.value:g}"
    said = [word for flag, word in _FLAGS if reading.status is not None and reading.status & flag]
    return f"{value} ({', '.join(said)})" if said else value


def state_words(state: int | None) -> str:
    """An Event_State by its name."""
    if state is None:
        return "no state"
    return _STATES[state] if state < len(_STATES) else f"state {state}"


def _event_words(event: EventNotice) -> str:
    which = "an object of another type" if event.object is None else object_words(event.object)
    text = f' "{event.text}"' if event.text else ""
    if event.notify_type == NOTIFY_ACK:
        return f"{which}: {state_words(event.to_state)} was acknowledged{text}"
    asks = ", to be acknowledged" if event.ack_required else ""
    before = "" if event.from_state is None else f"{state_words(event.from_state)} -> "
    return f"{which}: event {before}{state_words(event.to_state)}, priority {event.priority}{asks}{text}"


def bacnet_cost(spec: BacnetLink, points: Iterable[Point]) -> tuple[str, tuple[str, ...]]:
    """What listening costs a device, in words, and what is asked of it."""
    mine = [it.place for it in points if it.link == spec.name and isinstance(it.place, BacnetPlace)]
    by_way = {
        way: list(dict.fromkeys((it.object_type, it.instance) for it in mine if it.arrives is way)) for way in Arrival
    }
    reads = -(-len(by_way[Arrival.POLL]) // spec.objects_per_read) or bool(mine)
    changing, notified = by_way[Arrival.COV], by_way[Arrival.EVENT]
    parts = [
        f"as device {spec.own_device} on UDP port {spec.listen_port}",
        f"{reads} read{'s' * (reads != 1)} every {time_text(spec.poll_period_ns)}, at most 2 requests outstanding",
    ]
    if changing:
        kind = "confirmed" if spec.cov is CovKind.CONFIRMED else "unconfirmed"
        lasting = f"for {spec.cov_lifetime_s} s each, renewed and" if spec.cov_lifetime_s else "without end, but"
        life = f"{lasting} cancelled when farend ends"
        parts.append(f"{len(changing)} {kind} COV subscription{'s' * (len(changing) != 1)} {life}")
    if notified:
        parts.append(f"events of {len(notified)} object{'s' * (len(notified) != 1)}, if the device sends them here")
    told = len(dict.fromkeys((*changing, *notified)))
    if told:
        shadow_ns = max(SHADOW_PERIOD_NS, spec.poll_period_ns)
        look = "Active_COV_Subscriptions and Time_Of_Device_Restart" if changing else "Time_Of_Device_Restart"
        parts.append(
            f"{-(-told // spec.objects_per_read)} more every {time_text(shadow_ns)} of what must notify, and one of "
            f"{look} every {time_text(look_period_ns(len(changing)))}, if the device has it"
        )
    if mine:
        parts.append(f"one of Local_Date and Local_Time every {time_text(CLOCK_PERIOD_NS)}, if the device has them")
    if spec.bbmd_host is not None:
        parts.append(f"registered as a foreign device with {spec.bbmd_host}:{spec.bbmd_port}, as declared")
    parts.append(
        f"one Who-Is; an I-Am to whoever asks for exactly device {spec.own_device}, a reject to any other request; "
        "no write service"
    )
    asked = [f"reads {object_words(it)}" for it in by_way[Arrival.POLL]]
    asked += [f"subscribes to {object_words(it)}" for it in changing]
    asked += [f"waits for events of {object_words(it)}" for it in notified]
    return ", ".join(parts), tuple(asked)
