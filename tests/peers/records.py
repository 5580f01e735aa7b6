"""Records made by hand: what was raised when, and what the outputs showed, in a time that the test sets."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.core.model import Step
from harness.core.places import Sign, Table
from harness.links.base import Block, LinkState
from harness.links.person_messages import Said, encode
from harness.record.header import Header, HostClock, Json
from harness.record.writer import RecordWriter
from harness.results.judging import ENTRY_KEY, MAP_KEY, PLAN_EVENT, RESUMES_KEY
from harness.results.steps import STEP_EVENT, StepDone
from harness.site.reading import read_site

MS, S = NS_PER_MS, NS_PER_S
START_NS = 50_000 * S
STARTED_UTC_NS = 1_795_564_267_482_113_007
"""2026-11-24 23:51:07.482 UTC."""

SITE = r"""
site: ashby
title: Ashby pumping station (invented)
controller: {name: c}
links:
  bms: {modbus-tcp: "127.0.0.1:9", numbering: from-0, poll every: 100 ms, timeout: 200 ms, shortest on: 300 ms,
        shortest off: 300 ms}
  log: {text+tcp: "127.0.0.1:9", raised: '(?P<time>\d\d-\d\d \d\d:\d\d:\d\d) ON  {text}',
        cleared: '(?P<time>\d\d-\d\d \d\d:\d\d:\d\d) OFF {text}', printed time: '%d-%m %H:%M:%S', longest delay: 300 ms,
        promises every change: yes}
  door: {person: beside the door, reaction within: 400 ms}
defaults: {appears within: 1 s, gone within: 2 s, search: 8 s, settle: 400 ms}
alarms:
  a.high-high: {text: A HIGH HIGH, side effects: none, also raises: a.high}
  a.high: {text: A HIGH, side effects: none}
  a.low: {text: A LOW, side effects: none}
  b.leak: {text: B LEAK, side effects: none, lasts: 2 s +/- 100 ms}
points:
  - {alarm: a.high-high, link: bms, table: discrete-input, address: 0, behaviour: follows, point: hh}
  - {alarm: a.high, link: bms, table: discrete-input, address: 1, behaviour: follows, point: high}
  - {alarm: a.low, link: bms, table: discrete-input, address: 2, behaviour: follows, point: low}
  - {alarm: b.leak, link: bms, table: discrete-input, address: 3, behaviour: follows, point: leak}
  - {alarm: a.low, link: door, sign: lamp, label: common, behaviour: follows, point: lamp, appears within: 5 s}
  - {alarm: a.low, link: log, behaviour: follows, point: low-printed}
