"""Whole plants in virtual time: what every output really did and why, and the record that listening to it gives.

A plant is drawn from the truth outwards. Every stimulus *contributes* on-times to points, as its rows demand or as an
injected fault has it; a point is on while any contribution holds it. Polls, printed lines and the bounds of the
stimuli are then made so that they hold the truth, and every declared hold is one that the truth keeps.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from random import Random

import numpy as np

from harness.core.behaviours import release_choices
from harness.core.errors import Origin
from harness.core.instants import Bounds
from harness.core.links import ModbusTcpLink, TextLink
from harness.core.model import (
    HOLD_ASSUMED_NS,
    Alarm,
    AlarmClass,
    Behaviour,
    Expectation,
    Hold,
    Limits,
    Point,
    Site,
    Step,
    Stimulus,
)
from harness.core.places import ModbusPlace, Numbering, Place, Table, TextPlace
from harness.core.trace import Trace
from harness.correlate.evidence import BlindTime, Evidence
from harness.links.base import LinkState
from harness.links.seen import Message, StateChange
from harness.links.text_trace import text_trace

MS = 1_000_000
AT = Origin(file="plant.yaml", line=1)
START = 5_000 * MS
FAULTS = ("dead", "late", "stuck", "short", "dropout", "repeat", "swap")
NEIGHBOURS = ("wrong-bit", "repeat", "repeat-beside-dead")
"""The second one shows at the first one's point; the first one comes twice, once more after the second was raised; the
same, while the second one shows nowhere on that link."""
ELSEWHERE = ("swap", "wrong-bit")
"""Faults by which a stimulus shows at a point that is not its own."""

Span = tuple[int, int]


@dataclass(slots=True)
class Contribution:
    """What a point did because of one stimulus (none: a stray). ``fault``: '' where it did what its row demands."""

    point: str
    stimulus: str
    spans: list[Span]
    fault: str = ""


@dataclass(frozen=True, slots=True)
class Steps:
    """The true instants of the steps of a stimulus. ``silenced``: by whichever silence it was first silenced."""

    raised: int
    silenced: int | None
    acknowledged: int | None
    reset: int | None
    cleared: int | None


@dataclass(slots=True)
class Plan:
    """What kind of plant is drawn."""

    apart: str = "apart"  # apart, next (raised as soon as what was raised before is off again), close, or overlapping
    fault_rate: float = 0.0
    strays: int = 0
    loss: float = 0.0
    outages: int = 0
    blind_whole: bool = False
    neighbour: str = ""  # what goes wrong between two alarms, the second raised soon after the first: see NEIGHBOURS


@dataclass(slots=True)
class Plant:
    """A drawn plant: the truth and the record of it."""

    plan: Plan
    alarms: dict[str, Alarm] = field(default_factory=dict)
    rows: list[Expectation] = field(default_factory=list)
    points: dict[str, Point] = field(default_factory=dict)
    links: dict[str, ModbusTcpLink | TextLink] = field(default_factory=dict)
    steps: dict[str, Steps] = field(default_factory=dict)
    stimuli: list[Stimulus] = field(default_factory=list)
    contributions: list[Contribution] = field(default_factory=list)
    true_on: dict[str, list[Span]] = field(default_factory=dict)
    traces: dict[str, Trace] = field(default_factory=dict)
    blind: list[BlindTime] = field(default_factory=list)
    gap_ns: dict[str, int] = field(default_factory=dict)
    pair: tuple[str, str] | None = None  # the stimuli between which something goes wrong
    end: int = 0

    @property
    def site(self) -> Site:
        """The site file."""
        return Site(
            name="plant",
            title="",
            controller="",
            firmware="",
            links=self.links,
            points=self.points,
            alarms=self.alarms,
            side_effects={},
            writable=(),
            expectations=tuple(self.rows),
        )

    @property
    def evidence(self) -> Evidence:
        """The record."""
        return Evidence(stimuli=tuple(self.stimuli), traces=self.traces, blind=tuple(self.blind))

    def of(self, stimulus: str, point: str) -> list[Span]:
        """The on-times of a point because of a stimulus, wherever a fault did not put them elsewhere."""
        found: list[Span] = []
        for it in self.contributions:
            if it.stimulus == stimulus and it.point == point and it.fault not in ELSEWHERE:
                found += it.spans
        return merged(found)


def merged(spans: Iterable[Span]) -> list[Span]:
    """On-times [begin, end) joined where they touch, in order."""
    found: list[Span] = []
    for begin, end in sorted(it for it in spans if it[0] < it[1]):
        if found and begin <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], end))
        else:
            found.append((begin, end))
    return found


def ms(draw: Random, low: int, high: int) -> int:
    """A whole number of milliseconds in [low, high], in ns, and a few ns that no round number hides."""
    return draw.randint(low, high) * MS + draw.randint(0, 3)


def plant_of(draw: Random, noise: Random, plan: Plan) -> Plant:
    """Draw a plant. ``draw`` decides its structure, ``noise`` the phases and delays of every poll and line."""
    plant = Plant(plan=plan)
    _draw_alarms(draw, plant)
    _draw_stimuli(draw, plant)
    _draw_rows(draw, plant)
    _draw_contributions(draw, plant)
    _spoil_neighbours(draw, plant)
    observe(draw, noise, plant)
    return plant


def observe(draw: Random, noise: Random, plant: Plant) -> None:
    """What its points really did, from all that held them, and the record that listening to them gives."""
    for name in plant.points:
        plant.true_on[name] = merged(span for it in plant.contributions if it.point == name for span in it.spans)
    _declare_holds(draw, plant)
    _listen(draw, noise, plant)


# --- the site --------------------------------------------------------------------------------------


def _draw_alarms(draw: Random, plant: Plant) -> None:
    count = draw.randint(2, 5)
    plant.links["panel"] = _polled("panel")
    plant.links["bms"] = _polled("bms")
    for number in range(count):
        name = f"a{number}"
        brings = tuple(f"a{other}" for other in range(number) if draw.random() < 0.2)
        lasts = None
        if draw.random() < 0.2:
            low = draw.randint(150, 900) * MS
            lasts = Bounds(low, low + draw.choice((0, 20, 200)) * MS)
        reference = f"panel.{name}" if draw.random() < 0.4 else None
        plant.alarms[name] = Alarm(
            name=name,
            alarm_class=AlarmClass.ALARM,
            priority=None,
            text=name,
            side_effects=(),
            also_raises=brings,
            lasts_ns=lasts,
            reference=reference,
            origin=AT,
        )
        if reference is not None:
            _add_point(plant, reference, "panel", number)


def _polled(name: str) -> ModbusTcpLink:
    return ModbusTcpLink(
        name=name,
        host="127.0.0.1",
        port=502,
        numbering=Numbering.REFERENCE,
        poll_period_ns=100 * MS,
        timeout_ns=500 * MS,
        origin=AT,
    )


def _add_point(plant: Plant, name: str, link: str, address: int) -> None:
    place: Place = ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=address)
    if link == "log":
        place = TextPlace(raised=f"ON {name}", cleared=f"OFF {name}")
    plant.points[name] = Point(name=name, link=link, place=place, origin=AT)


def drawn_log(draw: Random) -> TextLink:
    """A printer that may be slow, and may promise every change."""
    return TextLink(
        name="log",
        host="127.0.0.1",
        tcp_port=1,
        longest_delay_ns=draw.choice((50, 400)) * MS,
        promises_every_change=draw.random() < 0.6,
        origin=AT,
    )


def _draw_rows(draw: Random, plant: Plant) -> None:
    names = list(plant.alarms)
    has_log = draw.random() < 0.5
    if has_log:
        plant.links["log"] = drawn_log(draw)
    loud: dict[tuple[str, str], None] = {}
    for number, name in enumerate(names):
        _add_point(plant, f"bms.{name}", "bms", number)
        _row(draw, plant, name, f"bms.{name}", _behaviour(draw))
        loud[name, f"bms.{name}"] = None
        if has_log and draw.random() < 0.6:
            _add_point(plant, f"log.{name}", "log", number)
            _row(draw, plant, name, f"log.{name}", _behaviour(draw))
            loud[name, f"log.{name}"] = None
    if draw.random() < 0.7:
        _add_point(plant, "bms.common", "bms", 90)
        behaviour = draw.choice((Behaviour.FOLLOWS, Behaviour.FOLLOWS, Behaviour.UNTIL_ACKNOWLEDGED))
        for name in names:
            if draw.random() < 0.85:
                _row(draw, plant, name, "bms.common", behaviour)
                loud[name, "bms.common"] = None
    site = plant.site
    for name in names:
        if draw.random() < 0.4:
            # Quiet at a place of its own, or at another alarm's point that it does not bring along.
            others = [other for other in names if other != name and other not in site.brought_along(name)]
            point = f"bms.{draw.choice(others)}" if others and draw.random() < 0.5 else f"bms.quiet-{name}"
            if point not in plant.points:
                _add_point(plant, point, "bms", 100 + len(plant.points))
            _row(draw, plant, name, point, Behaviour.QUIET)


def _behaviour(draw: Random) -> Behaviour:
    return draw.choice(
        (Behaviour.FOLLOWS, Behaviour.FOLLOWS, Behaviour.UNTIL_ACKNOWLEDGED, Behaviour.LATCHED, Behaviour.PULSE)
    )


def _row(draw: Random, plant: Plant, alarm: str, point: str, behaviour: Behaviour) -> None:
    within = None if draw.random() < 0.15 else draw.randint(100, 1500) * MS
    search = (within or 300 * MS) + draw.choice((0, 300, 2500)) * MS
    choices = release_choices(behaviour)
    released_by = draw.choice(choices) if choices and draw.random() < 0.4 else Step.ACKNOWLEDGE
    limits = Limits(
        appears_within_ns=within,
        visible_for_ns=None if draw.random() < 0.5 else draw.randint(50, 600) * MS,
        gone_within_ns=None if draw.random() < 0.2 else draw.randint(100, 1500) * MS,
        dwell_ns=draw.choice((0, 0, 0, 400)) * MS if behaviour is not Behaviour.PULSE else 0,
        search_ns=search,
        settle_ns=draw.choice((100, 600)) * MS,
        leak_ns=draw.choice((100, 1000)) * MS,
    )
    row = Expectation(
        key=f"{alarm}@{point}",
        alarm=alarm,
        point=point,
        behaviour=behaviour,
        limits=limits,
        released_by=released_by,
        origin=AT,
    )
    plant.rows.append(row)


# --- what was done ---------------------------------------------------------------------------------


def _draw_stimuli(draw: Random, plant: Plant) -> None:
    """Raises one after the other, far apart or in quick succession, or overlapping (never of the same alarm)."""
    names = list(plant.alarms)
    free_from: dict[str, int] = defaultdict(int)
    latest = START
    count = draw.randint(1, 6)
    for number in range(count):
        name = draw.choice(names)
        match plant.plan.apart:
            case "apart":
                raised = latest + (0 if number == 0 else 9000 * MS) + ms(draw, 0, 300)
            case "next":
                raised = latest + (0 if number == 0 else ms(draw, 1310, 2400))
            case "close":
                raised = latest + ms(draw, 1, 1500)
            case _:
                raised = START + ms(draw, 0, 6000)
        raised = max(raised, free_from[name] + ms(draw, 1, 400))
        lasts = plant.alarms[name].lasts_ns
        active = ms(draw, 250, 3000) if lasts is None else lasts.lo + draw.randint(0, lasts.width)
        cleared: int | None = raised + active
        # Only the last one may be left as it is: the next one's steps would release an earlier one as well.
        is_last = number == count - 1
        silenced = None if draw.random() < 0.5 else raised + ms(draw, 100, 3500)
        acknowledged = None if is_last and draw.random() < 0.2 else raised + ms(draw, 100, 3500)
        reset = None if is_last and draw.random() < 0.2 else raised + active + ms(draw, 10, 1500)
        if lasts is None and is_last and draw.random() < 0.1:
            cleared = reset = None
        sure = _bounds(draw)
        own = Stimulus(
            id=f"s{number}",
            alarm=name,
            raised=sure(raised),
            silenced=None if silenced is None else sure(silenced),
            acknowledged=None if acknowledged is None else sure(acknowledged),
            reset=None if reset is None else sure(reset),
            cleared=_cleared(sure, raised, cleared, lasts, sure(raised)),
        )
        plant.stimuli.append(own)
        plant.steps[own.id] = Steps(raised, silenced, acknowledged, reset, cleared)
        free_from[name] = max(it for it in (raised, silenced, acknowledged, reset, cleared) if it is not None)
        latest = max(latest, free_from[name])
    if draw.random() < 0.5:
        _silence_all(plant)
    plant.end = latest + 9000 * MS


def _silence_all(plant: Plant) -> None:
    """One button for all: the first silence behind a raise is one for it, whichever alarm it was meant for."""
    silences = [it.silenced for it in plant.steps.values() if it.silenced is not None]
    for name, steps in plant.steps.items():
        first = min((at for at in silences if at >= steps.raised), default=None)
        plant.steps[name] = replace(steps, silenced=first)


class _bounds:  # noqa: N801  # used as a function that remembers how sure the person or the writer is
    def __init__(self, draw: Random) -> None:
        self._draw = draw
        self._most = draw.choice((3, 3, 30, 600))

    def __call__(self, at: int) -> Bounds:
        return Bounds(at - ms(self._draw, 0, self._most), at + ms(self._draw, 0, self._most))


def _cleared(sure: _bounds, raised: int, cleared: int | None, lasts: Bounds | None, known: Bounds) -> Bounds | None:
    if cleared is None:
        return None
    if lasts is not None:
        # As it is known where nobody clears: from the raise, and how long the alarm lasts.
        return Bounds(min(known.lo, raised) + lasts.lo, max(known.hi, raised) + lasts.hi)
    return sure(cleared)


# --- what the outputs did --------------------------------------------------------------------------


def release_of(row: Expectation, steps: Steps) -> int | None:
    """The true release q of a row, None where it never came."""
    freed = steps.reset if row.released_by is Step.RESET else steps.acknowledged
    if row.released_by is Step.SILENCE:
        freed = min((it for it in (steps.silenced, steps.acknowledged) if it is not None), default=None)
    match row.behaviour:
        case Behaviour.FOLLOWS if row.released_by is Step.SILENCE:
            return min((it for it in (steps.cleared, freed) if it is not None), default=None)
        case Behaviour.UNTIL_ACKNOWLEDGED:
            return freed
        case Behaviour.LATCHED:
            return None if freed is None or steps.cleared is None else max(freed, steps.cleared)
        case Behaviour.PULSE:
            return None
        case _:
            return steps.cleared


def _healthy(draw: Random, row: Expectation, steps: Steps, end: int) -> list[Span]:
    """What the output does that does what its row demands."""
    limits = row.limits
    reach = limits.search_ns if limits.appears_within_ns is None else limits.appears_within_ns
    onset = steps.raised + min(draw.randint(0, max(1, int(0.6 * reach))), 600 * MS)
    if row.behaviour is Behaviour.PULSE:
        width = max(limits.visible_for_ns or 0, 100 * MS) + ms(draw, 1, 300)
        return [(onset, onset + width)]
    release = release_of(row, steps)
    if release is None:
        return [(onset, end + 5000 * MS)]
    gone = 500 * MS if limits.gone_within_ns is None else limits.gone_within_ns
    stop = release + limits.dwell_ns + draw.randint(0, max(1, int(0.6 * gone)))
    return [(onset, stop)] if onset < stop and onset < release else []


def _draw_contributions(draw: Random, plant: Plant) -> None:
    site, plan = plant.site, plant.plan
    by_key = {(row.alarm, row.point): row for row in plant.rows}
    loud_points = [name for name, point in plant.points.items() if point.link != "panel"]
    for it in plant.stimuli:
        steps = plant.steps[it.id]
        active = (it.alarm, *site.brought_along(it.alarm))
        for name in active:
            reference = plant.alarms[name].reference
            if reference is not None:
                off = plant.end + 5000 * MS if steps.cleared is None else steps.cleared
                plant.contributions.append(Contribution(reference, it.id, [(steps.raised, off)]))
        for point in loud_points:
            own = by_key.get((it.alarm, point))
            if own is not None and own.behaviour is Behaviour.QUIET:
                if draw.random() < plan.fault_rate:
                    begin = steps.raised + ms(draw, 0, 1500)
                    spans = [(begin, begin + ms(draw, 30, 1500))]
                    plant.contributions.append(Contribution(point, it.id, spans, "leak"))
                continue
            brought = [by_key[name, point] for name in active if (name, point) in by_key]
            brought = [row for row in brought if row.behaviour is not Behaviour.QUIET]
            if not brought:
                continue
            row = own or brought[0]
            spans = _healthy(draw, row, steps, plant.end)
            if draw.random() < plan.fault_rate:
                plant.contributions += _faulty(draw, plant, row, it, point, spans)
            else:
                plant.contributions.append(Contribution(point, it.id, spans))
    for _ in range(plan.strays):
        begin = START + draw.randint(0, plant.end - START)
        spans = [(begin, begin + ms(draw, 30, 2000))]
        plant.contributions.append(Contribution(draw.choice(loud_points), "", spans, "stray"))


def _spoil_neighbours(draw: Random, plant: Plant) -> None:
    """Give two stimuli, one raised right after the other, what the plan has go wrong between them on link bms."""
    site, kind = plant.site, plant.plan.neighbour
    for one, two in pairwise(plant.stimuli) if kind else ():
        here, there = f"bms.{one.alarm}", f"bms.{two.alarm}"
        first = [it for it in plant.contributions if (it.stimulus, it.point) == (one.id, here)]
        rows = {row.alarm for row in plant.rows if row.point == here}
        related = two.alarm in (one.alarm, *site.brought_along(one.alarm)) or one.alarm in site.brought_along(two.alarm)
        if related or two.alarm in rows or not any(it.spans for it in first):
            continue
        plant.pair = one.id, two.id
        of_two = {it.id for it in plant.stimuli if it.alarm == two.alarm}
        for it in plant.contributions:
            if kind == "wrong-bit" and it.stimulus in of_two and it.point == there:
                it.point, it.fault = here, kind
            elif kind == "repeat-beside-dead" and it.stimulus == two.id and it.point.startswith("bms."):
                it.spans, it.fault = [], "dead"
        if kind != "wrong-bit":
            begin = plant.steps[two.id].raised + ms(draw, 1, 300)
            first[0].spans.append((begin, begin + ms(draw, 300, 1500)))
            first[0].fault = "repeat"
        return


def _faulty(
    draw: Random, plant: Plant, row: Expectation, it: Stimulus, point: str, spans: list[Span]
) -> list[Contribution]:
    """The contribution with one fault in it."""
    fault = draw.choice(FAULTS)
    limits = row.limits
    reach = limits.search_ns if limits.appears_within_ns is None else limits.appears_within_ns
    raised = plant.steps[it.id].raised
    if not spans or fault == "dead":
        return [Contribution(point, it.id, [], fault)]
    begin, end = spans[0]
    match fault:
        case "late":
            later = raised + reach + ms(draw, 1, 1500)
            spans = [(later, max(end, later + ms(draw, 50, 1000)))]
        case "stuck":
            spans = [(begin, end + (limits.gone_within_ns or 0) + draw.choice((10, 500, 3000, 99_000)) * MS)]
        case "short":
            spans = [(begin, begin + max(1, (end - begin) * draw.randint(5, 90) // 100))]
        case "dropout":
            cut = begin + (end - begin) * draw.randint(10, 80) // 100
            spans = [(begin, cut), (min(end, cut + ms(draw, 20, 600)), end)]
        case "repeat":
            again = end + ms(draw, 50, 900)
            spans = [(begin, end), (again, again + ms(draw, 50, 900))]
        case _:
            same_link = [name for name, other in plant.points.items() if other.link == plant.points[point].link]
            return [Contribution(draw.choice([n for n in same_link if n != point] or [point]), it.id, spans, fault)]
    return [Contribution(point, it.id, spans, fault)]


def _declare_holds(draw: Random, plant: Plant) -> None:
    for name, point in list(plant.points.items()):
        spans = plant.true_on[name]
        on = min((end - begin for begin, end in spans), default=800 * MS)
        off = min((after[0] - before[1] for before, after in pairwise(spans)), default=800 * MS)
        hold = Hold(
            on_ns=max(1, on // draw.choice((1, 1, 3))),
            off_ns=max(1, off // draw.choice((1, 1, 3))),
            on_declared=True,
            off_declared=True,
        )
        if on >= HOLD_ASSUMED_NS and off >= HOLD_ASSUMED_NS and draw.random() < 0.3:
            hold = Hold()
        place = Point(name=name, link=point.link, place=point.place, hold=hold, origin=AT)
        plant.points[name] = place
        for number, row in enumerate(plant.rows):
            if row.point == name and row.behaviour is Behaviour.QUIET and row.limits.leak_ns > on:
                limits = Limits(
                    search_ns=row.limits.search_ns, gone_within_ns=row.limits.gone_within_ns,
                    settle_ns=row.limits.settle_ns, leak_ns=on,
                )  # fmt: skip
                plant.rows[number] = Expectation(
                    key=row.key, alarm=row.alarm, point=name, behaviour=row.behaviour, limits=limits, origin=AT
                )


# --- what was seen ---------------------------------------------------------------------------------


def _listen(draw: Random, noise: Random, plant: Plant) -> None:
    outages: dict[str, list[Span]] = {name: [] for name in plant.links}
    for _ in range(plant.plan.outages):
        begin = START - 500 * MS + draw.randint(0, plant.end - START)
        outages[draw.choice(list(plant.links))].append((begin, begin + ms(draw, 300, 6000)))
    if plant.plan.blind_whole:
        outages["bms"].append((START - 3000 * MS, plant.end - 500 * MS))
    for link in plant.links:
        down = merged(outages[link])
        plant.blind += [BlindTime(link=link, span=Bounds(*span), why="no answer") for span in down]
        mine = [name for name, point in plant.points.items() if point.link == link]
        if isinstance(plant.links[link], TextLink):
            _print(draw, noise, plant, mine, down)
        else:
            _poll(draw, noise, plant, mine, down)


def _poll(draw: Random, noise: Random, plant: Plant, points: Sequence[str], down: Sequence[Span]) -> None:
    period = draw.choice((20, 50, 100, 100, 300, 700)) * MS
    jitter, exchange = draw.choice((0, 5, 30)) * MS, draw.choice((1, 5, 40)) * MS
    asked: list[int] = []
    told: list[int] = []
    held: list[int] = []
    due, free = START - 1000 * MS + noise.randint(0, period), 0
    while due < plant.end:
        begin = max(free, due + noise.randint(0, jitter))
        finish = begin + noise.randint(1 + exchange // 4, exchange)
        if finish > plant.end:
            break
        due, free = due + period, finish + 1
        if any(begin <= stop and finish >= start for start, stop in down) or noise.random() < plant.plan.loss:
            continue
        asked.append(begin)
        told.append(finish)
        held.append(noise.randint(begin, finish))
    plant.gap_ns |= dict.fromkeys(points, period + jitter + exchange)
    lo, hi, at = (np.array(column, dtype=np.int64) for column in (asked, told, held))
    for name in points:
        on = np.zeros(len(at), dtype=np.bool_)
        for start, stop in plant.true_on[name]:
            on |= (at >= start) & (at < stop)
        if len(at):
            plant.traces[name] = Trace.from_states(name, lo, hi, on)


def _print(draw: Random, noise: Random, plant: Plant, points: Sequence[str], down: Sequence[Span]) -> None:
    spec = plant.links["log"]
    assert isinstance(spec, TextLink)
    delay = spec.longest_delay_ns or 0
    events = [(at, f"{word} {name}") for name in points for span in plant.true_on[name]
              for at, word in zip(span, ("ON", "OFF"), strict=True) if at < plant.end]  # fmt: skip
    events += [(at, "LINE OK") for at in range(START - 1000 * MS, plant.end, 300 * MS)]
    lines: list[Message] = []
    last = 0
    for at, text in sorted(events):
        first = max(last + 1, at + noise.randint(0, max(0, delay - 30 * MS)))
        last = first + noise.randint(0, MS)
        lost = not spec.promises_every_change and noise.random() < plant.plan.loss
        if not lost and not any(first <= stop and last >= start for start, stop in down):
            lines.append(Message(first_ns=first, last_ns=last, data=text.encode()))
    states = [StateChange(at_ns=START - 2000 * MS, state=LinkState.UP, why="")]
    for start, stop in down:
        states += [
            StateChange(at_ns=start, state=LinkState.DOWN, why=""),
            StateChange(at_ns=stop, state=LinkState.UP, why=""),
        ]
    plant.gap_ns |= dict.fromkeys(points, delay + 302 * MS)
    for name in points:
        place = plant.points[name].place
        assert isinstance(place, TextPlace)
        trace = text_trace(name, place, spec, lines, states, START - 2000 * MS, plant.end)
        if len(trace):
            plant.traces[name] = trace
