"""Links and places in words, as reports and messages say them."""

from __future__ import annotations

from typing import Final

from harness.core.links import (
    BacnetLink,
    BusWay,
    LinkSpec,
    ModbusRtuLink,
    ModbusTcpLink,
    MqttLink,
    PersonLink,
    SerialPort,
    TextLink,
)
from harness.core.model import Point
from harness.core.places import BacnetPlace, ModbusPlace, MqttPlace, ObjectPart, PersonPlace, TextPlace

NOT_CONNECTED: Final = "not connected yet"
"""Why a link observes nothing before it is up for the first time; behind a colon what was told of it, if anything."""

TAKE_FOR_REAL: Final = "take it for real until somebody has looked at the sensing point"
"""What to say of an alarm that the controller still shows once the simulated one was cleared."""


def link_address(link: LinkSpec) -> str:
    """Where the link goes, in words."""
    match link:
        case ModbusTcpLink():
            return f"Modbus TCP, {link.host} port {link.port}"
        case ModbusRtuLink():
            way = "" if link.way is BusWay.POLL else ", overheard"
            return f"Modbus RTU{way}, {_line_words(link.serial, link.host, link.tcp_port)}"
        case TextLink():
            return f"printed text, {_line_words(link.serial, link.host, link.tcp_port)}"
        case BacnetLink():
            return f"BACnet/IP, device {link.device} at {link.host} port {link.port}"
        case MqttLink():
            secure = " over TLS" if link.tls is not None else ""
            return f"MQTT {link.version.value}{secure}, {link.host} port {link.port}"
        case PersonLink():
            return f"a person{f' at {link.where}' if link.where else ''}"


def _line_words(serial: SerialPort | None, host: str | None, tcp_port: int | None) -> str:
    if serial is None:
        return f"raw TCP to {host} port {tcp_port}"
    return f"serial port {serial.port}, {serial.baud} baud"


def place_words(point: Point) -> str:
    """Where on its link the point is, by its address on the wire (from 0)."""
    place = point.place
    match place:
        case TextPlace():
            return f"line matching {place.raised}"
        case BacnetPlace():
            part = "" if place.part is ObjectPart.PRESENT_VALUE else f", {place.part.value}"
            part += f", {place.event_state.value}" if place.event_state is not None else ""
            return f"{place.object_type.value} {place.instance}{part}, by {place.arrives.value}{_loop_words(place)}"
        case MqttPlace():
            return f"topic {place.topic}{f', at {place.pointer}' if place.pointer is not None else ''}"
        case PersonPlace():
            return f"{place.sign.value} {place.label}"
    bit = "" if place.table.is_bits else _register_words(place)
    return f"{place.table.value.replace('-', ' ')} {place.address}{bit}, unit {place.unit}{_loop_words(place)}"


def _loop_words(place: ModbusPlace | BacnetPlace) -> str:
    return "" if place.loop is None else f", current loop {place.loop.name}"


def _register_words(place: ModbusPlace) -> str:
    if place.value_type.value == "bit":
        return f", bit {place.bit}"
    if place.value_type.value == "bits":
        return f", bits {place.bit} to {place.bit + place.bit_count - 1}"
    return f", as {place.value_type.value}"