"""
BITS = {"a.high-high": 0, "a.high": 1, "a.low": 2, "b.leak": 3, "no row": 5}
"""By alarm; the last one is in no row of the point map."""


@dataclass
class RecordMaker:
    """Enters steps at seconds after the start; what the inputs show is made into polls at the end."""

    path: Path
    seconds: int = 60
    utc_offset_s: int = 3600
    started_utc_ns: int = STARTED_UTC_NS
    text: str = SITE
    resumes: Sequence[str] = ()
    """Names of records that this one goes on from."""
    host_clock: HostClock | None = None
    """What the kernel said of the machine's clock, None for this machine's."""
    set_ahead_s: float = 0.0
    """So far the machine's clock was set ahead once the record had begun."""
    up: Sequence[str] = ("bms", "log", "door")
    _now: list[int] = field(default_factory=lambda: [START_NS])
    _shown: list[tuple[int, int, int]] = field(default_factory=list)
    _hidden: list[tuple[int, int]] = field(default_factory=list)
    _later: list[tuple[int, Callable[[], None]]] = field(default_factory=list)

    def __post_init__(self) -> None:
        def clock() -> int:
            return self._now[0]

        def utc() -> int:
            ahead_ns = round(self.set_ahead_s * S) if self._now[0] > START_NS else 0
            return self.started_utc_ns + self._now[0] - START_NS + ahead_ns

        extra: dict[str, Json] = {ENTRY_KEY: "site.yaml", MAP_KEY: "", RESUMES_KEY: list(self.resumes)}
        header = Header.now(clock, site="ashby", operator="A. Technician", extra=extra, utc_clock=utc)
        header = replace(header, utc_offset_s=self.utc_offset_s)
        if self.host_clock is not None:
            header = replace(header, host_clock=self.host_clock)
        files = {"site.yaml": self.text.encode()}
        self.site = read_site(files, "site.yaml")[0]
        self.writer = RecordWriter.create(self.path, header, files, clock, utc_clock=utc)
        self.writer.block(Block(id=1, link="bms", unit=1, table=Table.DISCRETE_INPUT, address=0, count=8))
        for link in self.up:
            self.writer.link_state(link, START_NS, LinkState.UP, "connected")

    def plan(self, *alarms: str, links: Sequence[str] = ("bms",)) -> None:
        rows: list[Json] = []
        of: dict[str, Json] = {}
        for row in self.site.expectations:
            if row.alarm in alarms and self.site.points[row.point].link in links:
                rows.append(row.key)
                of[row.alarm] = list(links)
        self.writer.event(PLAN_EVENT, START_NS, {"rows": rows, "links": of})

    def at(self, seconds: float) -> int:
        return START_NS + int(seconds * S)

    def step(
        self, stimulus: str, alarm: str, step: Step, seconds: float, *, proven: bool = True, how: str = "by hand"
    ) -> None:
        at = Bounds(self.at(seconds), self.at(seconds) + 20 * MS)
        done = StepDone(stimulus=stimulus, alarm=alarm, step=step, at=at, proven=proven, how=how)
        self.writer.event(STEP_EVENT, at.hi, done.to_data())

    def stimulus(self, stimulus: str, alarm: str, raised: float, cleared: float | None, *, shows: str = "own") -> None:
        """Raised and cleared; ``shows``: the alarm at whose input it shows 200 ms later, 'own' or '' for nowhere."""
        self.step(stimulus, alarm, Step.RAISE, raised)
        if cleared is not None:
            self.step(stimulus, alarm, Step.CLEAR, cleared)
        shown = alarm if shows == "own" else shows
        if shown:
            end = cleared if cleared is not None else float(self.seconds)
            self._shown.append((BITS[shown], self.at(raised + 0.2), self.at(end + 0.2)))

    def shows(self, alarm: str, begins: float, ends: float) -> None:
        """The input of an alarm shows it, and nobody raised it."""
        self._shown.append((BITS[alarm], self.at(begins), self.at(ends)))

    def hides(self, begins: float, ends: float) -> None:
        """Nobody reads the inputs meanwhile."""
        self._hidden.append((self.at(begins), self.at(ends)))

    def said(self, number: int, label: str, seconds: float, *, on: bool) -> None:
        at = self.at(seconds)
        said = Said(id=number, sign=Sign.LAMP, label=label, on=on, is_change=True)
        self.writer.message("door", at, at, encode(said))

    def line(self, seconds: float, text: str) -> None:
        self.writer.message("log", self.at(seconds), self.at(seconds) + 5 * MS, text.encode())

    def event(self, kind: str, seconds: float, **data: Json) -> None:
        self.writer.event(kind, self.at(seconds), data)

    def polls(self) -> None:
        for number in range(self.seconds * 10):
            asked = START_NS + number * 100 * MS
            if any(lo <= asked < hi for lo, hi in self._hidden):
                continue
            value = 0
            for bit, lo, hi in self._shown:
                value |= (lo <= asked < hi) << bit
            self.writer.poll(1, asked, asked + 9 * MS, bytes([value]))
        self._now[0] = START_NS + self.seconds * S

    def close(self, *, why: str = "") -> Path:
        self.polls()
        self.writer.event("end", self._now[0], {"why": why})
        self.writer.close()
        return self.path
