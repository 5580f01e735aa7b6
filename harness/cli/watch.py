"""``farend watch``."""

from __future__ import annotations

import asyncio
import contextlib
import getpass
import sys
import time
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

import click

from harness.cli.common import duration_of, load, note, note_line, run_until_interrupted
from harness.cli.watch_screen import Screen
from harness.core.errors import UsageError
from harness.core.instants import NS_PER_S
from harness.core.verdicts import ExitCode

if TYPE_CHECKING:
    from harness.core.links import LinkSpec
    from harness.core.model import Point, Site
    from harness.links.base import Link, Observer
    from harness.site.reading import Documents

RANGES = {
    "coils": "coil",
    "inputs": "discrete-input",
    "registers": "holding-register",
    "input_registers": "input-register",
}


@click.command(name="watch", short_help="Listen and show each change with its bounds.")
@click.argument("address")
@click.option("--coils", multiple=True, metavar="FIRST-LAST", help="Coils to read, e.g. 1-16; repeatable.")
@click.option("--inputs", multiple=True, metavar="FIRST-LAST", help="Discrete inputs, e.g. 10001-10064; repeatable.")
@click.option("--registers", multiple=True, metavar="FIRST-LAST", help="Holding registers, e.g. 40001-40010.")
@click.option("--input-registers", multiple=True, metavar="FIRST-LAST", help="Input registers, e.g. 30001; repeatable.")
@click.option(
    "--numbering",
    type=click.Choice(["reference", "from-0", "from-1"]),
    default="reference",
    show_default=True,
    help="How the ranges above count: 10001 for the first input, or from 0 as on the wire, or from 1.",
)
@click.option("--every", default="200 ms", show_default=True, help="Poll period.")
@click.option("--for", "for_text", help="Stop after this time, e.g. '30 s'. Default: when interrupted.")
@click.option("--record", type=click.Path(path_type=Path), help="Keep a record of it; of a site file only.")
@click.option("--who", default="", help="Who watches; goes into the record. Default: the user of this computer.")
@click.option("--save-draft", type=click.Path(path_type=Path), help="Write a site file and point map of what was seen.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line.")
def command(
    address: str,
    coils: tuple[str, ...],
    inputs: tuple[str, ...],
    registers: tuple[str, ...],
    input_registers: tuple[str, ...],
    numbering: str,
    every: str,
    for_text: str | None,
    record: Path | None,
    who: str,
    save_draft: Path | None,
    as_json: bool,
) -> int:
    """Listen to ADDRESS and show each change at each place with the bounds between which it happened.

    ADDRESS is modbus-tcp://HOST[:PORT][/UNIT], modbus-rtu:PORTNAME[?baud=19200&parity=even&stop=1&unit=1] or
    modbus-rtu+tcp://HOST:PORT[/UNIT], each with at least one range, text+tcp://HOST:PORT,
    text+serial:PORTNAME[?baud=9600], mqtt://HOST[:PORT]/TOPIC (mqtts:// over TLS), bacnet://HOST[:PORT]/DEVICE, or the
    path of a site file.
    Numbers that keep changing are shown once and then counted; --json shows every change.
    Listening changes nothing: Modbus functions 1 to 4 only, not a byte on a text line, nothing published.
    --record keeps what was read of a site, for 'farend rates', 'farend clocks' and 'farend judge', which judges nothing
    in it: nothing was raised.
    """
    from harness.cli.keys import key_client
    from harness.cli.views import PlainView
    from harness.report.human import count as count_words
    from harness.run.watch_record import Shown, WatchOptions, watch_into_record
    from harness.run.watching import watch

    if record is not None and is_address(address):
        raise UsageError(
            f"--record {record}: an address alone has no site file, and without its documents nothing can be made of a "
            "record; --save-draft FOLDER writes a site file of what was seen: watch that with --record"
        )
    ranges = {"coils": coils, "inputs": inputs, "registers": registers, "input_registers": input_registers}
    to = targets(address, ranges, numbering, duration_of("--every", every))
    links, points = to.links, to.points
    screen = Screen(as_json=as_json, labels=to.labels)
    watcher = Shown(points, screen.show, links)
    for link in links:
        note_line(_declared(link, points))
    for_ns = None if for_text is None else duration_of("--for", for_text)
    client = key_client(links)
    if client is not None:
        client.on_change(PlainView(client.lasting_lines).asked_changed)
    attend = None if client is None else client.attend
    listeners_of = partial(_listeners, links, points)
    if record is None or to.site is None:
        listening = partial(watch, listeners_of(watcher), for_ns, attend, screen.beat)
    else:
        options = WatchOptions(record=record, for_ns=for_ns, who=who or getpass.getuser(), command=tuple(sys.argv[1:]))
        listening = partial(watch_into_record, *to.site, options, time.monotonic_ns, watcher, listeners_of, note,
                            attend, screen.beat)  # fmt: skip
    with contextlib.suppress(asyncio.CancelledError, KeyboardInterrupt):
        run_until_interrupted(listening)
    screen.end()
    told = [count_words(watcher.changes, "change"), count_words(watcher.polls, "answered poll")]
    told += [count_words(watcher.lines, "line or message", "lines or messages")] if watcher.lines else []
    told += [f"{count_words(watcher.failures, 'poll')} without an answer"] if watcher.failures else []
    note(", ".join(told))
    if record is not None:
        note(f"record: {record}; see 'farend rates {record}' and 'farend clocks {record}'")
    if save_draft is not None:
        from harness.site.draft import write_draft

        for path in write_draft(save_draft, links, points, screen.changes):
            note(f"written: {path}")
    return ExitCode.ALL_PASS


