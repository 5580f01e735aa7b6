"""How often a serial bus, or a device on TCP, is really read: from what farend sends, the line, and one dead unit."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from harness.core.instants import NS_PER_S, Bounds
from harness.core.links import BacnetLink, BusWay, ModbusLink, ModbusRtuLink, SerialPort
from harness.core.model import Site
from harness.core.places import Arrival, BacnetPlace, ModbusPlace
from harness.links.modbus_pdu import ReadRequest
from harness.links.modbus_plan import BlockPlan, plan_blocks, plan_probes
from harness.links.modbus_polls import PROBE_EVERY
from harness.links.modbus_rtu_client import GAP_BEHIND_SERVER_NS
from harness.links.modbus_rtu_frames import answer_bytes
from harness.links.modbus_rtu_timing import character_s, poll_s, t35_s, unanswered_s
from harness.measure.budget_steps import NOTHING, Poll, Range

ZERO: Final = Fraction(0)


def seconds(ns: int) -> Fraction:
    """Exactly."""
    return Fraction(ns, NS_PER_S)


def range_of(declared: Bounds | None) -> Range:
    """In seconds; nothing where nothing was declared."""
    return NOTHING if declared is None else Range.between(seconds(declared.lo), seconds(declared.hi))


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycle:
    """How a device or bus is read. ``requests``: in one cycle, each of mapped points. ``wire``: what the cycle takes at
    the least, all answered, None where the line is not known. ``with_dead``: the same while one unit does not answer.
    """

    poll: Poll
    requests: int
    wire: Fraction | None = None
    with_dead: Poll | None = None

    @property
    def is_known(self) -> bool:
        """False where nothing was declared that takes any time: no cycle, and no line."""
        return self.poll.period.least > 0


def line_of(site: Site, spec: ModbusRtuLink) -> SerialPort | None:
    """The settings of the line, as far as anybody declared them."""
    return spec.serial or site.times_of(spec.name).line


def blocks_of(site: Site, spec: ModbusLink) -> tuple[BlockPlan, ...]:
    """The reads that farend sends in a cycle; of a bus that it only overhears, the fewest that its master can do with.

    From the same plan as the listener's own.
    """
    return plan_blocks(_places(site, spec), spec.gap_max_bits, spec.gap_max_registers)


def _places(site: Site, spec: ModbusLink) -> list[ModbusPlace]:
    return [it.place for it in site.points.values() if it.link == spec.name and isinstance(it.place, ModbusPlace)]


def tcp_cycle(site: Site, spec: ModbusLink | BacnetLink) -> Cycle:
    """Of a device that farend polls over a network: its period, or longer where round trips or a rate ask for it."""
    answer = range_of(site.times_of(spec.name).round_trip)
    requests, probes, at_once, rate = _requests(site, spec)
    each = Fraction(requests) + Fraction(probes, PROBE_EVERY)
    per_s = None if rate is None else Fraction(str(rate))
    least = ZERO if per_s is None else each / per_s
    period = _at_least(seconds(spec.poll_period_ns), _times(answer, each / at_once), least)
    return Cycle(poll=Poll(period=period, answer=answer), requests=requests)


def _requests(site: Site, spec: ModbusLink | BacnetLink) -> tuple[int, int, int, float | None]:
    if isinstance(spec, BacnetLink):
        places = (it.place for it in site.points.values() if it.link == spec.name)
        polled = (it for it in places if isinstance(it, BacnetPlace) and it.arrives is Arrival.POLL)
        objects = {(it.object_type, it.instance) for it in polled}
        return -(-len(objects) // spec.objects_per_read), 0, 1, None
    probes = len(plan_probes(_places(site, spec), spec.probe_around))
    at_once = 1 if isinstance(spec, ModbusRtuLink) else spec.in_flight
    return len(blocks_of(site, spec)), probes, at_once, spec.requests_per_s_max


def bus_cycle(site: Site, spec: ModbusRtuLink, own_unit: int | None = None) -> Cycle:
    """Of a Modbus RTU bus, whoever is its master.

    A cycle is request, silence, answer, silence for each read (*MODBUS over Serial Line V1.02*, 2.5.1), and the units'
    own time; never shorter than the period that was declared. ``own_unit``: that of the point, which is not the dead
    one as long as there is another.
    """
    times, port = site.times_of(spec.name), line_of(site, spec)
    blocks = blocks_of(site, spec)
    asked = [_request(it) for it in blocks]
    per_answer = range_of(times.answer_time) + range_of(times.round_trip) + Range.exactly(_own_silence(spec, port))
    wire = None if port is None else sum((poll_s(port, it) for it in asked), ZERO)
    probes = [_request(it) for it in plan_probes(_places(site, spec), spec.probe_around)]
    probing = sum((poll_s(port, it) for it in probes), ZERO) / PROBE_EVERY if port is not None else ZERO
    each = Fraction(len(asked)) + Fraction(len(probes), PROBE_EVERY)
    busy = _plus((wire or ZERO) + probing, _times(per_answer, each))
    rate = spec.requests_per_s_max
    least = ZERO if rate is None else each / Fraction(str(rate))
    declared = seconds(spec.poll_period_ns)
    longest = ZERO if port is None else max((poll_s(port, it) for it in asked), default=ZERO)
    answer = _plus(longest, per_answer)
    lost = _unanswered(spec, port, asked)
    dead, count = _dead_unit(blocks, own_unit)
    saved = ZERO
    if dead is not None and port is not None:
        saved = sum((poll_s(port, it) for it in asked if it.unit == dead), ZERO)
    answered = Fraction(count if dead is not None else 0)
    # farend itself leaves a unit alone after its first time-out in a cycle; another master asks for every block.
    waits = count * (1 + (times.retries or 0)) if spec.way is BusWay.RECEIVE_ONLY else 1
    busy_dead = _plus((wire or ZERO) + probing - saved + waits * lost, _times(per_answer, max(ZERO, each - answered)))
    return Cycle(
        poll=Poll(period=_at_least(declared, busy, least), answer=answer),
        requests=len(asked),
        wire=wire,
        with_dead=Poll(period=_at_least(declared, busy_dead, least), answer=answer),
    )


def _own_silence(spec: ModbusRtuLink, port: SerialPort | None) -> Fraction:
    """What farend stays silent for after an answer beyond what the line asks for: behind a serial device server, whose
    line it does not know while it polls.
    """
    if spec.way is BusWay.RECEIVE_ONLY or spec.serial is not None:
        return ZERO
    return max(ZERO, seconds(GAP_BEHIND_SERVER_NS) - (t35_s(port) if port is not None else ZERO))


def _dead_unit(blocks: Sequence[BlockPlan], own_unit: int | None) -> tuple[int | None, int]:
    """The unit whose silence costs most, and how many reads of it; one that is not mapped where there is no other."""
    counts = Counter(it.unit for it in blocks if it.unit != own_unit)
    if not counts:
        return None, 1
    most = max(counts.values())
    return next(unit for unit, count in counts.items() if count == most), most


def _unanswered(spec: ModbusRtuLink, port: SerialPort | None, asked: Iterable[ReadRequest]) -> Fraction:
    """What one request without an answer takes. On a port of its own farend waits besides as long as the answer would
    take; behind a device server its time-out begins with the request. Then it waits for a silence.
    """
    timeout = seconds(spec.timeout_ns)
    if spec.way is BusWay.RECEIVE_ONLY:
        return timeout if port is None else unanswered_s(port, timeout)
    quiet = seconds(spec.quiet_ns)
    if spec.serial is None:
        return timeout + quiet
    longest = max((answer_bytes(it) for it in asked), default=0)
    return unanswered_s(spec.serial, timeout) + longest * character_s(spec.serial) + quiet


def _request(block: BlockPlan) -> ReadRequest:
    return ReadRequest(unit=block.unit, table=block.table, address=block.address, count=block.count)


def _times(each: Range, count: Fraction) -> Range:
    return Range(least=each.least * count, usual=each.usual * count, most=each.most * count)


def _plus(fixed: Fraction, more: Range) -> Range:
    return Range.exactly(fixed) + more


def _at_least(declared: Fraction, busy: Range, least: Fraction) -> Range:
    floor = max(declared, least)
    return Range(least=max(floor, busy.least), usual=max(floor, busy.usual), most=max(floor, busy.most))
