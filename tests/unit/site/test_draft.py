"""A draft from what was seen is a site file that reads."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from harness.core.errors import Origin, UsageError
from harness.core.links import ModbusTcpLink, TextLink
from harness.core.model import Point
from harness.core.places import ModbusPlace, Numbering, Table, TextPlace, ValueType
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
    assert {problem.code for problem in problems} <= {"side-effects-unknown", "unprovable-latency"}
    assert len(site.alarms) == 3
    places = [found.place for found in site.points.values()]
    assert points[0].place in places
    patterns = [place.raised for place in places if isinstance(place, TextPlace)]
    assert patterns == [r"\d+\ RAISED\ 'TANK:\ HIGH'\ \#\d+"]
    with pytest.raises(UsageError, match="is there already"):
        write_draft(tmp_path / "new", [modbus(numbering)], points, changes)


def test_nothing_seen_is_nothing_drafted(tmp_path: Path) -> None:
    changes = [Seen(link="10.0.0.5", place="10001", was="", now="off")]
    with pytest.raises(UsageError, match="nothing changed"):
        write_draft(tmp_path, [modbus(Numbering.REFERENCE)], [point("10001", Table.DISCRETE_INPUT, 0)], changes)
    assert list(tmp_path.iterdir()) == []
