"""The shipped profiles work as they are, and agree with the simulated site."""

from __future__ import annotations

import datetime as dt
import json
import re
from pathlib import Path
from typing import Any

import jsonschema
import openpyxl
import pytest
import yaml

from harness.core.current_loop import value_of
from harness.core.links import ModbusTcpLink
from harness.core.model import Behaviour, Site, Step
from harness.core.places import Arrival, BacnetPlace, ModbusPlace, MqttPlace, ObjectType, TextPlace
from harness.core.writing import Write
from harness.site.describe import describe_point
from harness.site.profiles import profiles_folder
from harness.site.reading import gather, load_site, read_site
from harness.site.schema import schema_text, site_schema
from sims import points as sim_points
from sims.alarms import ALARMS
from sims.levels import ma_of
from sims.loops import COUNTS_MAX, FULL_SCALE_MA
from sims.mqtt_publisher import topic_of

NAMES = ("demo", "template", "spreadsheet")


def site_file(name: str) -> Path:
    return profiles_folder() / name / "site.yaml"


@pytest.fixture(scope="module")
def demo() -> Site:
    return load_site(site_file("demo"))[0]


@pytest.mark.parametrize("name", NAMES)
def test_loads_without_a_warning(name: str) -> None:
    site, problems = load_site(site_file(name))
    assert problems == ()
    assert {row.alarm for row in site.expectations} == set(site.alarms)


@pytest.mark.parametrize("name", NAMES)
def test_reads_from_memory_just_the_same(name: str) -> None:
    documents = gather(site_file(name))
    assert read_site(documents.files, documents.entry) == load_site(site_file(name))


def test_schema_is_up_to_date_and_a_schema() -> None:
    shipped = (profiles_folder() / "site.schema.json").read_text(encoding="utf-8")
    assert shipped == schema_text(), "write it anew: python -m harness.site.schema profiles/site.schema.json"
    jsonschema.Draft202012Validator.check_schema(json.loads(shipped))


class EditorLoader(yaml.SafeLoader):
    """YAML with guessed types, as an editor reads it; dates stay texts, as in YAML 1.2."""


EditorLoader.yaml_implicit_resolvers = {
    first: [(tag, pattern) for tag, pattern in resolvers if not tag.endswith(":timestamp")]
    for first, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()
}


@pytest.mark.parametrize("name", NAMES)
def test_schema_takes_the_profiles(name: str) -> None:
    data: Any = yaml.load(site_file(name).read_text(encoding="utf-8"), Loader=EditorLoader)  # noqa: S506 - a safe one
    jsonschema.Draft202012Validator(site_schema()).validate(data)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("links", "bms", "pol every"), "1 s"),
        (("links", "bms", "poll every"), 100),
        (("links", "bms", "numbering"), "from-2"),
        (("alarms", "day.low", "class"), "warn"),
        (("title",), ["a"]),
        (("alarms", "a b"), {}),
    ],
)
def test_schema_refuses(path: tuple[str, ...], value: Any) -> None:
    data: Any = yaml.load(site_file("demo").read_text(encoding="utf-8"), Loader=EditorLoader)  # noqa: S506 - a safe one
    inner = data
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = value
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(site_schema()).validate(data)


# --- the demo and the simulated site agree, although they share no code ---------------------------


def test_demo_has_the_alarms_of_the_simulated_site(demo: Site) -> None:
    assert list(demo.alarms) == [alarm.name for alarm in ALARMS]
    for number, (mine, theirs) in enumerate(zip(demo.alarms.values(), ALARMS, strict=True)):
        assert mine.alarm_class.value == theirs.alarm_class.value
        assert mine.text == theirs.text
        assert mine.also_raises == theirs.also_raises
        assert bool(mine.side_effects) == (theirs.effect is not None)
        assert (mine.lasts_ns is None) == (theirs.lasts_ns is None)
        if mine.lasts_ns is not None and theirs.lasts_ns is not None:
            assert theirs.lasts_ns in mine.lasts_ns
        assert mine.reference == f"panel:{10001 + number}"
        (write,) = mine.writes[Step.RAISE]
        assert isinstance(write, Write)
        assert write.values == (number + 1, 1)


