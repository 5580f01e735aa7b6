"""The way of an alarm to each row of a point map, step by step, as the site file declares it: what ``budget`` walks."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from fractions import Fraction
from typing import Final

from harness.core.durations import duration
from harness.core.instants import Bounds
from harness.core.links import (
    BacnetLink,
    BusWay,
    LinkSpec,
    ModbusRtuLink,
    ModbusTcpLink,
    MqttLink,
    PersonLink,
)
from harness.core.model import Behaviour, Expectation, Point, Site, Step
from harness.core.paths import told_delay_ns
from harness.core.places import Arrival, BacnetPlace, CurrentLoop, ModbusPlace, ObjectPart, OnWhen
from harness.measure import budget_steps as steps
from harness.measure.budget import Hop, Watcher, Way
from harness.measure.budget_damping import Damping
from harness.report.budget_words import range_words, seconds_words, span_words
from harness.run.poll_cycle import bus_cycle, line_of, range_of, seconds, tcp_cycle

FAREND: Final = "farend"
BUILDING: Final = "building system"
OPTIMISTIC: Final = "not declared, taken as 0 s (optimistic)"
_HELD: Final = (Behaviour.UNTIL_ACKNOWLEDGED, Behaviour.LATCHED)


def way_of(site: Site, row: Expectation, dead: Collection[str] = ()) -> Way:
    """The way to one row. ``dead``: buses on which one unit is taken to be dead all the time."""
    return _Builder(site, row, dead).way()


class _Builder:
    def __init__(self, site: Site, row: Expectation, dead: Collection[str]) -> None:
        self.site = site
        self.dead = dead
        self.row = row
        self.point: Point = site.points[row.point]
        self.assumed: list[str] = []

    def way(self) -> Way:
        hops = tuple(self._to_point())
        return Way(hops=hops, watchers=tuple(self._watchers()), assumed=tuple(dict.fromkeys(self.assumed)))

    # --- up to the point ---

    def _to_point(self) -> Iterable[Hop]:
        link = self.point.link
        chain = [*reversed(self.site.before(link)), link]
        held_at = self._held_at(chain)
        for number, name in enumerate(chain):
            if number:
                yield self._device_poll(name, chain[number - 1])
            is_last = number == len(chain) - 1
            delays = is_last and self._has_time_delay()
            if number == held_at and not delays:
                yield from self._holding()
            yield from self._output_delay(name)
            if is_last:
                yield from self._damping()
            if delays:
                yield self._time_delay()
                yield from self._holding()

    def _held_at(self, chain: list[str]) -> int:
        """Where on the chain the row's behaviour is made: at its own device, or before where the same alarm is held
        there already. Nobody declares it; the latest place promises the least.
        """
        for number, name in enumerate(chain[:-1]):
            for other in self.site.expectations_of(self.row.alarm):
                if self.site.points[other.point].link == name and other.behaviour is self.row.behaviour:
                    return number
        return len(chain) - 1

    def _holding(self) -> Iterable[Hop]:
        limits, behaviour = self.row.limits, self.row.behaviour
        if behaviour in _HELD:
            what = "silenced or acknowledged" if self.row.released_by is Step.SILENCE else "acknowledged"
            what = "cleared and reset" if self.row.released_by is Step.RESET else what
            yield Hop(words=f"held until {what}", step=steps.OwnLength())
        elif behaviour is Behaviour.PULSE:
            hold = self.point.hold
            own_ns = limits.visible_for_ns or (hold.on_ns if hold.on_declared else None)
            if own_ns is None:
                self.assumed.append(f"{self.point.link}: length of a pulse not declared, taken as that of the alarm")
            else:
                yield Hop(words=f"pulse of {duration(own_ns)}", step=steps.OwnLength(length=seconds(own_ns)))
        elif limits.dwell_ns:
            yield Hop(
                words=f"holds on for {duration(limits.dwell_ns)}", step=steps.Dwell(time=seconds(limits.dwell_ns))
            )

    def _output_delay(self, name: str) -> Iterable[Hop]:
        declared = self.site.times_of(name).output_delay
        if declared is None:
            self.assumed.append(f"{name}: output delay {OPTIMISTIC}")
        else:
            yield Hop(words=f"output of {name}: {span_words(declared)}", step=steps.Delay(time=range_of(declared)))

    def _device_poll(self, name: str, source: str) -> Hop:
        times, spec = self.site.times_of(name), self.site.links[source]
        declared_ns = times.device_poll_ns
        bus = None
        if isinstance(spec, ModbusRtuLink) and spec.way is BusWay.RECEIVE_ONLY:
            bus = bus_cycle(self.site, spec)  # the gateway is the master that farend overhears
        needs = bus.poll if bus is not None and bus.is_known else None
        if declared_ns is None and needs is None:
            self.assumed.append(f"{name}: how often it polls {source} is {OPTIMISTIC}")
            return Hop(words=f"{name} polls {source}: {OPTIMISTIC}", step=steps.Told(time=steps.NOTHING))
        declared = seconds(declared_ns or 0)
        answer = range_of(self.site.times_of(source).round_trip)
        poll = _no_faster(declared, needs or steps.Poll(period=steps.Range.exactly(declared), answer=answer))
        if declared_ns is None and not getattr(spec, "poll_period_ns", 0):
            self.assumed.append(f"{name}: how often it polls {source} not declared, taken as the least of the line")
        dead = _no_faster(declared, bus.with_dead) if bus is not None and bus.with_dead is not None else None
        return self._polled(f"{name} polls {source}", source, poll, dead)

    def _damping(self) -> Iterable[Hop]:
        place = self.point.place
        loop: CurrentLoop | None = getattr(place, "loop", None)
        if loop is None:
            return
        when, threshold = getattr(place, "on_when", None), getattr(place, "threshold", None)
        if loop.damping_ns is None:
            self.assumed.append(f"loop {loop.name}: damping {OPTIMISTIC}")
        elif not loop.damping_ns:
            return
        elif when not in (OnWhen.ABOVE, OnWhen.BELOW) or threshold is None:
            self.assumed.append(f"loop {loop.name}: damping is left out of failure currents")
        elif loop.rest is None or self.row.driven_to is None:
            missing = "at rest" if loop.rest is None else "driven to"
            self.assumed.append(f"loop {loop.name}: {missing} not declared, so damping is taken as 0 s (optimistic)")
        else:
            low, high = loop.rest
            rest = f"{low:g}" if low == high else f"{low:g} to {high:g}"
            words = f"damping {duration(loop.damping_ns)}: from {rest} towards {self.row.driven_to:g} {loop.units}"
            yield Hop(
                words=f"{words}, on {when.value} {threshold:g}",
                step=Damping(
                    tau=seconds(loop.damping_ns), rest=loop.rest, driven_to=self.row.driven_to, threshold=threshold
                ),
            )

    def _has_time_delay(self) -> bool:
        place = self.point.place
        parts = (ObjectPart.EVENT_STATE, ObjectPart.IN_ALARM)
        return isinstance(place, BacnetPlace) and (place.arrives is Arrival.EVENT or place.part in parts)

    def _time_delay(self) -> Hop:
        times, row = self.site.times_of(self.point.link), self.row
        on_ns = times.time_delay_ns if row.time_delay_ns is None else row.time_delay_ns
        off_ns = times.time_delay_normal_ns if row.time_delay_normal_ns is None else row.time_delay_normal_ns
        if on_ns is None:
            self.assumed.append(f"{self.point.link}: Time_Delay {OPTIMISTIC}")
            on_ns = 0
        off_ns = on_ns if off_ns is None else off_ns
        words = f"Time_Delay {duration(on_ns)}, Time_Delay_Normal {duration(off_ns)}"
        return Hop(words=words, step=steps.OnDelay(on=seconds(on_ns), off=seconds(off_ns)))

    # --- from the point on ---

    def _watchers(self) -> Iterable[Watcher]:
        spec = self.site.links[self.point.link]
        overheard = isinstance(spec, ModbusRtuLink) and spec.way is BusWay.RECEIVE_ONLY
        name = f"{FAREND} and the master of the bus" if overheard else FAREND
        yield Watcher(name=name, hops=tuple(self._farend(spec)))
        read_ns = self.site.times_of(self.point.link).read_every_ns
        # What is told is told to the building system too, if it is told at all.
        if read_ns is not None and told_delay_ns(spec, self.point.place) is None:
            yield Watcher(name=BUILDING, hops=(self._building(spec, read_ns),))

    def _farend(self, spec: LinkSpec) -> Iterable[Hop]:
        place = self.point.place
        told_ns = told_delay_ns(spec, place)
        if told_ns is not None:
            yield self._told(spec, told_ns)
        elif isinstance(spec, PersonLink):
            yield _person(spec)
        elif isinstance(spec, ModbusRtuLink):
            yield self._bus(spec)
        elif isinstance(spec, ModbusTcpLink | BacnetLink):
            if self.site.times_of(spec.name).round_trip is None:
                self.assumed.append(f"{spec.name}: round trip {OPTIMISTIC}")
            cycle = tcp_cycle(self.site, spec)
            yield Hop(words=f"{spec.name} polled by {FAREND} every {range_words(cycle.poll.period)}", step=cycle.poll)
        loop: CurrentLoop | None = getattr(place, "loop", None)
        if loop is not None and getattr(place, "on_when", None) in (OnWhen.FAILURE_HIGH, OnWhen.FAILURE_LOW):
            words = f"a failure current counts after {duration(loop.persistence_ns)} (NAMUR NE 43)"
            yield Hop(words=words, step=steps.OnDelay(on=seconds(loop.persistence_ns), off=Fraction(0)))

    def _told(self, spec: LinkSpec, told_ns: int) -> Hop:
        declared = getattr(spec, "longest_delay_ns", None)
        if declared is None:
            self.assumed.append(f"{spec.name}: longest delay {OPTIMISTIC}")
        if not getattr(spec, "promises_every_change", False):
            self.assumed.append(f"{spec.name}: taken to tell every change, which it does not promise (optimistic)")
        what = "published" if isinstance(spec, MqttLink) else "printed"
        if isinstance(spec, BacnetLink):
            what = "told by COV" if getattr(self.point.place, "arrives", None) is Arrival.COV else "told by event"
        within = "at once" if not told_ns else f"within {duration(told_ns)}"
        time = steps.Range.between(Fraction(0), seconds(told_ns))
        return Hop(words=f"{what} by {spec.name} {within}", step=steps.Told(time=time))

    def _bus(self, spec: ModbusRtuLink) -> Hop:
        if line_of(self.site, spec) is None:
            self.assumed.append(f"{spec.name}: line behind the device server not declared, wire time taken as 0 s "
                                "(optimistic)")  # fmt: skip
        if self.site.times_of(spec.name).answer_time is None:
            self.assumed.append(f"{spec.name}: answer time {OPTIMISTIC}")
        if spec.host is not None and self.site.times_of(spec.name).round_trip is None:
            self.assumed.append(f"{spec.name}: round trip {OPTIMISTIC}")
        place = self.point.place
        cycle = bus_cycle(self.site, spec, place.unit if isinstance(place, ModbusPlace) else None)
        if spec.way is BusWay.RECEIVE_ONLY and self.site.times_of(spec.name).retries is None:
            self.assumed.append(f"{spec.name}: retries of the master not declared, taken as none (optimistic)")
        if not cycle.is_known:
            self.assumed.append(f"{spec.name}: cycle of the master {OPTIMISTIC}")
            words = f"{spec.name} read by its master (overheard): {OPTIMISTIC}"
            return Hop(words=words, step=steps.Told(time=steps.NOTHING), with_dead=cycle.with_dead)
        if spec.way is BusWay.RECEIVE_ONLY and not spec.poll_period_ns:
            text = f"{spec.name}: cycle of the master not declared, taken as the least that the line needs for the "
            self.assumed.append(f"{text}mapped points (optimistic)")
        who = (
            f"{spec.name} read by its master (overheard)"
            if spec.way is BusWay.RECEIVE_ONLY
            else f"{spec.name} polled by {FAREND}"
        )
        wire = ""
        if cycle.wire is not None:
            reads = f"{cycle.requests} read{'s' * (cycle.requests != 1)}"
            wire = f" ({reads}: {seconds_words(cycle.wire)} on the line)"
        return self._polled(who, spec.name, cycle.poll, cycle.with_dead, wire)

    def _building(self, spec: LinkSpec, read_ns: int) -> Hop:
        answer = range_of(self.site.times_of(spec.name).round_trip)
        poll = steps.Poll(period=steps.Range.exactly(seconds(read_ns)), answer=answer)
        dead: steps.Poll | None = None
        if isinstance(spec, ModbusRtuLink):
            cycle = bus_cycle(self.site, spec)
            poll, dead = _no_faster(seconds(read_ns), cycle.poll), cycle.with_dead
            dead = None if dead is None else _no_faster(seconds(read_ns), dead)
        return self._polled(f"{spec.name} read by {BUILDING}", spec.name, poll, dead)

    def _polled(self, who: str, link: str, poll: steps.Poll, dead: steps.Poll | None, more: str = "") -> Hop:
        """A poll, with a dead unit where one is asked for."""
        if dead is not None and link in self.dead:
            words = f"{who} every {range_words(dead.period)}, with one dead unit"
            return Hop(words=words, step=dead)
        return Hop(words=f"{who} every {range_words(poll.period)}{more}", step=poll, with_dead=dead)


def _person(spec: PersonLink) -> Hop:
    if not spec.in_sight:
        words = "a person walks there and finds what is held; no time is told"
        return Hop(words=words, step=steps.Noticed(surely=steps.HELD, time=steps.NOTHING))
    reaction = Bounds(spec.reaction_min_ns, spec.reaction_max_ns)
    noticed = seconds_words(seconds(spec.noticed_ns))
    words = f"a person reports it in {span_words(reaction)}, and notices what shows for {noticed}"
    return Hop(words=words, step=steps.Noticed(surely=seconds(spec.noticed_ns), time=range_of(reaction)))


def _no_faster(declared: Fraction, poll: steps.Poll) -> steps.Poll:
    """A poll that was declared, and that the bus can be slower than."""
    period = poll.period
    return steps.Poll(
        period=steps.Range(
            least=max(declared, period.least), usual=max(declared, period.usual), most=max(declared, period.most)
        ),
        answer=poll.answer,
    )
