"""A draft from what was seen is a site file that reads."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from harness.core.errors import Origin, UsageError
from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.links import (
    BacnetLink,
    BusWay,
    ControlLine,
    CovKind,
    Framing,
    LineEnd,
    LinkSpec,
    ModbusRtuLink,
    ModbusTcpLink,
    MqttLink,
    MqttVersion,
    PersonLink,
    SerialPort,
    TextLink,
    Tls,
)
from harness.core.model import Point
from harness.core.places import (
    Arrival,
    BacnetPlace,
    ModbusPlace,
    MqttPlace,
    Numbering,
    ObjectType,
    OnWhen,
    PersonPlace,
    Place,
    Sign,
    Table,
    TextPlace,
    ValueType,
)
from harness.site.draft import write_draft
from harness.site.reading import load_site

HERE = Origin(file="command line", line=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    link: str
    place: str
    was: str
    now: str


def modbus(numbering: Numbering) -> ModbusTcpLink:
    return ModbusTcpLink(
        name="10.0.0.5",
        host="::1",
        port=1502,
        numbering=numbering,
        poll_period_ns=200_000_000,
        timeout_ns=10**9,
        origin=HERE,
    )


def point(name: str, table: Table, address: int, value_type: ValueType = ValueType.BIT) -> Point:
    place = ModbusPlace(unit=1, table=table, address=address, value_type=value_type)
    return Point(name=name, link="10.0.0.5", place=place, written=name, origin=HERE)


@pytest.mark.parametrize("numbering", list(Numbering))
def test_draft_reads_back(numbering: Numbering, tmp_path: Path) -> None:
    points = [
        point("10001", Table.DISCRETE_INPUT, 0),
        point("10002", Table.DISCRETE_INPUT, 1),
        point("40101", Table.HOLDING_REGISTER, 100, ValueType.U16),
    ]
    text = TextLink(name="printer", host="127.0.0.1", tcp_port=4001, origin=HERE)
    changes = [
        Seen(link="10.0.0.5", place="10001", was="", now="off"),
        Seen(link="10.0.0.5", place="10001", was="off", now="on"),
        Seen(link="10.0.0.5", place="40101", was="", now="3"),
        Seen(link="10.0.0.5", place="40101", was="3", now="4"),
        Seen(link="printer", place="line", was="", now="0042 RAISED 'TANK: HIGH' #1"),
        Seen(link="printer", place="line", was="", now="0043 RAISED 'TANK: HIGH' #1"),
        Seen(link="printer", place="line", was="", now="\x1b[2J"),
    ]
    paths = write_draft(tmp_path / "new", [modbus(numbering), text], points, changes)
    assert [path.name for path in paths] == ["site.yaml", "points.csv"]
    site, problems = load_site(paths[0])
    assert {problem.code for problem in problems} <= {"side-effects-unknown", "unprovable-latency", "unprovable-pulse"}
    assert len(site.alarms) == 3
    places = [found.place for found in site.points.values()]
    assert points[0].place in places
    patterns = [place.raised for place in places if isinstance(place, TextPlace)]
    assert patterns == [r"\d+\ RAISED\ 'TANK:\ HIGH'\ \#\d+"]
    with pytest.raises(UsageError, match="is there already"):
        write_draft(tmp_path / "new", [modbus(numbering)], points, changes)


def test_every_kind_of_link_reads_back_as_it_was(tmp_path: Path) -> None:
    """Nothing is lost on the way through the file, whatever is unusual about a link."""
    port = SerialPort(port="/dev/tty'S0", baud=4800, parity="odd", stop_bits=2, rts=ControlLine.OFF)
    flow = SerialPort(port="COM3", data_bits=7, parity="even", dtr=ControlLine.ON, rts_cts=True)
    rtu = {"numbering": Numbering.FROM_ONE, "unit": 7, "timeout_ns": 300 * NS_PER_MS, "origin": HERE}
    links: tuple[LinkSpec, ...] = (
        ModbusRtuLink(name="a", serial=port, poll_period_ns=NS_PER_S, quiet_ns=150 * NS_PER_MS, **rtu),  # type: ignore[arg-type]
        ModbusRtuLink(name="b", host="h", tcp_port=4001, way=BusWay.RECEIVE_ONLY, poll_period_ns=0,
                      quiet_ns=300 * NS_PER_MS, **rtu),  # type: ignore[arg-type]
        TextLink(name="c", serial=flow, framing=Framing.LENGTH, message_bytes=80, longest_delay_ns=1000, origin=HERE),
        TextLink(name="d", host="h", tcp_port=4002, framing=Framing.IDLE_GAP, idle_gap_ns=NS_PER_MS, origin=HERE),
        TextLink(name="e", host="h", tcp_port=4003, line_end=LineEnd.CRLF, promises_every_change=True, origin=HERE),
        BacnetLink(name="f", host="10.0.0.9", device=5, listen_host="10.0.0.1", listen_prefix=16, own_device=77,
                   bbmd_host="10.1.0.1", registration_ttl_s=90, poll_period_ns=NS_PER_S, timeout_ns=NS_PER_S,
                   cov=CovKind.UNCONFIRMED, process=9, longest_delay_ns=NS_PER_S, origin=HERE),
        MqttLink(name="g", host="::1", port=8883, version=MqttVersion.V5, client_id="x", user_name="u",
                 password_env="P",  # noqa: S106 - the name of a variable
                 tls=Tls(ca_file="it's.pem"), qos=2, timeout_ns=NS_PER_S, alive_topic="a/b",
                 down_payload="off", will_within_ns=NS_PER_S, sequence_pointer="/s",
                 time_pointer="/t", time_format="%H:%M:%S", origin=HERE),
        MqttLink(name="h", host="h", port=1883, tls=Tls(), timeout_ns=NS_PER_S, origin=HERE),
        PersonLink(name="i", where="by the door", reaction_min_ns=NS_PER_MS, reaction_max_ns=NS_PER_S, origin=HERE),
        PersonLink(name="j", where="roof", in_sight=False, reaction_max_ns=0, origin=HERE),
    )  # fmt: skip
    changes = [Seen(link="e", place="line", was="", now="ON")]
    site, _ = load_site(write_draft(tmp_path, links, [], changes)[0])
    for link in links:
        assert replace(site.links[link.name], origin=HERE) == link


def test_places_of_every_kind_read_back(tmp_path: Path) -> None:
    links: tuple[LinkSpec, ...] = (
        BacnetLink(name="b", host="10.0.0.9", device=5, poll_period_ns=NS_PER_S, timeout_ns=NS_PER_S, origin=HERE),
        MqttLink(name="m", host="h", port=1883, timeout_ns=NS_PER_S, origin=HERE),
        PersonLink(name="p", where="door", reaction_max_ns=NS_PER_S, origin=HERE),
    )
    places: dict[str, tuple[str, Place]] = {
        "one": ("b", BacnetPlace(object_type=ObjectType.BINARY_INPUT, instance=3, arrives=Arrival.COV)),
        "two": ("b", BacnetPlace(object_type=ObjectType.MULTI_STATE_VALUE, instance=1, on_when=OnWhen.EQUAL,
                                 threshold=2.0)),
        "three": ("m", MqttPlace(topic="a/b", pointer="/x", on_values=("1", "2"), off_values=("0",))),
        "four": ("p", PersonPlace(sign=Sign.HORN, label="the horn")),
    }  # fmt: skip
    points = [Point(name=name, link=link, place=place, origin=HERE) for name, (link, place) in places.items()]
    changes = [Seen(link=link, place=name, was=was, now=now)
               for name, (link, _) in places.items() for was, now in (("", "off"), ("off", "on"))]  # fmt: skip
    site, _ = load_site(write_draft(tmp_path, links, points, changes)[0])
    assert {point.place for point in site.points.values()} == {place for _, place in places.values()}


def test_topics_that_were_found_become_rows(tmp_path: Path) -> None:
    """By the first true or false in the payload, by two payloads, or as a comment where nobody can say."""
    link = MqttLink(name="m", host="h", port=1883, timeout_ns=NS_PER_S, origin=HERE)
    payloads = {
        "plant/one": ('{"seq": 1, "a/b": false}', '{"seq": 2, "a/b": true}'),
        "plant/two": ("idle", "ALARM"),
        "plant/three": ("1, 2", "3, 4"),
        "plant/still": ("x", "x"),
    }
    changes = [Seen(link="m", place=topic, was="" if i == 0 else found[0], now=now)
               for topic, found in payloads.items() for i, now in enumerate(found)]  # fmt: skip
    watched = Point(name="plant/two", link="m", place=MqttPlace(topic="plant/two"), origin=HERE)
    paths = write_draft(tmp_path, [link], [watched], changes)
    site, _ = load_site(paths[0])
    assert {point.place for point in site.points.values()} == {
        MqttPlace(topic="plant/one", pointer="/a~1b", on_values=("true",), off_values=("false",)),
        MqttPlace(topic="plant/two", on_values=("ALARM",), off_values=("idle",)),
    }
    assert "# plant-three" in paths[1].read_text()
    assert "plant-still" not in paths[1].read_text()


def test_nothing_seen_is_nothing_drafted(tmp_path: Path) -> None:
    changes = [Seen(link="10.0.0.5", place="10001", was="", now="off")]
    with pytest.raises(UsageError, match="nothing changed"):
        write_draft(tmp_path, [modbus(Numbering.REFERENCE)], [point("10001", Table.DISCRETE_INPUT, 0)], changes)
    assert list(tmp_path.iterdir()) == []
