"""A capture of every link while all of the demo's site is listened to: nothing is sent but what was declared, and every
recorded value is the foreign dissector's, in order, in number, and in time.
"""

from __future__ import annotations

import asyncio
import time
from collections import Counter
from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Final

import pytest

from harness.core.links import BacnetLink, ModbusRtuLink, ModbusTcpLink
from harness.core.model import Site
from harness.core.places import BacnetPlace, Table
from harness.links.bacnet_messages import EventNotice, ValueChange
from harness.links.bacnet_messages import decode as decode_bacnet
from harness.links.bacnet_values import unpack
from harness.links.base import Block, LinkState, ObjectBlock
from harness.links.mqtt_messages import Published
from harness.links.mqtt_messages import decode as decode_mqtt
from harness.links.seen import Message
from harness.record.header import Anchor, Header
from harness.record.reader import RecordReader
from harness.record.writer import RecordWriter
from harness.run.listening import listeners
from harness.site.profiles import profiles_folder
from harness.site.reading import load_site
from sims import SimulatedSite
from sims.controller import Action
from tests.live.test_bacnet_capture import SENT, words
from tests.live.test_capture import READ_FUNCTIONS, may_capture, recorded_values
from tests.live.test_mqtt_capture import CONNECT, DISCONNECT, PINGREQ, PUBACK, SUBSCRIBE
from tests.peers.all_links import Bus, all_links, options_of
from tests.peers.broker import broker, needs_mosquitto
from tests.peers.capture import TSHARK
from tests.peers.capture_all import Frame, capture_ports, frames
from tests.peers.capture_bacnet import dissect_bacnet
from tests.peers.free_ports import free_udp_port
from tests.peers.recorder import Recorder
from tests.peers.rtu_bus import REQUEST_BYTES, closed

__all__ = ["may_capture"]

pytestmark = [
    needs_mosquitto,
    pytest.mark.skipif(TSHARK is None, reason="tshark is not installed (Debian: tshark)"),
]

SLOW_NS: Final = 200_000_000
"""Poll period: enough for hundreds of exchanges, and little enough that nothing is lost by the capture."""

Polled = ModbusTcpLink | ModbusRtuLink | BacnetLink

DRIFT_PPM: Final = 1000
"""How far the wall clock may be slewed against the monotonic one: twice what the kernel does by itself."""

RAISED: Final = ("bulk-a.high-high", "bulk-a.low", "bulk-b.water", "day.high", "bulk-a.probe-fault")


class Listened:
    """What was listened to: the site, its record, and the capture of it."""

    def __init__(self, site: Site, record: RecordReader, path: Path) -> None:
        self.site = site
        self.record = record
        self.path = path
        self.anchor: Anchor = record.header.anchor

    def port(self, link: str) -> int:
        spec = self.site.links[link]
        return int(getattr(spec, "tcp_port", None) or getattr(spec, "port"))  # noqa: B009 - one of the two

    def at(self, frame_ns: int) -> tuple[int, int]:
        """Between which instants of the run's clock a packet was seen."""
        at_ns = frame_ns - self.anchor.utc_ns + self.anchor.monotonic_ns
        apart_ns = self.anchor.width_ns + abs(at_ns - self.anchor.monotonic_ns) * DRIFT_PPM // 1_000_000 + 1000
        return at_ns - apart_ns, at_ns + apart_ns


@asynccontextmanager
async def listened(folder: Path) -> AsyncIterator[Listened]:
    """Listen to all of the site while alarms come and go by themselves; then stop, and open what was recorded."""
    random = Random(135)
    read, _ = load_site(profiles_folder() / "demo" / "site.yaml")
    own = free_udp_port()
    async with broker(folder) as one:
        options = options_of(Bus.TCP, random, own, one.port, in_loop=False)
        async with SimulatedSite(options) as sim:
            site = all_links(read, sim, Bus.TCP, random, own, one.port)
            links = {name: replace(it, poll_period_ns=SLOW_NS) if isinstance(it, Polled) else it
                     for name, it in site.links.items() if name != "annunciator"}  # fmt: skip
            points = {name: it for name, it in site.points.items() if it.link in links}
            site = replace(site, links=links, points=points)
            ports = [sim.panel_port, sim.bms_port, sim.gateway_port, sim.bus_port, sim.printer_port, one.port]
            path = folder / "wire.pcapng"
            async with capture_ports([*ports, sim.building_port, own], path) as wire:
                await wire.caught_up(sim.printer_port)
                await _listen(site, sim, folder)
                await wire.caught_up(sim.printer_port)
    with RecordReader.open(folder / "run.farend") as record:
        yield Listened(site, record, path)


