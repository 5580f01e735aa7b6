"""Where the protocols join on the way from what was observed to what it means: one function for each question. Pure."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence

from harness.core.links import BacnetLink, LinkSpec, ModbusRtuLink, MqttLink, PersonLink, TextLink
from harness.core.model import Point
from harness.core.places import Arrival, BacnetPlace, CurrentLoop, ModbusPlace, MqttPlace, PersonPlace, Place, TextPlace
from harness.core.trace import Trace
from harness.links import bacnet_messages, bacnet_trace, bacnet_values, modbus_values, mqtt_messages, mqtt_values
from harness.links.base import AnyBlock, Block, ObjectBlock
from harness.links.current_loop import failure_trace, lasting_loop
from harness.links.heard import Heard, heard_of
from harness.links.mqtt_trace import Topics
from harness.links.person_messages import Undone, decode, is_of
from harness.links.person_trace import person_trace
from harness.links.polled_trace import expand, polled_states, polled_trace
from harness.links.source import Source
from harness.links.text_lines import MessageKind, compile_place
from harness.links.text_trace import TextLog

Reader = Callable[[bytes], bool | None]
"""From a message to on, off, or None where it says nothing of the place."""


def state_in_poll(place: Place, block: AnyBlock, payload: bytes) -> bool | None:
    """Whether a place is on in one answer to a block that holds it; None where the answer does not tell.

    Of a current loop in a failure range, one answer cannot tell for how long: ``links.current_loop`` looks at many.
    """
    if isinstance(place, ModbusPlace) and isinstance(block, Block):
        return modbus_values.is_on(place, block, payload)
    if isinstance(place, BacnetPlace) and isinstance(block, ObjectBlock):
        return bacnet_values.is_on(place, bacnet_values.unpack(payload, bacnet_values.index_of(place, block)))
    return None


def message_reader(place: Place, spec: LinkSpec) -> Reader | None:
    """How a message of the link is read for a place; None where the place is only ever polled."""
    if isinstance(place, TextPlace) and isinstance(spec, TextLink):
        patterns = compile_place(place, spec.encoding)

        def read_line(data: bytes) -> bool | None:
            message = patterns.match(data)
            if message is None or message.kind is MessageKind.ACKNOWLEDGED:
                return None
            return message.kind is MessageKind.RAISED

        return read_line
    if isinstance(place, PersonPlace) and isinstance(spec, PersonLink):

        def read_report(data: bytes) -> bool | None:
            said = decode(data)
            if said is None or not is_of(said, place):
                return None
            return said.then if isinstance(said, Undone) else said.on

        return read_report
    if isinstance(place, MqttPlace) and isinstance(spec, MqttLink):

        def read_published(data: bytes) -> bool | None:
            message = mqtt_messages.decode(data)
            if not isinstance(message, mqtt_messages.Published) or message.topic != place.topic:
                return None
            return mqtt_values.is_on(place, message.payload)

        return read_published
    if isinstance(place, BacnetPlace):
        return bacnet_trace.reader(place)
    return None


class LinkReader:
    """How a message of one link is read for all of its points that are told by messages."""

    def __init__(self, points: Iterable[Point], spec: LinkSpec) -> None:
        """Points of other links, and those that are only ever polled, are passed over."""
        self._spec = spec
        self._about: dict[Hashable, list[tuple[Point, Reader]]] = {}
        for point in points:
            reader = message_reader(point.place, spec) if point.link == spec.name else None
            if reader is not None:
                self._about.setdefault(_subject(point.place), []).append((point, reader))

    @property
    def points(self) -> list[str]:
        """The names of the points that are told by messages."""
        return [point.name for about in self._about.values() for point, _ in about]

    def read(self, data: bytes) -> list[tuple[Point, bool]]:
        """The points of which a message says that they are on or off."""
        mine = self._about.get(_subject_of(data, self._spec), ())
        return [(point, on) for point, reader in mine if (on := reader(data)) is not None]


def _subject(place: Place) -> Hashable:
    """What the messages that speak of a place have in common; None where that shows only by trying."""
    if isinstance(place, MqttPlace):
        return place.topic
    return (place.object_type, place.instance) if isinstance(place, BacnetPlace) else None


def _subject_of(data: bytes, spec: LinkSpec) -> Hashable:
    """What a message speaks of, as ``_subject`` has it."""
    if isinstance(spec, MqttLink):
        return getattr(mqtt_messages.decode(data), "topic", None)
    return getattr(bacnet_messages.decode(data), "object", None) if isinstance(spec, BacnetLink) else None


def is_sign_of_life(spec: LinkSpec, data: bytes) -> bool:
    """Whether a message proves that whoever tells of alarms on this link was there when it came.

    What a broker has kept, or answers by itself, does not; nor does what farend notes of a BACnet device itself.
    """
    if isinstance(spec, BacnetLink):
        said = bacnet_messages.decode(data)
        return isinstance(said, bacnet_messages.LifeSign) and said.says_something
    if isinstance(spec, MqttLink):
        message = mqtt_messages.decode(data)
        return isinstance(message, mqtt_messages.Published) and not message.retain
    return True


def trace_of(
    point: Point, spec: LinkSpec, source: Source, blocks: Sequence[AnyBlock], start_ns: int, end_ns: int
) -> Trace | None:
    """The trace of one point; None where nothing ever held it. ``blocks``: those of its link.

    Where more points of the same source are asked for, let it be a ``Heard`` one: then its messages are decoded once.
    """
    place, heard = point.place, heard_of(source)
    loop = lasting_loop(place)
    if loop is not None:
        return _failure_of(point, loop, spec, source, blocks)
    if isinstance(place, TextPlace) and isinstance(spec, TextLink):
        return _log_of(heard, spec, start_ns, end_ns).trace(point.name, place)
    if isinstance(place, PersonPlace) and isinstance(spec, PersonLink):
        return person_trace(point.name, place, spec, source.messages(point.link), start_ns, end_ns)
    if isinstance(place, MqttPlace) and isinstance(spec, MqttLink):
        return _topics_of(heard, spec, end_ns).trace(point.name, place)
    if isinstance(place, BacnetPlace) and isinstance(spec, BacnetLink) and place.arrives is not Arrival.POLL:
        return bacnet_trace.bacnet_trace(point.name, place, spec, heard, blocks, start_ns, end_ns)
    return polled_trace(point.name, place, blocks, source.polls, state_in_poll, in_order=_answers_in_order(spec))


def _answers_in_order(spec: LinkSpec) -> bool:
    """A unit of a serial bus answers one request after the other."""
    return isinstance(spec, ModbusRtuLink)


def _log_of(heard: Heard, spec: TextLink, start_ns: int, end_ns: int) -> TextLog:
    def make() -> TextLog:
        told = heard.messages(spec.name), heard.link_states(spec.name)
        return TextLog(spec, *told, start_ns, end_ns, heard.dropped(spec.name))

    return heard.once(("log", spec.name, start_ns, end_ns), make)


def _topics_of(heard: Heard, spec: MqttLink, end_ns: int) -> Topics:
    def make() -> Topics:
        return Topics(spec, heard.messages(spec.name), heard.link_states(spec.name), end_ns)

    return heard.once(("topics", spec.name, end_ns), make)


def _failure_of(
    point: Point, loop: CurrentLoop, spec: LinkSpec, source: Source, blocks: Sequence[AnyBlock]
) -> Trace | None:
    """A failure range needs one reading after the other, so it is only ever told by polls."""
    in_order = _answers_in_order(spec)
    found = polled_states(point.place, blocks, source.polls, state_in_poll, in_order=in_order)
    if found is None:
        return None
    asked, told, starts, states = found
    of_each = expand(starts, states, len(asked))
    return failure_trace(point.name, loop.persistence_ns, point.hold.off_ns, asked, told, of_each)
