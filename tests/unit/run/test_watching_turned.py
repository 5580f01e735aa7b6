"""With which number a point went on or off: that change is never among those that are only counted."""

from __future__ import annotations

from harness.core.model import Point
from harness.core.places import ModbusPlace, MqttPlace, OnWhen, Place, Table, ValueType
from harness.links.base import Block
from harness.links.mqtt_messages import Published, encode
from harness.run.watching import Change, FirstRead, Notice, Watcher
from harness.run.watching_mqtt import mqtt_of_address
from tests.peers.recorder import ORIGIN


def _point(name: str, link: str, place: Place) -> Point:
    return Point(name=name, link=link, place=place, origin=ORIGIN)


def _register(on_when: OnWhen, threshold: float) -> ModbusPlace:
    return ModbusPlace(
        unit=1,
        table=Table.INPUT_REGISTER,
        address=0,
        value_type=ValueType.U16,
        on_when=on_when,
        threshold=threshold,
    )


def test_a_register_that_crosses_a_threshold() -> None:
    shown: list[Change | Notice | FirstRead] = []
    points = [
        _point("high", "bus", _register(OnWhen.ABOVE, 90)),
        _point("low", "bus", _register(OnWhen.BELOW, 10)),
    ]
    watcher = Watcher(points, shown.append)
    watcher.block(Block(id=1, link="bus", unit=1, table=Table.INPUT_REGISTER, address=0, count=1))
    for at, value in enumerate((50, 51, 91, 92, 5, 50)):
        watcher.poll(1, 10 * at, 10 * at + 1, value.to_bytes(2, "big"))
    told = [(it.place, it.now, it.turned) for it in shown if isinstance(it, Change)]
    assert told == [
        ("high", "51", ""),
        ("low", "51", ""),
        ("high", "91", "on"),
        ("low", "91", ""),
        ("high", "92", ""),
        ("low", "92", ""),
        ("high", "5", "off"),
        ("low", "5", "on"),
        ("high", "50", ""),
        ("low", "50", "off"),
    ]


def test_a_published_number_that_crosses_a_threshold() -> None:
    link, _ = mqtt_of_address("mqtt://h/level")
    shown: list[Change | Notice | FirstRead] = []
    point = _point("level", link.name, MqttPlace(topic="level", on_when=OnWhen.ABOVE, threshold=90.0))
    watcher = Watcher([point], shown.append, [link])
    for at, payload in enumerate((b"50", b"51", b"91", b"90.5", b"12")):
        watcher.message(link.name, at, at + 1, encode(Published(topic="level", payload=payload)))
    told = [(it.now, it.turned) for it in shown if isinstance(it, Change)]
    assert told == [("on", "on"), ("off", "off")], "a topic with a threshold is shown by its state"