async def _listen(site: Site, sim: SimulatedSite, folder: Path) -> None:
    clock = time.monotonic_ns
    writer = RecordWriter.create(folder / "run.farend", Header.now(clock, site="capture"), {}, clock)
    heard = Recorder()
    writer.subscribe(heard)
    names = list(site.links)
    tasks = [asyncio.create_task(it.run(), name=f"link {it.name}") for it in listeners(site, writer, clock)]

    def up() -> set[str]:
        return {link for link, _, state, _ in heard.states if state is LinkState.UP}

    try:
        await heard.until(lambda: up() == set(names))
        for alarm in RAISED:
            for action in (Action.RAISE, Action.ACKNOWLEDGE, Action.CLEAR):
                printed = sum(link == "printer" for link, *_ in heard.lines)
                published = sum(link == "broker" for link, *_ in heard.lines)
                polls = len(heard.polls)
                sim.command(alarm, action)
                await heard.until(lambda: sum(it[0] == "broker" for it in heard.lines) > published)  # noqa: B023
                await heard.until(lambda: sum(it[0] == "printer" for it in heard.lines) > printed)  # noqa: B023
                await heard.until(lambda: len(heard.polls) > polls + 20)  # noqa: B023 - awaited here, all three
    finally:
        for task in tasks:
            task.cancel()
        ended = await asyncio.gather(*tasks, return_exceptions=True)
        writer.close()
    assert all(isinstance(it, asyncio.CancelledError) for it in ended), ended


@pytest.mark.usefixtures("may_capture")
async def test_only_what_was_declared_is_sent_and_every_recorded_value_is_the_dissectors(tmp_path: Path) -> None:
    async with listened(tmp_path) as it:
        for link in ("panel", "bms", "gateway"):
            await modbus_tcp(it, link)
        await rtu_over_tcp(it)
        await printed(it)
        await bacnet(it)
        await mqtt(it)


async def modbus_tcp(it: Listened, link: str) -> None:
    """Functions 1 to 4 by our one connection; requests and answers are the polls, and lie within their stamps."""
    options = ("-o", f"mbtcp.tcp.port:{it.port(link)}")
    seen = await frames(it.path, it.port(link), "mbtcp", "mbtcp", "modbus", options=options)
    mine = _ours(it, link, seen)
    out, back = ([frame for frame in mine if frame.to_device is way] for way in (True, False))
    assert {fields["modbus.func_code"][0] for frame in out for fields in frame.layers} <= READ_FUNCTIONS
    assert all(len(frame.payload) == 12 * len(frame.layers) > 0 for frame in out)
    total = 0
    for block in _blocks(it, link):
        asked = {frame.payload[:2]: frame for frame in out if _asks(frame, block)}
        told = [frame for frame in back if frame.payload[:2] in asked and _tells(frame)]
        polls = it.record.polls(block.id)
        total += len(polls)
        for number, (values, at) in enumerate(_recorded(it, block)):
            assert values == _values(told[number]), (link, block, number)
            _within(it, at, (asked[told[number].payload[:2]].at_ns, told[number].at_ns))
        # At the end one answer may be on the wire that came after the listener was stopped.
        assert len(told) - len(polls) in {0, 1}
    assert total >= 20


def _ours(it: Listened, link: str, seen: Iterable[Frame]) -> list[Frame]:
    """Packets of farend's own connection. The simulated gateway polls the bms too, by a way of its own."""
    found = list(seen)
    assert len({frame.client for frame in found}) == 1, f"{link}: one connection was declared"
    del it
    return found


def _blocks(it: Listened, link: str) -> list[Block]:
    return [block for block in it.record.blocks() if isinstance(block, Block) and block.link == link]


def _asks(frame: Frame, block: Block) -> bool:
    pdu = frame.payload[7:]
    return pdu == bytes((block.table.read_function,)) + block.address.to_bytes(2, "big") + block.count.to_bytes(
        2, "big"
    )


def _tells(frame: Frame) -> bool:
    """An answer with values, and no exception: the horn's coil is none until it is asked for alone."""
    return not frame.payload[7] & 0x80


