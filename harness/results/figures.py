"""How well each link was observed in a record, and what that rests on: the figures of the report."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from harness.core.durations import duration
from harness.core.instants import Bounds
from harness.core.links import (
    BacnetLink,
    BusWay,
    CovKind,
    LinkSpec,
    ModbusLink,
    ModbusRtuLink,
    ModbusTcpLink,
    MqttLink,
    PersonLink,
    TextLink,
)
from harness.core.model import Point
from harness.core.places import Arrival, BacnetPlace, MqttPlace
from harness.core.wording import link_address
from harness.links.base import AnyBlock, Block
from harness.links.modbus_pdu import ReadRequest
from harness.links.modbus_rtu_timing import ns_up, poll_s
from harness.links.seen import Polls
from harness.report.document import BlindTime, LinkFigures
from harness.results.judging import JudgedRecord


def link_figures(record: JudgedRecord, name: str) -> LinkFigures:
    """The figures of one link of a judged record."""
    reader, spec = record.reader, record.site.links[name]
    blocks = [block for block in reader.blocks() if block.link == name]
    polls = [reader.polls(block.id) for block in blocks]
    mine = [it for it in record.site.points.values() if it.link == name]
    messages = reader.messages(name)
    listened = bool(blocks or messages or reader.link_states(name))
    blind = (it for it in record.evidence.blind if it.link == name)
    return LinkFigures(
        link=name,
        address=link_address(spec),
        watched=Bounds(record.start_ns, record.end_ns),
        polls=sum(len(it) for it in polls) if isinstance(spec, ModbusLink | BacnetLink) else None,
        polls_failed=sum(len(reader.failures(block.id)) for block in blocks),
        overruns=len(reader.overruns(name)),
        lines=None if isinstance(spec, ModbusLink) else len(messages),
        told_word=_told_word(spec),
        dropped=len(reader.dropped(name)),
        widest_gap_ns=_widest_gap_ns(mine, list(zip(blocks, polls, strict=True))),
        wire_ns=_wire_ns(spec, [(block, len(it)) for block, it in zip(blocks, polls, strict=True)]),
        conditions=tuple(_conditions(spec, mine)),
        listened=listened,
        blind=tuple(BlindTime(from_ns=it.span.lo, to_ns=it.span.hi, reason=it.why) for it in blind) if listened else (),
    )


def _widest_gap_ns(points: Iterable[Point], polled: Sequence[tuple[AnyBlock, Polls]]) -> int | None:
    """The widest gap of any point, by the request that read it most closely. None where nothing was polled twice.

    What is told is read beside it, slowly, to see that nothing was lost; that says nothing of how closely it was read.
    """
    gaps = [(block, int((it.told[1:] - it.asked[:-1]).max())) for block, it in polled if len(it) > 1]
    of_points = [[gap for block, gap in gaps if block.holds(point.place)] for point in points]
    return max((min(found) for found in of_points if found), default=None)


def _told_word(spec: LinkSpec) -> str:
    match spec:
        case BacnetLink():
            return "notification"
        case MqttLink():
            return "message"
        case PersonLink():
            return "report"
        case _:
            return "line"


def _wire_ns(spec: LinkSpec, counts: Iterable[tuple[AnyBlock, int]]) -> int | None:
    """The line's own time for the answered polls (serial line specification, 2.5.1); None where it is not known.

    Where farend only overhears, the other requests of the master are not in it, so nothing is said.
    """
    if not isinstance(spec, ModbusRtuLink) or spec.serial is None or spec.way is BusWay.RECEIVE_ONLY:
        return None
    total = 0
    for block, count in counts:
        if isinstance(block, Block):
            request = ReadRequest(unit=block.unit, table=block.table, address=block.address, count=block.count)
            total += count * ns_up(poll_s(spec.serial, request))
    return total


def _conditions(spec: LinkSpec, points: Sequence[Point]) -> Iterable[str]:
    match spec:
        case ModbusTcpLink():
            yield f"polled every {duration(spec.poll_period_ns)}"
        case ModbusRtuLink(way=BusWay.RECEIVE_ONLY):
            yield "receives only: as often as the master of the bus reads"
        case ModbusRtuLink():
            yield f"polled every {duration(spec.poll_period_ns)}"
            if spec.serial is None:
                yield "wire time not known behind a serial device server"
        case BacnetLink():
            yield f"polled every {duration(spec.poll_period_ns)}"
            yield from _told_by(spec, points)
        case MqttLink():
            alive = set() if spec.alive_topic is None else {spec.alive_topic}
            topics = len(alive | {it.place.topic for it in points if isinstance(it.place, MqttPlace)})
            yield f"subscribed to {topics} topic{'s' * (topics != 1)} with QoS {spec.qos}"
            yield _delay(spec)
        case TextLink():
            yield _delay(spec)
        case PersonLink(in_sight=False):
            yield "out of sight: that it showed is told, never when"
        case PersonLink():
            yield f"reaction {duration(spec.reaction_min_ns)} to {duration(spec.reaction_max_ns)}"


def _told_by(spec: BacnetLink, points: Sequence[Point]) -> Iterable[str]:
    places = [it.place for it in points if isinstance(it.place, BacnetPlace)]
    ways = {way: len({(it.object_type, it.instance) for it in places if it.arrives is way}) for way in Arrival}
    if ways[Arrival.COV]:
        kind = "confirmed" if spec.cov is CovKind.CONFIRMED else "unconfirmed"
        yield f"{ways[Arrival.COV]} {kind} COV subscription{'s' * (ways[Arrival.COV] != 1)}"
    if ways[Arrival.EVENT]:
        yield f"events of {ways[Arrival.EVENT]} object{'s' * (ways[Arrival.EVENT] != 1)}"
    if ways[Arrival.COV] or ways[Arrival.EVENT]:
        yield _delay(spec)


def _delay(spec: TextLink | BacnetLink | MqttLink) -> str:
    """The longest delay as it was declared, and whether silence counts."""
    if spec.longest_delay_ns is None:
        return "longest delay not declared"
    promised = "every change promised" if spec.promises_every_change else "not every change promised"
    return f"longest delay {duration(spec.longest_delay_ns)} as declared, {promised}"
