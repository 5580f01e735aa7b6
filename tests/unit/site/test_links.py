"""What links of each kind are read as: their fields, and what holds where a file says nothing."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.core.errors import Origin, SiteError
from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import (
    BacnetLink,
    BusWay,
    ControlLine,
    CovKind,
    Framing,
    LinkSpec,
    ModbusRtuLink,
    MqttLink,
    MqttVersion,
    PersonLink,
    SerialPort,
    TextLink,
    Tls,
)
from harness.core.places import Numbering
from harness.site.reading import read_site

HERE = Origin(file="site.yaml", line=1)


def link_of(*fields: str) -> LinkSpec:
    """The one link of a site that has these fields, as if it stood at line 1."""
    lines = "".join(f"    {field}\n" for field in fields)
    text = f"""site: s
controller: {{name: c}}
links:
  bms: {{modbus-tcp: h, numbering: reference, poll every: 100 ms}}
  it:
{lines}alarms:
  a.low: {{text: A LOW, side effects: none}}
points:
  - {{alarm: a.low, link: bms, address: 10001, behaviour: follows}}
"""
    site, problems = read_site({"site.yaml": text.encode()}, "site.yaml")
    assert problems == ()
    return replace(site.links["it"], origin=HERE)


BUS = ModbusRtuLink(
    name="it", serial=SerialPort(port="/dev/ttyUSB0", baud=19200, parity="even"), numbering=Numbering.REFERENCE,
    poll_period_ns=500 * NS_PER_MS, timeout_ns=NS_PER_S, quiet_ns=NS_PER_S, origin=HERE,
)  # fmt: skip
BUS_LINES = ("modbus-rtu: /dev/ttyUSB0", "numbering: reference", "poll every: 500 ms")


def test_a_bus_that_says_nothing_is_as_the_specification_has_it() -> None:
    """19200 baud and even parity: MODBUS over Serial Line Specification V1.02, 2.5.1."""
    assert link_of(*BUS_LINES) == BUS


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        (("parity: none",), {"parity": "none", "stop_bits": 2}),  # a character keeps 11 bits (2.5.1)
        (("parity: none", "stop bits: 1"), {"parity": "none", "stop_bits": 1}),
        (("parity: odd", "baud: 9600"), {"parity": "odd", "baud": 9600}),
        (("dtr: on", "rts: off"), {"dtr": ControlLine.ON, "rts": ControlLine.OFF}),
        (("flow control: rts/cts",), {"rts_cts": True}),
        (("flow control: none",), {}),
    ],
)
def test_serial_settings_of_a_bus(fields: tuple[str, ...], expected: dict[str, object]) -> None:
    assert BUS.serial is not None
    assert link_of(*BUS_LINES, *fields) == replace(BUS, serial=replace(BUS.serial, **expected))  # type: ignore[arg-type]


def test_a_line_is_quiet_for_as_long_as_the_time_out_unless_told() -> None:
    assert link_of(*BUS_LINES, "timeout: 300 ms") == replace(BUS, timeout_ns=300 * NS_PER_MS, quiet_ns=300 * NS_PER_MS)
    told = link_of(*BUS_LINES, "timeout: 300 ms", "quiet after timeout: 50 ms")
    assert told == replace(BUS, timeout_ns=300 * NS_PER_MS, quiet_ns=50 * NS_PER_MS)


def test_a_bus_with_a_master_needs_no_poll_period() -> None:
    heard = link_of("modbus-rtu+tcp: 192.0.2.1:4001", "numbering: from-1", "way: receive-only", "unit: 0")
    assert heard == replace(
        BUS, serial=None, host="192.0.2.1", tcp_port=4001, way=BusWay.RECEIVE_ONLY, numbering=Numbering.FROM_ONE,
        unit=0, poll_period_ns=0,
    )  # fmt: skip
    cycle = link_of("modbus-rtu: COM3", "numbering: from-1", "way: receive-only", "poll every: 2 s")
    assert isinstance(cycle, ModbusRtuLink)
    assert cycle.poll_period_ns == 2 * NS_PER_S


def test_printed_lines_are_framed_as_told() -> None:
    ends = link_of("text+serial: COM3")
    assert ends == TextLink(name="it", serial=SerialPort(port="COM3"), origin=HERE)
    gap = link_of("text+tcp: h:1", "framing: idle-gap", "idle gap: 200 ms")
    assert gap == TextLink(
        name="it", host="h", tcp_port=1, framing=Framing.IDLE_GAP, idle_gap_ns=200 * NS_PER_MS, origin=HERE
    )
    length = link_of("text+tcp: h:1", "framing: length", "message length: 80")
    assert length == TextLink(
        name="it", host="h", tcp_port=1, framing=Framing.LENGTH, message_bytes=80, origin=HERE
    )  # fmt: skip


def test_a_building_device() -> None:
    plain = BacnetLink(name="it", host="h", device=7, poll_period_ns=NS_PER_S, timeout_ns=NS_PER_S, origin=HERE)
    lines = ("bacnet: h", "device: 7", "poll every: 1 s")
    assert link_of(*lines) == plain
    assert link_of("bacnet: h:47809", "device: 0", "poll every: 1 s") == replace(plain, port=47809, device=0)
    full = link_of(
        *lines, "listen on: 192.0.2.5/16:47810", "own device: 0", "foreign device of: 192.0.2.1:1",
        "registration: 1 min", "timeout: 2 s", "objects per read: 5", "cov: unconfirmed",
        "cov lifetime: 1 h", "process: 0",
        "longest delay: 1 s", "promises every change: yes",
    )  # fmt: skip
    assert full == replace(
        plain, listen_host="192.0.2.5", listen_prefix=16, listen_port=47810, own_device=0, bbmd_host="192.0.2.1",
        bbmd_port=1, registration_ttl_s=60, timeout_ns=2 * NS_PER_S, objects_per_read=5, cov=CovKind.UNCONFIRMED,
        cov_lifetime_s=3600, process=0, longest_delay_ns=NS_PER_S, promises_every_change=True,
    )  # fmt: skip


def test_a_broker() -> None:
    plain = MqttLink(name="it", host="h", port=1883, timeout_ns=NS_PER_S, origin=HERE)
    assert link_of("mqtt: h") == plain
    assert link_of("mqtt: h", "tls: no") == plain
    assert link_of("mqtt: h", "tls: yes") == replace(plain, port=8883, tls=Tls())
    files = link_of("mqtt: h:1", "tls: {ca file: c, certificate file: d, key file: e}", "version: 5", "qos: 0")
    tls = Tls(ca_file="c", certificate_file="d", key_file="e")
    assert files == replace(plain, port=1, tls=tls, version=MqttVersion.V5, qos=0)
    alive = link_of(
        "mqtt: h", "user: u", "password from: SECRET", "client id: c", "keep alive: 1 min", "alive topic: a/b",
        "down payload: off", "last will within: 10 s", "sequence at: /n/0", "timeout: 3 s",
        "time at: /t", "time format: '%H:%M:%S'",
    )  # fmt: skip
    assert alive == replace(
        plain, user_name="u", password_env="SECRET", client_id="c", keep_alive_s=60,  # noqa: S106 - a variable's name
        alive_topic="a/b", down_payload="off", will_within_ns=10 * NS_PER_S, sequence_pointer="/n/0",
        timeout_ns=3 * NS_PER_S, time_pointer="/t", time_format="%H:%M:%S",
    )  # fmt: skip


def test_a_person() -> None:
    within = PersonLink(name="it", where="by the door", reaction_max_ns=NS_PER_S, origin=HERE)
    assert link_of("person: by the door", "reaction within: 1 s") == within
    both = link_of("person: by the door", "reaction: 0.2 s to 1 s")
    assert both == replace(within, reaction_min_ns=200 * NS_PER_MS)
    away = link_of("person: by the door", "in sight: no")
    assert away == replace(within, in_sight=False, reaction_max_ns=0)


def test_a_link_without_a_kind_is_guessed_by_its_fields() -> None:
    for field, kind in (
        ("cov: confirmed", "bacnet"),
        ("qos: 1", "mqtt"),
        ("in sight: no", "person"),
        ("way: poll", "modbus-rtu"),
    ):
        with pytest.raises(SiteError) as caught:
            link_of(field)
        assert f"add for example {kind}: " in str(caught.value)