def _values(frame: Frame) -> dict[int, int]:
    (fields,) = frame.layers
    bits = "modbus.bitnum" in fields
    numbers = [int(number) for number in fields["modbus.bitnum" if bits else "modbus.regnum16"]]
    return dict(
        zip(numbers, (int(v, 0) for v in fields["modbus.bitval" if bits else "modbus.regval_uint16"]), strict=True)
    )


def _recorded(it: Listened, block: Block) -> list[tuple[dict[int, int], tuple[int, int]]]:
    """Every poll: its values by address, and when it was asked and told."""
    polls = it.record.polls(block.id)
    found = []
    run = -1
    for at in range(len(polls)):
        run += run + 1 < len(polls.starts) and at == int(polls.starts[run + 1])
        found.append((recorded_values(block, polls.payloads[run]), (int(polls.asked[at]), int(polls.told[at]))))
    return found


def _within(it: Listened, at: tuple[int, int], seen_ns: tuple[int, int]) -> None:
    """Stamps of the record hold what the capture saw between them."""
    assert at[0] <= it.at(seen_ns[0])[1], (at, seen_ns)
    assert it.at(seen_ns[1])[0] <= at[1], (at, seen_ns)


async def rtu_over_tcp(it: Listened) -> None:
    """Functions 1 to 4 with a good CRC, as tshark has it; answers, whose bytes come one by one, put together again."""
    options = ("-o", "mbrtu.crc_verification:TRUE")
    seen = await frames(it.path, it.port("bus"), "mbrtu", "mbrtu", "modbus", options=options)
    out = [frame for frame in seen if frame.to_device]
    assert len({frame.client for frame in seen}) == 1
    assert len(out) >= 50
    answers: list[tuple[bytes, bytes, int]] = []
    for frame in seen:
        if frame.to_device:
            (fields,) = frame.layers
            assert fields["modbus.func_code"][0] in READ_FUNCTIONS
            assert fields["mbrtu.crc16.status"] == ["1"]
            assert len(frame.payload) == REQUEST_BYTES
            answers.append((frame.payload, b"", frame.at_ns))
        else:
            request, data, _ = answers[-1]
            answers[-1] = (request, data + frame.payload, frame.at_ns)
    for block in _blocks(it, "bus"):
        key = bytes((block.unit, block.table.read_function)) + block.address.to_bytes(2, "big")
        mine = [answer for answer in answers if answer[0].startswith(key)]
        recorded = _recorded(it, block)
        assert len(mine) - len(recorded) in {0, 1}
        for (_, data, at_ns), (values, at) in zip(mine, recorded, strict=False):
            assert closed(data[:-2]) == data
            assert values == _payload_values(block, data[3:-2])
            _within(it, at, (at_ns, at_ns))