@dataclass(frozen=True, slots=True, kw_only=True)
class Targets:
    """What is listened to. ``labels``: by place, what else to say of it; ``site``: None where it is an address."""

    links: list[LinkSpec]
    points: list[Point]
    labels: dict[str, str] = field(default_factory=dict)
    site: tuple[Site, Documents] | None = None


def is_address(text: str) -> bool:
    """Whether it is the address of a device, and not the path of a site file."""
    return "://" in text or text.startswith(("text+serial:", "modbus-rtu:"))


def targets(address: str, ranges: dict[str, tuple[str, ...]], numbering: str, period_ns: int) -> Targets:
    """What the command line names. UsageError where it does not fit together."""
    from harness.core.links import ModbusRtuLink, ModbusTcpLink
    from harness.core.places import Numbering, Table
    from harness.run.watching import link_of_address, points_of_range, wire_range

    given = {name: texts for name, texts in ranges.items() if texts}
    if not is_address(address):
        if given:
            raise UsageError("ranges belong to an address; a site file names its own points")
        site, documents = load(Path(address))
        owners: dict[str, set[str]] = {}
        for row in site.expectations:
            if row.behaviour.value != "quiet":
                owners.setdefault(row.point, set()).add(row.alarm)
        for alarm in site.alarms.values():
            owners.setdefault(alarm.reference or "", set()).add(alarm.name)
        labels = {point: f"({next(iter(names))})" for point, names in owners.items() if len(names) == 1}
        return Targets(
            links=list(site.links.values()), points=list(site.points.values()), labels=labels, site=(site, documents)
        )
    spec = link_of_address(address, poll_period_ns=period_ns, numbering=Numbering(numbering))
    points: list[Point] = []
    if isinstance(spec, ModbusTcpLink | ModbusRtuLink):
        if not given:
            raise UsageError("what to read is not said; add for example --inputs 10001-10064")
        for name, texts in given.items():
            table = Table(RANGES[name])
            for text in texts:
                first, last, written = wire_range(text, table, Numbering(numbering))
                points += points_of_range(spec.name, spec.unit, table, first, last, written)
    elif given:
        raise UsageError("ranges belong to a Modbus address; text lines, topics and objects have none")
    spec, found = _found_there(spec, address)
    return Targets(links=[spec], points=[*points, *found])


def _found_there(spec: LinkSpec, address: str) -> tuple[LinkSpec, list[Point]]:
    """The places that an address names by itself: a topic, or what a device lists, at a pace that it can bear.

    LinkError where it does not answer.
    """
    from harness.core.links import BacnetLink, MqttLink
    from harness.run.watching_bacnet import points_of_device, polite_period_ns
    from harness.run.watching_mqtt import mqtt_of_address

    if isinstance(spec, MqttLink):
        return spec, [mqtt_of_address(address)[1]]
    if not isinstance(spec, BacnetLink):
        return spec, []
    points = asyncio.run(points_of_device(spec, time.monotonic_ns))
    return replace(spec, poll_period_ns=polite_period_ns(spec, points)), points


def _listeners(links: list[LinkSpec], points: list[Point], observer: Observer) -> list[Link]:
    from harness.run.listening import listener

    numbers = count(1)
    return [listener(spec, points, observer, time.monotonic_ns, lambda: next(numbers)) for spec in links]


def _declared(spec: LinkSpec, points: list[Point]) -> str:
    """What listening will cost the device, said before it begins."""
    from harness.core.links import BacnetLink, ModbusRtuLink, ModbusTcpLink, MqttLink, PersonLink
    from harness.core.wording import link_address
    from harness.run.preview import mqtt_cost, mqtt_topics
    from harness.run.watching_bacnet import bacnet_cost
    from harness.run.watching_rtu import rtu_cost

    mine = sum(point.link == spec.name for point in points)
    if isinstance(spec, ModbusTcpLink):
        return (
            f"{spec.name}: {link_address(spec)}: 1 connection, reads of {mine} places every "
            f"{spec.poll_period_ns / NS_PER_S:g} s, functions 1 to 4 only"
        )
    if isinstance(spec, ModbusRtuLink):
        return f"{spec.name}: {link_address(spec)}: {rtu_cost(spec, points)[0]}, functions 1 to 4 only"
    if isinstance(spec, MqttLink):
        return f"{spec.name}: {link_address(spec)}: {mqtt_cost(spec, mqtt_topics(spec, points))}"
    if isinstance(spec, BacnetLink):
        return f"{spec.name}: {link_address(spec)}: {bacnet_cost(spec, points)[0]}"
    if isinstance(spec, PersonLink):
        return f"{spec.name}: {link_address(spec)}: reports by keys of this terminal"
    return f"{spec.name}: {link_address(spec)}: listens, sends nothing"
