"""A bench on which a small site, what its points really did, and how they were polled are put together by hand.

All times are given in milliseconds from the start of the run. The bench polls every link every 100 ms, an answer takes
5 ms, and every sample is what the point really was in the middle of its poll.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence

import numpy as np

from harness.core.errors import Origin
from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.links import BacnetLink, ModbusTcpLink, TextLink
from harness.core.model import (
    Alarm,
    AlarmClass,
    Behaviour,
    Expectation,
    Hold,
    Judgement,
    Limits,
    Point,
    Result,
    Site,
    Step,
    Stimulus,
)
from harness.core.places import (
    Arrival,
    BacnetPlace,
    ModbusPlace,
    Numbering,
    ObjectType,
    Place,
    Table,
    TextPlace,
)
from harness.core.trace import Trace
from harness.correlate.engine import correlate
from harness.correlate.evidence import BlindTime, Evidence, Neighbour

MS = NS_PER_MS
AT = Origin(file="bench.yaml", line=1)
START = 1_000 * NS_PER_S
DECLARED = Hold(on_ns=200 * MS, off_ns=200 * MS, on_declared=True, off_declared=True)
LIMITS = Limits(appears_within_ns=1000 * MS, gone_within_ns=1000 * MS, search_ns=4000 * MS, settle_ns=500 * MS)


def at_ms(ms: float) -> int:
    """An instant of the run's clock, from milliseconds since the start of the run."""
    return START + round(ms * MS)


