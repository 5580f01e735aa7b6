"""Points in words: the wire address and the human notation side by side."""

from __future__ import annotations

from harness.core.links import ModbusLink
from harness.core.model import Hold, Point, Site
from harness.core.places import ModbusPlace, Numbering, OnWhen, TextPlace, ValueType
from harness.core.wording import place_words
from harness.site.addresses import WORD_OF, write_number
from harness.site.durations import write_duration
from harness.site.names import shown


def describe_point(point: Point, site: Site) -> str:
    """One line: what it is, the address in the request, the number as people write it, when it counts as on."""
    place = point.place
    if isinstance(place, TextPlace):
        return _text(place)
    if not isinstance(place, ModbusPlace):
        return place_words(point)
    link = site.links.get(point.link)
    numbering = link.numbering if isinstance(link, ModbusLink) else Numbering.REFERENCE
    written = point.written or write_number(place.table, place.address, numbering)
    parts = [f"{WORD_OF[place.table]} at wire address {place.address}", f"written {written}", f"unit {place.unit}"]
    if not place.table.is_bits:
        parts.append(_value(place))
    parts.append(f"on when {when_words(place)}")
    return ", ".join([*parts, _hold(point.hold)])


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


def when_words(place: ModbusPlace) -> str:
    """``set``, ``clear``, ``equal 1``, ``above 0`` or ``below 5``."""
    if place.on_when in (OnWhen.SET, OnWhen.CLEAR) or place.threshold is None:
        return place.on_when.value
    return f"{place.on_when.value} {place.threshold:g}"


def _hold(hold: Hold) -> str:
    def one(value_ns: int, *, is_declared: bool) -> str:
        return write_duration(value_ns) + ("" if is_declared else " (assumed)")

    on, off = one(hold.on_ns, is_declared=hold.on_declared), one(hold.off_ns, is_declared=hold.off_declared)
    return f"shortest on {on}, off {off}"