def test_demo_maps_every_point_that_carries_an_alarm(demo: Site) -> None:
    mapped = {
        (point.link, place.table.value, place.address, place.bit if not place.table.is_bits else None)
        for point in demo.points.values()
        if isinstance(place := point.place, ModbusPlace) and place.value_type.value == "bit"
    }
    single = (*sim_points.BMS, *sim_points.LATCHED, sim_points.COMMON_ALARM, sim_points.COMMON_FAULT, sim_points.HORN)
    for theirs in single:
        assert ("bms", theirs.table.value, theirs.address, theirs.bit) in mapped
    for theirs in sim_points.PANEL:
        assert ("panel", theirs.table.value, theirs.address, None) in mapped


def test_demo_maps_what_the_other_outputs_show(demo: Site) -> None:
    places = {link: [p.place for p in demo.points.values() if p.link == link] for link in demo.links}
    inputs = {theirs.address for theirs in sim_points.REPEATED[1]}
    assert inputs == {p.address for p in places["bus"] if isinstance(p, ModbusPlace) and p.unit == 1}
    served = {theirs.address for theirs in (*sim_points.GATEWAY, sim_points.GATEWAY_COMMON)}
    assert served == {p.address for p in places["gateway"] if isinstance(p, ModbusPlace)}
    for arrives in (Arrival.COV, Arrival.EVENT):
        told = {(p.object_type.value, p.instance) for p in places["building"]
                if isinstance(p, BacnetPlace) and p.arrives is arrives}  # fmt: skip
        assert told >= {(str(theirs.table), theirs.address) for theirs in sim_points.BUILDING}
    topics = {p.topic for p in places["broker"] if isinstance(p, MqttPlace)}
    assert topics == {topic_of(theirs.signal) for theirs in sim_points.BROKER}
    states = {theirs.address: theirs.signal for theirs in sim_points.BUILDING_STATES}
    for row in demo.expectations:
        place = demo.points[row.point].place
        if isinstance(place, BacnetPlace) and row.behaviour is not Behaviour.QUIET:
            is_state = place.object_type is ObjectType.MULTI_STATE_VALUE
            assert not is_state or states[place.instance] == row.alarm


def test_demo_scales_its_loops_as_the_converter_does(demo: Site) -> None:
    for tank, address in (("bulk-a", 0), ("bulk-b", 1), ("day", 2)):
        place = demo.points[f"bus:{tank}.level>90"].place
        assert isinstance(place, ModbusPlace)
        assert place.loop is not None
        assert (place.unit, place.address) == (sim_points.LOOP_UNIT, address)
        for percent in (0.0, 47.5, 100.0):
            raw = ma_of(percent) / FULL_SCALE_MA * COUNTS_MAX
            assert value_of(place.loop, raw) == pytest.approx(percent)


def test_demo_keeps_warnings_local_everywhere(demo: Site) -> None:
    watched = set(demo.links) - {"panel", "annunciator"}  # nothing is proved by a person's silence
    everywhere = {point.name for point in demo.points.values() if point.link in watched}
    warnings = [alarm.name for alarm in demo.alarms.values() if alarm.alarm_class.value == "warning"]
    assert len(warnings) == 4
    for name in warnings:
        rows = demo.expectations_of(name)
        assert {row.point for row in rows} == everywhere
        assert {row.behaviour for row in rows} == {Behaviour.QUIET}


def test_demo_patterns_tell_lines_apart(demo: Site) -> None:
    lines = {alarm.name: f"0042 24-11 23:51:07 RAISED   {alarm.text}" for alarm in ALARMS}
    for alarm, line in lines.items():
        matching = [
            point.name
            for point in demo.points.values()
            if isinstance(point.place, TextPlace) and re.fullmatch(point.place.raised, line)
        ]
        assert matching == [f"printer:{alarm}"]