def _payload_values(block: Block, data: bytes) -> dict[int, int]:
    """By the layout of the specification (V1.1b3, 6.1 to 6.4), written down once more."""
    if block.table in (Table.COIL, Table.DISCRETE_INPUT):
        return {block.address + n: data[n // 8] >> n % 8 & 1 for n in range(block.count)}
    return {block.address + n: data[2 * n] << 8 | data[2 * n + 1] for n in range(block.count)}


async def printed(it: Listened) -> None:
    """Not a byte is sent; what came is what was recorded."""
    seen = await frames(it.path, it.port("printer"), "data", "data")
    assert not [frame for frame in seen if frame.to_device]
    came = b"".join(frame.payload for frame in seen)
    recorded = b"".join(message.data + b"\r\n" for message in it.record.messages("printer"))
    assert came.startswith(recorded)
    assert len(recorded) > 500
    ends = []
    length = 0
    for frame in seen:
        length += len(frame.payload)
        ends.append((length, frame.at_ns))
    length = 0
    for message in it.record.messages("printer"):
        length += len(message.data) + 2
        at_ns = next(at_ns for end, at_ns in ends if end >= length)
        _within(it, (message.first_ns, message.last_ns), (at_ns, at_ns))


def plain(values: dict[str, str]) -> dict[str, str]:
    """A reading with its number as single precision tells it apart: the dissector writes more digits than there are."""
    return {name: f"{float(value):.6g}" if name == "value" else value for name, value in values.items()}


async def bacnet(it: Listened) -> None:
    """Reads, COV of what must arrive by COV, confirmations; values, changes and events as dissected."""
    apdus = await dissect_bacnet(it.path, it.port("building"))
    sent = {(one.kind, one.service) for one in apdus if one.to_device}
    assert sent <= SENT | {("Unconfirmed-REQ", "i-Am")}, sent
    subscribed = {name for one in apdus if one.to_device and one.service == "subscribeCOV" for name in one.values}
    places = [point.place for point in it.site.points.values() if isinstance(point.place, BacnetPlace)]
    wanted = {f"{place.object_type.value} {place.instance}" for place in places if place.arrives.value == "cov"}
    assert subscribed == wanted
    told: dict[str, list[dict[str, str]]] = {}
    for one in apdus:
        if one.service == "confirmedCOVNotification" and not one.to_device:
            for name, values in one.values.items():
                told.setdefault(name, []).append(plain(values))
    changes: dict[str, list[dict[str, str]]] = {}
    messages = [decode_bacnet(message.data) for message in it.record.messages("building")]
    for message in messages:
        if isinstance(message, ValueChange) and message.object is not None:
            name = f"{message.object[0].value} {message.object[1]}"
            changes.setdefault(name, []).append(plain(words(message.reading)))
    assert changes == told
    assert sum(map(len, told.values())) >= 2 * len(RAISED) + len(wanted)
    events = [(name, it["from"], it["to"]) for one in apdus for name, it in one.values.items()
              if one.service == "confirmedEventNotification" and not one.to_device and "from" in it]  # fmt: skip
    noticed = [(f"{m.object[0].value} {m.object[1]}", str(m.from_state), str(m.to_state))
               for m in messages
               if isinstance(m, EventNotice) and m.object is not None and m.from_state is not None]  # fmt: skip
    assert noticed == events
    assert len(events) >= 2 * len(RAISED)
    _object_reads(it, [one.values for one in apdus
                       if (one.kind, one.service) == ("Complex-ACK", "readPropertyMultiple")])  # fmt: skip


def _object_reads(it: Listened, answers: list[dict[str, dict[str, str]]]) -> None:
    for block in it.record.blocks():
        if not isinstance(block, ObjectBlock):
            continue
        names = [f"{kind.value} {instance}" for kind, instance in block.objects]
        mine = [
            {name: plain(said) for name, said in answer.items()}
            for answer in answers
            if list(answer) == names and all("flags" in said for said in answer.values())
        ]
        polls = it.record.polls(block.id)
        recorded = []
        for number, payload in enumerate(polls.payloads):
            end = int(polls.starts[number + 1]) if number + 1 < len(polls.starts) else len(polls)
            said = {name: plain(words(unpack(payload, at))) for at, name in enumerate(names)}
            recorded += [said] * (end - int(polls.starts[number]))
        assert recorded
        # An answer that came after it was given up, or after the listener was stopped, is not recorded.
        lost = 1 + len(it.record.failures(block.id))
        assert 0 <= len(mine) - len(recorded) <= lost, (names, len(mine), len(recorded))
        following = iter(mine)
        for number, said in enumerate(recorded):
            assert said in following, (names, number, said)


async def mqtt(it: Listened) -> None:
    """One connection that publishes nothing; each message as it came, within its stamps."""
    seen = await frames(it.path, it.port("broker"), "mqtt", "mqtt")
    own = {frame.client for frame in seen for fields in frame.layers
           if any(name.startswith("farend-") for name in fields.get("mqtt.clientid", []))}  # fmt: skip
    assert len(own) == 1
    mine = [frame for frame in seen if frame.client in own]
    sent = Counter(
        kind for frame in mine if frame.to_device for fields in frame.layers for kind in fields["mqtt.msgtype"]
    )
    assert set(sent) <= {CONNECT, SUBSCRIBE, PUBACK, PINGREQ, DISCONNECT}, sent
    assert sent[CONNECT] == 1
    came = [(fields, frame.at_ns) for frame in mine if not frame.to_device for fields in frame.layers
            if fields["mqtt.msgtype"] == ["3"]]  # fmt: skip
    recorded: list[tuple[Message, Published]] = []
    for message in it.record.messages("broker"):
        said = decode_mqtt(message.data)
        if isinstance(said, Published):
            recorded.append((message, said))
    assert len(came) - len(recorded) in {0, 1}
    for (fields, at_ns), (message, said) in zip(came, recorded, strict=False):
        assert said.topic == fields["mqtt.topic"][0]
        assert said.payload == bytes.fromhex(fields["mqtt.msg"][0].replace(":", ""))
        assert said.retain == (fields["mqtt.retain"][0] == "1")
        _within(it, (message.first_ns, message.last_ns), (at_ns, at_ns))
    assert len(recorded) >= 2 * len(RAISED)
