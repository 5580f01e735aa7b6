"""Watching without a test: every change at every place, each with its bounds."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from urllib.parse import parse_qs, urlsplit

from harness.core.errors import IdentityError, Origin, UsageError
from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.links import BacnetLink, LinkSpec, ModbusTcpLink, MqttLink, PersonLink, SerialPort, TextLink
from harness.core.model import Hold, Point
from harness.core.places import ModbusPlace, Numbering, PersonPlace, Place, Table, ValueType
from harness.links import person_messages
from harness.links.bacnet_messages import object_words
from harness.links.base import AnyBlock, Block, Link, LinkState, ObjectBlock
from harness.links.decoding import message_reader, state_in_poll
from harness.links.modbus_rtu_session import NOT_ASKED
from harness.links.modbus_values import decode
from harness.links.person import PersonListener
from harness.links.person_reports import Ask, Attend
from harness.links.person_trace import report_bounds
from harness.links.seen import Message as Seen
from harness.run import watching_bacnet, watching_mqtt, watching_rtu
from harness.run.attentive import listening_first

_COMMAND_LINE = Origin(file="command line", line=1)

MODBUS_PORT = 502
"""The registered port of Modbus TCP (IANA service name mbap)."""

TIMEOUT_DEFAULT_NS = 1 * NS_PER_S

BEAT_S = 1.0

VALUES_KEPT_MAX = 10_000
"""Places whose last value is kept to compare with; where a wildcard finds more topics, those show each time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One change at one place. ``at``: its true instant; ``was`` is '' for the first value seen, which is a state.

    ``turned``: where with a number its point went on or off, ``on`` or ``off``; else ''.
    """

    link: str
    place: str
    was: str
    now: str
    at: Bounds
    turned: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """Something about a link itself: it came up, went down, a poll failed, bytes did not fit.

    ``late_ns``: by how much a poll began late, where that is what it says; else 0.
    """

    link: str
    at_ns: int
    text: str
    late_ns: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstRead:
    """The first values of one read request: a state, no event. ``changes`` have an empty ``was``."""

    link: str
    at_ns: int
    changes: tuple[Change, ...]


Shown = Callable[[Change | Notice | FirstRead], None]


class Watcher:
    """An observer that hands on changes. Blocks are compared value by value with the answer before."""

    def __init__(self, points: Iterable[Point], shown: Shown, links: Iterable[LinkSpec] = ()) -> None:
        """``links``: as far as what they are told is more than a line of text."""
        self._points = list(points)
        links = list(links)
        self._persons = {link.name: link for link in links if isinstance(link, PersonLink)}
        self._brokers = {link.name: link for link in links if isinstance(link, MqttLink)}
        self._devices = {link.name: link for link in links if isinstance(link, BacnetLink)}
        self._by_name = {point.name: point for point in self._points}
        self._on: dict[str, bool] = {}
        self._objects: dict[int, ObjectBlock] = {}
        self._shown = shown
        self._blocks: dict[int, tuple[Block, list[tuple[Point, ModbusPlace]]]] = {}
        self._payloads: dict[int, bytes] = {}
        self._asked: dict[int, int] = {}
        self._values: dict[str, str] = {}
        self._failing: dict[int, str] = {}
        self.changes = 0
        self.polls = 0
        self.lines = 0
        self.failures = 0

    def block(self, block: AnyBlock) -> None:
        """See ``Observer.block``."""
        if isinstance(block, ObjectBlock):
            self._objects[block.id] = block
            return
        places = [(point, point.place) for point in self._points if point.link == block.link]
        inside = [(point, place) for point, place in places if isinstance(place, ModbusPlace) and block.holds(place)]
        self._blocks[block.id] = (block, inside)

    def poll(self, block_id: int, asked_ns: int, told_ns: int, payload: bytes) -> None:
        """See ``Observer.poll``."""
        self.polls += 1
        self._failing.pop(block_id, None)
        if block_id in self._objects:
            self._read_objects(self._objects[block_id], asked_ns, told_ns, payload)
            return
        block, inside = self._blocks[block_id]
        before = self._payloads.get(block_id)
        since = self._asked.get(block_id)
        self._asked[block_id] = asked_ns
        if payload == before:
            return
        self._payloads[block_id] = payload
        found = [it for it in (self._changed(point, place, block, payload) for point, place in inside) if it]
        at = Bounds(asked_ns if since is None else since + 1, told_ns)
        changes = [
            Change(
                link=block.link,
                place=name,
                was=was,
                now=now,
                at=at,
                turned=self._turned(name, lambda place: state_in_poll(place, block, payload)),
            )
            for name, was, now in found
        ]
        first = tuple(change for change in changes if not change.was)
        if first:
            self._shown(FirstRead(link=block.link, at_ns=told_ns, changes=first))
        for change in changes:
            if change.was:
                self.changes += 1
                self._shown(change)

    def _read_objects(self, block: ObjectBlock, asked_ns: int, told_ns: int, payload: bytes) -> None:
        """One answer about BACnet objects, of whichever block; a notification may have told of it before."""
        since = self._asked.get(block.id)
        self._asked[block.id] = asked_ns
        if payload == self._payloads.get(block.id):
            return
        self._payloads[block.id] = payload
        at = Bounds(asked_ns if since is None else since + 1, told_ns)
        mine = (it for it in self._points if it.link == block.link)
        values = watching_bacnet.polled(mine, block, payload)
        self._compare(block.link, at, values, lambda place: state_in_poll(place, block, payload))

    def _turned(self, name: str, state: Callable[[Place], bool | None]) -> str:
        """``on`` or ``off`` where a point went so just now; '' where it stayed, or nothing is known of it."""
        point = self._by_name.get(name)
        on = None if point is None else state(point.place)
        before = self._on.get(name)
        if on is not None:
            self._on[name] = on
        return "" if on is None or before in (None, on) else _on_words(on=on)

    def _compare(
        self, link: str, at: Bounds, values: Iterable[tuple[str, str]], state: Callable[[Place], bool | None]
    ) -> None:
        """Show what differs from the value before; first values together."""
        first: list[Change] = []
        for place, now in values:
            was = self._values.get(place, "")
            self._values[place] = now
            turned = self._turned(place, state) if was != now else ""
            change = Change(link=link, place=place, was=was, now=now, at=at, turned=turned)
            if not was:
                first.append(change)
            elif was != now:
                self.changes += 1
                self._shown(change)
        if first:
            self._shown(FirstRead(link=link, at_ns=at.hi, changes=tuple(first)))

    def _notified(self, link: str, at: Bounds, data: bytes) -> None:
        """What a BACnet device told, or what became of a subscription."""
        values, text = watching_bacnet.told([it for it in self._points if it.link == link], data)
        self._compare(link, at, values, self._reading(self._devices[link], data))
        if text:
            self._shown(Notice(link=link, at_ns=at.hi, text=text))

    def _reading(self, spec: LinkSpec, data: bytes) -> Callable[[Place], bool | None]:
        """How a message tells the state of a place."""

        def state(place: Place) -> bool | None:
            reader = message_reader(place, spec)
            return None if reader is None else reader(data)

        return state

    def _changed(self, point: Point, place: ModbusPlace, block: Block, payload: bytes) -> tuple[str, str, str] | None:
        """(name, was, now) where the value of a place is not what it was; was is '' at first."""
        number = decode(place, block, payload)
        now = "not a number" if number is None else _value_text(place, number)
        was = self._values.get(point.name, "")
        self._values[point.name] = now
        return None if now == was else (point.name, was, now)

    def poll_failed(self, block_id: int, asked_ns: int, given_up_ns: int, why: str) -> None:
        """See ``Observer.poll_failed``; the same failure of a request is told once until an answer to it comes."""
        del asked_ns
        self.failures += 1
        before = self._failing.get(block_id)
        if why == before or (why == NOT_ASKED and before is not None):
            return
        self._failing[block_id] = why
        if block_id in self._objects:
            objects = self._objects[block_id]
            first = object_words(objects.objects[0])
            which = f"{len(objects.objects)} objects from {first} on" if len(objects.objects) > 1 else first
            self._shown(Notice(link=objects.link, at_ns=given_up_ns, text=f"{which} not observed: {why}"))
        else:
            block = self._blocks[block_id][0]
            last = block.address + block.count - 1
            which = f"{block.table.value.replace('-', ' ')} {block.address} to {last} on the wire"
            self._shown(Notice(link=block.link, at_ns=given_up_ns, text=f"{which} not observed: {why}"))

    def overrun(self, link: str, due_ns: int, begun_ns: int) -> None:
        """See ``Observer.overrun``."""
        late_ns = begun_ns - due_ns
        text = f"a poll began {late_ns / NS_PER_MS:.0f} ms late"
        self._shown(Notice(link=link, at_ns=begun_ns, text=text, late_ns=late_ns))

    def message(self, link: str, first_ns: int, last_ns: int, data: bytes) -> None:
        """See ``Observer.message``."""
        self.lines += 1
        if link in self._persons:
            self._reported(self._persons[link], Seen(first_ns=first_ns, last_ns=last_ns, data=data))
            return
        if link in self._brokers:
            self._published(link, Bounds(first_ns, last_ns), data)
            return
        if link in self._devices:
            self._notified(link, Bounds(min(first_ns, last_ns), last_ns), data)
            return
        text = data.decode("utf-8", "backslashreplace")
        self._shown(Change(link=link, place="line", was="", now=text, at=Bounds(first_ns, last_ns)))

    def _published(self, link: str, at: Bounds, data: bytes) -> None:
        """What a broker passed on; the first value of a place is a state, and the same one again is no change."""
        for place, now in watching_mqtt.said((it for it in self._points if it.link == link), data):
            was = self._values.get(place, "")
            if was or len(self._values) < VALUES_KEPT_MAX:
                self._values[place] = now
            turned = self._turned(place, self._reading(self._brokers[link], data)) if was != now else ""
            change = Change(link=link, place=place, was=was, now=now, at=at, turned=turned)
            if not was:
                self._shown(FirstRead(link=link, at_ns=at.hi, changes=(change,)))
            elif was != now:
                self.changes += 1
                self._shown(change)

    def _reported(self, link: PersonLink, message: Seen) -> None:
        """What a person reported or took back, at its place, with the bounds that the reaction time gives."""
        said = person_messages.decode(message.data)
        if said is None:
            return
        points = (it for it in self._points if it.link == link.name and isinstance(it.place, PersonPlace))
        for point in points:
            place = point.place
            if isinstance(place, PersonPlace) and person_messages.is_of(said, place):
                was = self._values.get(point.name, "")
                if isinstance(said, person_messages.Undone):
                    self._values[point.name] = "" if said.then is None else _on_words(on=said.then)
                    notice = f"{point.name}: {was} was taken back"
                    self._shown(Notice(link=link.name, at_ns=message.last_ns, text=notice))
                    return
                self._values[point.name] = now = _on_words(on=said.on)
                self.changes += was not in ("", now)
                at = Bounds(*report_bounds(link, message, said))
                self._shown(Change(link=link.name, place=point.name, was=was, now=now, at=at))

    def link_state(self, link: str, at_ns: int, state: LinkState, why: str) -> None:
        """See ``Observer.link_state``."""
        self._shown(Notice(link=link, at_ns=at_ns, text=f"{state.value}: {why}"))

    def dropped(self, link: str, at_ns: int, what: str, data: bytes) -> None:
        """See ``Observer.dropped``."""
        self._shown(Notice(link=link, at_ns=at_ns, text=f"did not fit: {what}: {data.hex(' ')}"))


def _on_words(*, on: bool) -> str:
    return "on" if on else "off"


def _value_text(place: ModbusPlace, number: float) -> str:
    if place.table.is_bits or place.value_type is ValueType.BIT:
        return "on" if number else "off"
    return f"{number:g}" if isinstance(number, float) else str(number)


async def watch(
    links: Sequence[Link],
    for_ns: int | None,
    attend: Attend | None = None,
    beat: Callable[[], None] | None = None,
) -> None:
    """Run links until cancelled, or for ``for_ns``. ``attend`` reports for the persons among them.

    ``beat`` is called every second, for a screen that tells what it has gathered.

    IdentityError where two devices claim to be the same one.
    """
    try:
        with listening_first():
            await _watch(links, for_ns, attend, beat)
    except* IdentityError as group:
        found = group.exceptions[0]
        raise (found if isinstance(found, IdentityError) else IdentityError(str(found))) from None


async def _watch(
    links: Sequence[Link], for_ns: int | None, attend: Attend | None, beat: Callable[[], None] | None
) -> None:
    reports = [link.reports for link in links if isinstance(link, PersonListener)]
    async with asyncio.TaskGroup() as group:
        tasks = []
        if reports and attend is not None:
            tasks.append(group.create_task(attend(reports), name="persons"))
            for it in reports:
                it.ask(Ask.LOOK, it.points, "look; report each change as it comes")
        tasks += [group.create_task(link.run(), name=f"link {link.name}") for link in links]
        if beat is not None:
            tasks.append(group.create_task(_beat(beat), name="beat"))
        if for_ns is not None:
            await asyncio.sleep(for_ns / NS_PER_S)
            for task in tasks:
                task.cancel()


async def _beat(beat: Callable[[], None]) -> None:
    while True:
        await asyncio.sleep(BEAT_S)
        beat()


def link_of_address(address: str, *, poll_period_ns: int, numbering: Numbering) -> LinkSpec:
    """The link that an address on the command line names.

    ``modbus-tcp://HOST[:PORT][/UNIT]``, ``text+tcp://HOST:PORT``, ``text+serial:PORTNAME[?baud=9600]``.
    ``mqtt://HOST[:PORT]/TOPIC`` and ``mqtts://…`` as ``watching_mqtt`` reads them, ``bacnet://HOST[:PORT]/DEVICE`` as
    ``watching_bacnet`` does, ``modbus-rtu:PORT`` and ``modbus-rtu+tcp://HOST:PORT[/UNIT]`` as ``watching_rtu`` does.
    UsageError for anything else.
    """
    if address.startswith("bacnet://"):
        return watching_bacnet.bacnet_of_address(address, poll_period_ns)
    if address.startswith(("modbus-rtu:", "modbus-rtu+tcp://")):
        return watching_rtu.rtu_of_address(address, poll_period_ns=poll_period_ns, numbering=numbering)
    if address.startswith(("mqtt://", "mqtts://")):
        return watching_mqtt.mqtt_of_address(address)[0]
    parts = urlsplit(address)
    try:
        port = parts.port
    except ValueError as exc:
        raise UsageError(f"address={address}: {exc}; expected a port from 1 to 65535") from exc
    if parts.scheme == "modbus-tcp" and parts.hostname:
        unit = parts.path.strip("/") or "1"
        if not unit.isdecimal() or int(unit) > 255:
            raise UsageError(f"address={address}: unit={unit}: expected 0 to 255, as in modbus-tcp://HOST:PORT/UNIT")
        return ModbusTcpLink(
            name="device",
            host=parts.hostname,
            port=port or MODBUS_PORT,
            numbering=numbering,
            unit=int(unit),
            poll_period_ns=poll_period_ns,
            timeout_ns=TIMEOUT_DEFAULT_NS,
            origin=_COMMAND_LINE,
        )
    if parts.scheme == "text+tcp" and parts.hostname and port:
        return TextLink(name="line", host=parts.hostname, tcp_port=port, origin=_COMMAND_LINE)
    name = (parts.netloc + parts.path) if parts.scheme == "text+serial" else ""
    if name:
        baud = parse_qs(parts.query).get("baud", ["9600"])[0]
        if not baud.isdecimal():
            raise UsageError(f"address={address}: baud={baud}: expected a number, as in ?baud=9600")
        serial = SerialPort(port=name, baud=int(baud))
        return TextLink(name="line", serial=serial, origin=_COMMAND_LINE)
    raise UsageError(
        f"address={address}: expected modbus-tcp://HOST[:PORT][/UNIT], text+tcp://HOST:PORT, "
        "text+serial:PORTNAME[?baud=9600], modbus-rtu:PORTNAME, modbus-rtu+tcp://HOST:PORT[/UNIT], "
        "mqtt://HOST[:PORT]/TOPIC, bacnet://HOST[:PORT]/DEVICE, "
        "or the path of a site file"
    )


def points_of_range(link: str, unit: int, table: Table, first: int, last: int, written: Sequence[str]) -> list[Point]:
    """One point for each address of a range (from 0, both ends included); ``written``: how the user counts them."""
    value_type = ValueType.BIT if table.is_bits else ValueType.U16
    return [
        Point(
            name=text,
            link=link,
            place=ModbusPlace(unit=unit, table=table, address=address, value_type=value_type),
            hold=Hold(),
            written=text,
            origin=_COMMAND_LINE,
        )
        for address, text in zip(range(first, last + 1), written, strict=True)
    ]


def wire_range(text: str, table: Table, numbering: Numbering) -> tuple[int, int, list[str]]:
    """A range as the user counts it, ``10001-10064`` or one number: first and last address from 0, and each in writing.

    UsageError where it is none, or runs backwards.
    """
    from harness.site.addresses import read_address, write_number
    from harness.site.problems import Mismatch

    low, _, high = text.partition("-")
    try:
        first = read_address(low.strip(), numbering=numbering, table=table).address
        last = read_address((high or low).strip(), numbering=numbering, table=table).address
    except Mismatch as exc:
        raise UsageError(f"range={text}: {exc.expected}" + (f"; {exc.remedy}" if exc.remedy else "")) from exc
    if last < first:
        raise UsageError(f"range={text}: runs backwards; write {high}-{low}")
    return first, last, [write_number(table, address, numbering) for address in range(first, last + 1)]