def test_wire_address_and_number_stand_side_by_side(demo: Site) -> None:
    assert describe_point(demo.points["bms:40102.3"], demo) == (
        "holding register at wire address 101, written 40102.3, unit 1, bit 3, on when set, "
        "shortest on 200 ms, off 200 ms"
    )
    assert "on when equal 1" in describe_point(demo.points["bms:30201=1"], demo)
    assert "RAISED" in describe_point(demo.points["printer:day.low"], demo)


# --- the template ---------------------------------------------------------------------------------


def uncommented(text: str, first: str, last: str) -> str:
    """The lines from one that holds ``first`` to one that holds ``last``, with those that are examples put in force."""
    lines = text.split("\n")
    start = next(i for i, line in enumerate(lines) if first in line)
    end = next(i for i, line in enumerate(lines) if i >= start and last in line)
    example = re.compile(r"( *)# ( *(?:- \{|[a-z][\w .+/-]*:(?: |$)).*?)(?: {3,}.*)?")
    for i in range(start, end + 1):
        found = example.fullmatch(lines[i])
        if found is not None:
            lines[i] = found[1] + found[2]
    return "\n".join(lines)


def test_every_example_of_the_template_is_right() -> None:
    """Put in force, every link, loop and row that stands behind # reads without an error and shows every kind."""
    documents = dict(gather(site_file("template")).files)
    text = documents["site.yaml"].decode()
    text = uncommented(text, "  # bus:", "#   reaction: 0.2 s")
    text = uncommented(text, "# loops:", "#     at rest: 40 to 60")
    text = uncommented(text, "# stimulus:", "acknowledge: yes}")
    text = uncommented(text, "link: bus, unit: 3", "sign: text")
    for number, name in enumerate(("tank-1.high:", "tank-1.low-low:", "tank-1.delivery-due:")):
        text = text.replace(f"  {name}\n", f"  {name}\n    code: {number + 1}\n", 1)
    text = text.replace(
        "\nalarms:\n", "\nalarms:\n  tank-1.fault: {class: fault, text: TANK 1 FAULT, code: 9, side effects: none}\n"
    )
    site, problems = read_site({"site.yaml": text.encode()}, "site.yaml")
    assert {type(link).__name__ for link in site.links.values()} == {
        "ModbusTcpLink", "ModbusRtuLink", "TextLink", "BacnetLink", "MqttLink", "PersonLink",
    }  # fmt: skip
    kinds = {type(point.place).__name__ for point in site.points.values()}
    assert kinds == {"ModbusPlace", "TextPlace", "BacnetPlace", "MqttPlace", "PersonPlace"}
    assert site.acknowledgeable == ("building",)
    assert all(alarm.acknowledgements for alarm in site.alarms.values())
    assert {problem.severity for problem in problems} <= {"warning"}


# --- the spreadsheet ------------------------------------------------------------------------------


def test_spreadsheet_is_read_as_it_is() -> None:
    site = load_site(site_file("spreadsheet"))[0]
    rows = {(row.alarm, site.points[row.point].written): row for row in site.expectations}
    assert set(rows) == {
        ("sump.high", "10017"),
        ("sump.high-high", "10018"),
        ("sump.high-high", "40021.3"),
        ("pump-1.trip", "10019"),
        ("pump-2.trip", "10020"),
        ("door.open", "10021"),
    }
    assert rows["sump.high", "10017"].limits.appears_within_ns == 5_000_000_000
    assert rows["sump.high", "10017"].origin.line == 4
    place = site.points["bas:10019=0"].place
    assert isinstance(place, ModbusPlace)
    assert place.on_when.value == "clear"
    link = site.links["bas"]
    assert isinstance(link, ModbusTcpLink)


def test_shipped_spreadsheet_has_the_rows_that_it_is_written_from() -> None:
    import importlib.util

    spec = importlib.util.spec_from_file_location("spreadsheet_rows", Path(__file__).with_name("spreadsheet_rows.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    book = openpyxl.load_workbook(profiles_folder() / "spreadsheet" / "points.xlsx")
    rows = tuple(book["Modbus list"].iter_rows(min_row=3, values_only=True))
    assert rows == module.ROWS
    assert book.properties.created == dt.datetime(2026, 1, 1)  # noqa: DTZ001 - the format has no zone
