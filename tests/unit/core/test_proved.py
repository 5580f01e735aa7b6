"""Up to where a pass proves that an alarm went: said of every kind of link and place, and never further."""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from harness.core.links import LinkSpec
from harness.core.model import Point, Site
from harness.core.places import Arrival, BacnetPlace, ModbusPlace, MqttPlace, PersonPlace, TextPlace
from harness.core.proved import proof_of
from harness.site.reading import read_site

EVERY = r"""
site: ashby
title: Ashby pumping station (invented)
controller: {name: c}
links:
  bms: {modbus-tcp: "127.0.0.1:9", numbering: from-0, poll every: 100 ms, timeout: 200 ms}
  far: {modbus-tcp: "127.0.0.1:8", numbering: from-0, poll every: 100 ms, timeout: 200 ms, behind: bms}
  bus: {modbus-rtu+tcp: "127.0.0.1:7", way: poll, numbering: from-0, unit: 1, poll every: 100 ms, timeout: 200 ms}
  tap: {modbus-rtu+tcp: "127.0.0.1:6", way: receive-only, numbering: from-0, unit: 1}
  dev: {bacnet: 127.0.0.1, device: 7, listen on: 127.0.0.1/8:47809, longest delay: 1 s, poll every: 1 s}
  tcp-log: {text+tcp: "127.0.0.1:9", raised: 'ON {text}', longest delay: 300 ms}
  port-log: {text+serial: /dev/ttyS0, raised: 'ON {text}', longest delay: 300 ms}
  broker: {mqtt: 127.0.0.1, longest delay: 1 s}
  door: {person: beside the door, reaction within: 400 ms}
  cellar: {person: in the cellar, in sight: no}
loops:
  level: {link: bus, address: 5, table: input-register, raw at 4 mA: 0, raw at 20 mA: 4000, input from: 0 mA,
          input to: 22 mA}
alarms:
  a.low: {text: A LOW, code: 1, side effects: none}
points:
  - {alarm: a.low, link: bms, table: discrete-input, address: 2, behaviour: follows, point: bit}
  - {alarm: a.low, link: far, table: holding-register, address: 2.1, behaviour: follows, point: behind}
  - {alarm: a.low, link: bus, table: discrete-input, address: 2, behaviour: follows, point: polled}
  - {alarm: a.low, link: tap, table: discrete-input, address: 2, behaviour: follows, point: overheard}
  - {alarm: a.low, loop: level, on when: failure low, behaviour: follows, point: loop}
  - {alarm: a.low, link: dev, object: binary-input 1, arrives by: poll, behaviour: follows, point: read}
  - {alarm: a.low, link: dev, object: binary-input 2, arrives by: cov, behaviour: follows, point: cov}
  - {alarm: a.low, link: dev, object: binary-input 3, arrives by: event, behaviour: follows, point: event}
  - {alarm: a.low, link: tcp-log, behaviour: follows, point: line}
  - {alarm: a.low, link: port-log, behaviour: follows, point: port}
  - {alarm: a.low, link: broker, topic: a, behaviour: follows, point: topic}
  - {alarm: a.low, link: door, sign: lamp, label: l, behaviour: follows, point: lamp}
  - {alarm: a.low, link: cellar, sign: horn, label: h, behaviour: follows, point: horn}
"""


@pytest.fixture(scope="module")
def site() -> Site:
    return read_site({"site.yaml": EVERY.encode()}, "site.yaml")[0]


@pytest.mark.parametrize(
    ("point", "up_to", "not_proved"),
    [
        ("bit", "the bit or register that this device answered to farend's own read", "the building system reads"),
        ("behind", "farend's own read, by way of bms", "the building system reads"),
        ("polled", "this unit of the bus answered to farend, which was its only master", "which the bus has otherwise"),
        ("overheard", "this bus's own master was answered, as farend overheard it", "the master understands it"),
        ("loop", "the current that the loop's analog input reads", "another receiver in the loop"),
        ("read", "the property that this device answered to farend's own read", "that it notifies anyone of it"),
        ("cov", "the COV notification that this device sent to farend's own subscription", "any other subscriber"),
        ("event", "this device sent to farend as one of its recipients", "any other recipient gets it"),
        ("line", "the text that arrived at farend on the connection to the serial device server", "had paper"),
        ("port", "the text that arrived at farend on the serial line", "had paper"),
        ("topic", "the message that the broker passed on to farend", "any other subscriber got it"),
        ("lamp", "reported to have seen or heard, within the stated reaction time", "does not wait for it"),
        ("horn", "a person who went there reported to have seen or heard; not when it began", "how long it took"),
    ],
)
def test_every_kind(site: Site, point: str, up_to: str, not_proved: str) -> None:
    proof = proof_of(site, site.points[point])
    assert up_to in proof.up_to
    assert not_proved in proof.not_proved


def test_none_was_forgotten(site: Site) -> None:
    """Every kind of link, place and arrival that there is stands above."""

    def kinds(points: Iterable[Point]) -> set[object]:
        found: set[object] = set()
        for it in points:
            arrives = it.place.arrives if isinstance(it.place, BacnetPlace) else None
            found |= {type(site.links[it.link]), type(it.place), arrives}
        return found

    every = {*LinkSpec.__args__, ModbusPlace, BacnetPlace, MqttPlace, TextPlace, PersonPlace, *Arrival, None}
    assert kinds(site.points.values()) == every