class Bench:
    """Say what there is and what happened, then :meth:`judge`."""

    def __init__(self) -> None:
        self.end_ms = 60_000.0
        self.period_ms = 100.0
        self.answer_ms = 5.0
        self.alarms: dict[str, Alarm] = {}
        self.points: dict[str, Point] = {}
        self.rows: list[Expectation] = []
        self.stimuli: list[Stimulus] = []
        self.was_on: dict[str, list[tuple[float, float]]] = defaultdict(list)
        self.unmapped: list[tuple[str, ModbusPlace, list[tuple[float, float]]]] = []
        self.blind: list[tuple[str, float, float, str]] = []
        self.unread: set[str] = set()
        self.text_links: set[str] = set()
        self.device_links: set[str] = set()

    def alarm(
        self,
        name: str,
        *,
        kind: AlarmClass = AlarmClass.ALARM,
        brings: Sequence[str] = (),
        reference: str | None = None,
    ) -> None:
        """An alarm of the controller."""
        self.alarms[name] = Alarm(
            name=name,
            alarm_class=kind,
            priority=None,
            text=name.upper(),
            side_effects=(),
            also_raises=tuple(brings),
            reference=reference,
            origin=AT,
        )

    def point(self, name: str, place: Place, *, link: str = "bms", hold: Hold = DECLARED, written: str = "") -> None:
        """A point of a link."""
        if isinstance(place, TextPlace):
            self.text_links.add(link)
        elif isinstance(place, BacnetPlace):
            self.device_links.add(link)
        elif not written and isinstance(place, ModbusPlace) and place.table is Table.DISCRETE_INPUT:
            written = str(10001 + place.address)
        self.points[name] = Point(name=name, link=link, place=place, hold=hold, written=written, origin=AT)

    def input(self, name: str, address: int, *, link: str = "bms", hold: Hold = DECLARED) -> None:
        """A discrete input."""
        self.point(name, ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=address), link=link, hold=hold)

    def bit(self, name: str, address: int, bit: int, *, link: str = "bms") -> None:
        """A bit of a holding register."""
        place = ModbusPlace(unit=1, table=Table.HOLDING_REGISTER, address=address, bit=bit)
        self.point(name, place, link=link, written=f"{40001 + address}.{bit}")

    def object(self, name: str, instance: int, arrives: Arrival = Arrival.POLL, *, link: str = "building") -> None:
        """A binary input of a BACnet device."""
        place = BacnetPlace(object_type=ObjectType.BINARY_INPUT, instance=instance, arrives=arrives)
        self.point(name, place, link=link, written=f"binary-input {instance}")

    def row(
        self,
        alarm: str,
        point: str,
        behaviour: Behaviour = Behaviour.FOLLOWS,
        limits: Limits = LIMITS,
        released_by: Step = Step.ACKNOWLEDGE,
    ) -> str:
        """An expectation; its key."""
        row = Expectation(
            key=f"{alarm}@{point}",
            alarm=alarm,
            point=point,
            behaviour=behaviour,
            limits=limits,
            released_by=released_by,
            origin=AT,
        )
        self.rows.append(row)
        return row.key

    def inputs(self, count: int, *, link: str = "bms", first: int = 0) -> list[str]:
        """Alarms a0, a1, … each expected at its own discrete input of the link; their names."""
        names = [f"a{number}" for number in range(count)]
        for number, name in enumerate(names):
            if name not in self.alarms:
                self.alarm(name)
            self.input(f"{link}.{name}", first + number, link=link)
            self.row(name, f"{link}.{name}")
        return names

    def raised(
        self,
        alarm: str,
        ms: float,
        *,
        clear: float | None = None,
        silence: float | None = None,
        acknowledge: float | None = None,
        reset: float | None = None,
        width: float = 10,
        proven: bool = True,
    ) -> str:
        """A stimulus; its id. Every step is known within ``width``, and really came in the middle of it."""

        def step(at: float | None) -> Bounds | None:
            return None if at is None else Bounds(at_ms(at - width / 2), at_ms(at + width / 2))

        number = f"s{len(self.stimuli) + 1}"
        raised = step(ms)
        assert raised is not None
        self.stimuli.append(
            Stimulus(
                id=number,
                alarm=alarm,
                raised=raised,
                cleared=step(clear),
                silenced=step(silence),
                acknowledged=step(acknowledge),
                reset=step(reset),
                proven=proven,
            )
        )
        return number

    def on(self, point: str, start: float, stop: float | None = None) -> None:
        """The point was really on from start to before stop (to the end, where there is none)."""
        self.was_on[point].append((start, self.end_ms + 10_000 if stop is None else stop))

    def unmapped_on(self, place: ModbusPlace, *spans: tuple[float, float], link: str = "bms") -> None:
        """A place that no point maps was really on in these spans."""
        self.unmapped.append((link, place, list(spans)))

    def blind_from(self, link: str, start: float, stop: float, why: str = "no answer within 500 ms") -> None:
        """The link was not observed."""
        self.blind.append((link, start, stop, why))

    def trace(self, name: str, link: str, spans: Iterable[tuple[float, float]]) -> Trace:
        """What polling saw of a place that was on in these spans."""
        asked = np.arange(0, self.end_ms, self.period_ms)
        for blind_link, start, stop, _ in self.blind:
            if blind_link == link:
                asked = asked[(asked + self.answer_ms < start) | (asked > stop)]
        seen = asked + self.answer_ms / 2
        on = np.zeros(len(asked), dtype=np.bool_)
        for start, stop in spans:
            on |= (seen >= start) & (seen < stop)
        lo = np.array([at_ms(ms) for ms in asked], dtype=np.int64)
        hi = np.array([at_ms(ms + self.answer_ms) for ms in asked], dtype=np.int64)
        return Trace.from_states(name, lo, hi, on)

    def site(self) -> Site:
        """The site file."""
        links = sorted({point.link for point in self.points.values()} | {link for link, *_ in self.unmapped})
        return Site(
            name="bench",
            title="",
            controller="",
            firmware="",
            links={name: self._link(name) for name in links},
            points=self.points,
            alarms=self.alarms,
            side_effects={},
            writable=(),
            expectations=tuple(self.rows),
        )

    def _link(self, name: str) -> ModbusTcpLink | TextLink | BacnetLink:
        if name in self.text_links:
            return TextLink(name=name, host="127.0.0.1", tcp_port=1, origin=AT)
        if name in self.device_links:
            period_ns = round(self.period_ms * MS)
            return BacnetLink(
                name=name, host="127.0.0.1", device=1, poll_period_ns=period_ns, timeout_ns=500 * MS, origin=AT
            )
        return ModbusTcpLink(
            name=name,
            host="127.0.0.1",
            port=502,
            numbering=Numbering.REFERENCE,
            poll_period_ns=round(self.period_ms * MS),
            timeout_ns=500 * MS,
            origin=AT,
        )

    def evidence(self) -> Evidence:
        """Everything that was done and seen."""
        read = [name for name in self.points if name not in self.unread]
        return Evidence(
            stimuli=tuple(self.stimuli),
            traces={name: self.trace(name, self.points[name].link, self.was_on[name]) for name in read},
            neighbours=tuple(
                Neighbour(link=link, place=place, trace=self.trace("", link, spans))
                for link, place, spans in self.unmapped
            ),
            blind=tuple(
                BlindTime(link=link, span=Bounds(at_ms(start), at_ms(stop)), why=why)
                for link, start, stop, why in self.blind
            ),
        )

    def judge(self) -> Judgement:
        """The judgement of it all."""
        return correlate(self.site(), self.evidence())

    def healthy(self, names: Sequence[str], *, links: Sequence[str] = ("bms",), every: float = 3000) -> None:
        """Each alarm is raised in turn for a second, and shows at its own point 150 ms later."""
        for number, name in enumerate(names):
            start = 1000 + number * every
            self.raised(name, start, clear=start + 1000)
            for link in links:
                self.on(f"{link}.{name}", start + 150, start + 1150)


def one(judgement: Judgement, key: str) -> Result:
    """The one result of an expectation."""
    found = [it for it in judgement.results if it.expectation == key]
    assert len(found) == 1, f"{key}: {len(found)} results, expected 1"
    return found[0]


def codes(judgement: Judgement) -> dict[str, list[str]]:
    """The codes of the causes of every result that has any, by expectation and stimulus."""
    return {
        f"{it.expectation}/{it.stimulus}": [cause.code for cause in it.causes] for it in judgement.results if it.causes
    }
