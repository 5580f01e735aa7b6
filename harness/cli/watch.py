"""``farend watch``."""

from __future__ import annotations

import asyncio
import contextlib
import getpass
import json
import sys
import time
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

import click

from harness.cli.common import duration_of, load, note, run_until_interrupted, say
from harness.cli.drift import Drift
from harness.core.errors import UsageError
from harness.core.instants import FOREVER, NS_PER_S
from harness.core.verdicts import ExitCode

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.core.links import LinkSpec
    from harness.core.model import Point, Site
    from harness.links.base import Link, Observer
    from harness.run.watching import Change, FirstRead, Notice
    from harness.site.reading import Documents

FIRST_MAX = 12
"""So many first values are named in a line; '--json' names all."""

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
        note(_declared(link, points))
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


class Screen:
    """Prints changes as they come, with the local time of day of the later bound."""

    def __init__(self, *, as_json: bool, labels: dict[str, str] | None = None) -> None:
        """``labels``: what else to say of a place, e.g. the alarm that belongs to it."""
        self._as_json = as_json
        self._labels = labels or {}
        self._utc_ns = time.time_ns() - time.monotonic_ns()
        self._is_alone = False
        self._drift = Drift()
        self._is_explained = False
        self.changes: list[Change] = []

    def show(self, item: Change | Notice | FirstRead) -> None:
        """One line an item. Raises BrokenPipeError once where nobody reads any more, and is silent from then on."""
        if self._is_alone:
            return
        try:
            self._show(item)
        except BrokenPipeError:
            self._is_alone = True
            raise

    def _show(self, item: Change | Notice | FirstRead) -> None:
        from harness.run.watching import FirstRead, Notice

        if isinstance(item, FirstRead):
            self.changes += item.changes
        elif not isinstance(item, Notice):
            self.changes.append(item)
        if self._as_json:
            for value in _json_of(item):
                click.echo(json.dumps(value, ensure_ascii=True))
            sys.stdout.flush()
        elif isinstance(item, Notice):
            if self._drift.is_late_told(item):
                say(f"{self._clock(item.at_ns)}  {item.link}  {item.text}")
        elif isinstance(item, FirstRead):
            say(f"{self._clock(item.at_ns)}  {item.link}  {first_words(item.changes)}")
        elif self._drift.is_told(item, item.at.hi):
            say(f"{self._clock(item.at.hi)}  {item.link}  {self._words(item)}")
        elif not self._is_explained:
            self._is_explained = True
            say(f"{self._clock(item.at.hi)}  (numbers that keep changing are counted from here on; --json shows each)")

    def beat(self) -> None:
        """Tell what was counted for long enough; called every second."""
        self._tell(all_of_them=False)

    def end(self) -> None:
        """Tell what was counted and not told yet."""
        with contextlib.suppress(BrokenPipeError):
            self._tell(all_of_them=True)

    def _tell(self, *, all_of_them: bool) -> None:
        if self._is_alone:
            return
        now_ns = time.monotonic_ns()
        numbers = self._drift.due(now_ns, all_of_them=all_of_them)
        lines = [f"{it.link}  {', '.join(it.places)}: {it.words}" for it in numbers]
        lines += [f"{it.link}  {it.words}" for it in self._drift.late_due(now_ns, all_of_them=all_of_them)]
        try:
            for line in lines:
                say(f"{self._clock(now_ns)}  {line}")
        except BrokenPipeError:
            self._is_alone = True
            raise

    def _words(self, change: Change) -> str:
        if not change.was:
            return change.now
        label = self._labels.get(change.place, "")
        width_ms = (change.at.hi - change.at.lo) / 1e6
        name = f"{change.place} {label}".strip()
        turned = f" ({change.turned} by it)" if change.turned and change.now != change.turned else ""
        return f"{name:<8} {change.was} -> {change.now}{turned}, within {width_ms:.1f} ms before"

    def _clock(self, at_ns: int) -> str:
        at = datetime.fromtimestamp((self._utc_ns + at_ns) / NS_PER_S, UTC).astimezone()
        return at.strftime("%H:%M:%S.%f")[:-3]


def first_words(changes: Sequence[Change]) -> str:
    """The first values of a request in one line: what is on by name, numbers with their value."""
    told = [it.place if it.now == "on" else f"{it.place}={it.now}" for it in changes if it.now != "off"]
    shown = ", ".join(told[:FIRST_MAX]) + (f" and {len(told) - FIRST_MAX} more" if len(told) > FIRST_MAX else "")
    off = len(changes) - len(told)
    return "at first " + "; ".join([*([f"{off} off"] if off else []), *([shown] if told else [])])


def _json_of(item: Change | Notice | FirstRead) -> list[dict[str, object]]:
    from harness.run.watching import FirstRead, Notice

    if isinstance(item, Notice):
        return [{"link": item.link, "notice": item.text, "at_ns": item.at_ns}]
    changes = item.changes if isinstance(item, FirstRead) else (item,)
    return [
        {
            "link": it.link,
            "place": it.place,
            "was": it.was,
            "now": it.now,
            "lo": None if it.at.lo <= -FOREVER else it.at.lo,
            "hi": it.at.hi,
        }
        for it in changes
    ]
