"""Points in words: the wire address and the human notation side by side."""

from __future__ import annotations

from harness.core.current_loop import current_of_value, is_failure
from harness.core.links import BacnetLink, LinkSpec, ModbusLink, PersonLink
from harness.core.model import Hold, Point, Site
from harness.core.places import (
    Arrival,
    BacnetPlace,
    CurrentLoop,
    ModbusPlace,
    MqttPlace,
    Numbering,
    ObjectPart,
    OnWhen,
    PersonPlace,
    Sign,
    TextPlace,
    ValueType,
)
from harness.site.addresses import WORD_OF, write_number
from harness.site.durations import write_duration
from harness.site.names import shown


def describe_point(point: Point, site: Site) -> str:
    """One line: what it is, the address in the request, the number as people write it, when it counts as on."""
    place, link = point.place, site.links.get(point.link)
    match place:
        case TextPlace():
            return _text(place)
        case BacnetPlace():
            parts = _bacnet(place, link)
        case MqttPlace():
            parts = _mqtt(place)
        case PersonPlace():
            return _person(place, link)
        case ModbusPlace():
            parts = _modbus(point, place, link)
    return ", ".join([*parts, _hold(point.hold)])


def _modbus(point: Point, place: ModbusPlace, link: LinkSpec | None) -> list[str]:
    numbering = link.numbering if isinstance(link, ModbusLink) else Numbering.REFERENCE
    written = point.written or write_number(place.table, place.address, numbering)
    parts = [f"{WORD_OF[place.table]} at wire address {place.address}", f"written {written}", f"unit {place.unit}"]
    if not place.table.is_bits:
        parts.append(_value(place))
    if place.loop is not None:
        return [*parts, *_loop(place.loop, place)]
    return [*parts, f"on when {when_words(place)}"]


def _loop(loop: CurrentLoop, place: ModbusPlace | BacnetPlace) -> list[str]:
    """The loop in words, and the current at which its row is on."""
    scale = f"{loop.raw_at_4:g} at 4 mA, {loop.raw_at_20:g} at 20 mA"
    parts = [f"current loop {loop.name} ({scale}, input {loop.input_min_ma:g} to {loop.input_max_ma:g} mA)"]
    if is_failure(place.on_when):
        side = "21 mA and more" if place.on_when is OnWhen.FAILURE_HIGH else "3.6 mA and less"
        lasting = write_duration(loop.persistence_ns)
        return [*parts, f"on when {side} for {lasting} (NAMUR NE 43)"]
    current = float(current_of_value(loop, place.threshold or 0.0))
    units = f" {loop.units}" if loop.units else ""
    return [*parts, f"on when {place.on_when.value} {place.threshold:g}{units} ({current:.4g} mA)"]


def _bacnet(place: BacnetPlace, link: LinkSpec | None) -> list[str]:
    device = f" of device {link.device}" if isinstance(link, BacnetLink) else ""
    parts = [f"{place.object_type.value} {place.instance}{device}", f"arrives by {place.arrives.value}"]
    if place.loop is not None:
        return [*parts, *_loop(place.loop, place)]
    if place.arrives is Arrival.EVENT:
        state = "fault" if place.part is ObjectPart.FAULT else "an off-normal state"
        state = place.event_state.value if place.event_state is not None else state
        return [*parts, f"on at an event to {state}"]
    match place.part:
        case ObjectPart.PRESENT_VALUE:
            return [*parts, f"on when present-value is {when_words(place)}"]
        case ObjectPart.EVENT_STATE:
            wanted = "not normal" if place.event_state is None else place.event_state.value
            return [*parts, f"on when event-state is {wanted}"]
    return [*parts, f"on when its status flag {place.part.value} is set"]


def _mqtt(place: MqttPlace) -> list[str]:
    parts = [f"topic {shown(place.topic)}"]
    if place.pointer is not None:
        parts.append(f"value at {shown(place.pointer) or 'the whole payload'}")
    if place.pattern is not None:
        parts.append(f"value by {_readable(place.pattern)}")
    for word, values, others in (("on", place.on_values, place.off_values), ("off", place.off_values, place.on_values)):
        if values:
            parts.append(f"{word} when {' or '.join(shown(value) for value in values)}")
        elif others:
            parts.append(f"{word} when anything else")
    if not place.on_values and not place.off_values:
        plain = "true or a number other than 0" if place.on_when is OnWhen.SET else "false or 0"
        parts.append(f"on when {plain if place.threshold is None else when_words(place)}")
    return parts


def _person(place: PersonPlace, link: LinkSpec | None) -> str:
    heard = "heard" if place.sign is Sign.HORN else "seen"
    parts = [f"{place.sign.value} {shown(place.label)}", f"{heard} by a person"]
    if isinstance(link, PersonLink):
        where = f" ({shown(link.where)})" if link.where else ""
        parts[1] += where
        if link.in_sight:
            parts.append(f"reported within {write_duration(link.reaction_max_ns)}")
        else:
            parts.append("out of sight: no time is measured")
    return ", ".join(parts)


def _text(place: TextPlace) -> str:
    parts = [f"line {name} {_readable(pattern)}" for name, pattern in
             (("raised", place.raised), ("acknowledged", place.acknowledged), ("cleared", place.cleared))
             if pattern is not None]  # fmt: skip
    return "; ".join(parts)


def _readable(pattern: str) -> str:
    """A pattern for the eye: a blank need not be escaped there, and it is never cut."""
    return "".join(shown(character) for character in pattern.replace("\\ ", " "))


def _value(place: ModbusPlace) -> str:
    if place.value_type in (ValueType.BIT, ValueType.BITS):
        last = place.bit + place.bit_count - 1
        bits = f"bit {place.bit}" if place.bit_count == 1 else f"bits {place.bit} to {last}"
        return bits + (" of the bytes swapped" if place.byte_order.value == "little" else "")
    orders = [
        f"{name} order {order.value}"
        for name, order in (("word", place.word_order), ("byte", place.byte_order))
        if order.value != "big"
    ]
    scaled = [] if (place.scale, place.offset) == (1.0, 0.0) else [f"times {place.scale:g} plus {place.offset:g}"]
    return " ".join([place.value_type.value, *orders, *scaled])


def when_words(place: ModbusPlace | BacnetPlace | MqttPlace) -> str:
    """``set``, ``clear``, ``equal 1``, ``above 0`` or ``below 5``."""
    if place.on_when in (OnWhen.SET, OnWhen.CLEAR) or place.threshold is None:
        return place.on_when.value
    return f"{place.on_when.value} {place.threshold:g}"


def _hold(hold: Hold) -> str:
    def one(value_ns: int, *, is_declared: bool) -> str:
        return write_duration(value_ns) + ("" if is_declared else " (assumed)")

    on, off = one(hold.on_ns, is_declared=hold.on_declared), one(hold.off_ns, is_declared=hold.off_declared)
    return f"shortest on {on}, off {off}"
