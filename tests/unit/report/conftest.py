"""An invented site of 28 alarms and four outputs, tested twice, in which every verdict occurs."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import fields, is_dataclass, replace
from enum import Enum
from typing import Any

import numpy as np
import pytest

from harness.core.errors import Origin
from harness.core.instants import FOREVER, NS_PER_MS, NS_PER_S, Bounds
from harness.core.ledger import Inhibit, LedgerState, LedgerTold, Notice
from harness.core.links import LinkSpec, ModbusTcpLink, TextLink
from harness.core.model import (
    Alarm,
    AlarmClass,
    Behaviour,
    Cause,
    CauseKind,
    Decision,
    Expectation,
    Hold,
    Judgement,
    Limits,
    Point,
    Result,
    SideEffect,
    Site,
    Step,
    Stimulus,
    Stray,
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
    ValueType,
)
from harness.core.trace import Trace
from harness.core.verdicts import ExitCode, Verdict, VerdictClass
from harness.measure.trials import Asked, RowTrial, RowTrials, Shown, summarise
from harness.measure.visible_time import Seen
from harness.report.document import (
    AttemptDocument,
    BlindTime,
    Changed,
    ClockStep,
    CorrectionNote,
    Difference,
    Fact,
    LinkFigures,
    ReportDocument,
    Review,
    SiteFacts,
    Source,
)
from harness.report.log_book import Ending, LogBook, LogEntry, LogRemark, LogStep, Remark
from harness.report.measured import Measured, MeasuredRecord
from harness.report.repeated import Repeated
from harness.report.timeline import timeline_of

MS, S = NS_PER_MS, NS_PER_S
AT = Origin(file="hollowmere.yaml", line=1)
TANK = ("high-high", "high", "low", "low-low", "water", "temperature-high")
ALARMS = (
    *(f"bulk-a.{name}" for name in TANK),
    *(f"bulk-b.{name}" for name in TANK),
    *(f"day.{name}" for name in TANK[:4]),
    *("bulk-a.interstitial-leak", "bulk-b.interstitial-leak", "sump-a.leak", "sump-b.leak", "fill-sump.splash"),
    *("bulk-a.probe-fault", "bulk-b.probe-fault", "day.probe-fault"),
    *("bulk-a.delivery-due", "bulk-b.delivery-due", "printer.paper-low", "panel.battery-low"),
)
EFFECTS = {
    "bulk-a.high-high": ("close-fill-valve-a",),
    "bulk-a.low-low": ("stop-transfer-pump-a",),
    "day.high-high": ("close-day-inlet",),
    "day.low-low": ("start-standby-pump",),
}
STARTED_UTC_NS = 1_795_564_267_482_113_007
ANCHOR_NS = 40_000 * S
TROUBLE = {
    "bulk-a.high@bms.bulk-a.high": Verdict.LATE,
    "bulk-a.low@bms.bulk-a.low": Verdict.MISSED,
    "bulk-a.low-low@printer.bulk-a.low-low": Verdict.MISSED,
    "bulk-a.water@bms.bulk-a.water": Verdict.CROSSED,
    "bulk-b.high@bms.bulk-b.high": Verdict.STUCK,
    "bulk-b.low@printer.bulk-b.low": Verdict.REPEATED,
    "sump-a.leak@bms.sump-a.leak": Verdict.BRIEF,
    "sump-b.leak@bms.sump-b.leak": Verdict.UNRESOLVED,
    "fill-sump.splash@bms.fill-sump.splash": Verdict.NOT_OBSERVED,
    "bulk-b.temperature-high@bms.horn": Verdict.MASKED,
    "day.high@printer.day.high": Verdict.NOT_RUN,
    "panel.battery-low@bms.panel.battery-low": Verdict.LEAKED,
    "bulk-a.interstitial-leak@bms.bulk-a.interstitial-leak": Verdict.UNRESOLVED,
    "bulk-b.interstitial-leak@bms.horn": Verdict.APPEARED,
}
SWAP = Cause(
    kind=CauseKind.ADDRESS,
    code="swapped-pair",
    text="discrete inputs 10003 and 10005 of link bms are swapped",
    evidence="bulk-a.low showed at bms.bulk-a.water, and bulk-a.water at bms.bulk-a.low, each within 0.21 to 0.32 s",
    next_check="compare rows 3 and 5 of the controller's output list with the point map",
)
BUILDING = Cause(
    kind=CauseKind.TIME,
    code="output-delay",
    text="an output delay longer than the limit",
    evidence="the reference point was on 0.41 to 0.52 s earlier",
    next_check="read the output delay that is set for this output in the controller",
)


def _alarm_class(number: int) -> AlarmClass:
    return AlarmClass.WARNING if number >= 24 else AlarmClass.FAULT if number >= 21 else AlarmClass.ALARM


def _alarm(number: int, name: str) -> Alarm:
    return Alarm(
        name=name,
        alarm_class=_alarm_class(number),
        priority=1 if number < 4 else None,
        text=name.replace(".", " ").replace("-", " ").upper(),
        side_effects=EFFECTS.get(name, ()),
        also_raises=(name.removesuffix("-high"),) if name.endswith("high-high") else (),
        lasts_ns=Bounds(1400 * MS, 1600 * MS) if 18 <= number <= 19 else None,
        reference=f"panel.{name}",
        origin=AT,
    )


def _point(link: str, name: str, place: Place, written: str, hold: Hold | None = None) -> Point:
    return Point(name=f"{link}.{name}", link=link, place=place, written=written, hold=hold or Hold(), origin=AT)


def _input(address: int) -> ModbusPlace:
    return ModbusPlace(unit=1, table=Table.DISCRETE_INPUT, address=address)


def _row(alarm: str, point: str, behaviour: Behaviour, limits: Limits) -> Expectation:
    return Expectation(key=f"{alarm}@{point}", alarm=alarm, point=point, behaviour=behaviour, limits=limits, origin=AT)


def build_site(names: tuple[str, ...] = ALARMS) -> Site:
    """The site with these alarms."""
    declared = Hold(on_ns=250 * MS, off_ns=250 * MS, on_declared=True, off_declared=True)
    points, rows = [], []
    soon = Limits(appears_within_ns=500 * MS, gone_within_ns=1 * S)
    slow = Limits(appears_within_ns=2 * S)
    for number, name in enumerate(names):
        points += [
            _point("panel", name, _input(number), f"{10001 + number}", declared),
            _point("bms", name, _input(number), f"{10001 + number}", declared),
            _point("printer", name, TextPlace(raised=rf"\d+ .* RAISED +{name.upper()}"), f"RAISED {name.upper()}"),
        ]
        quiet = _alarm_class(number) is AlarmClass.WARNING
        follows = Behaviour.QUIET if quiet else Behaviour.FOLLOWS
        rows += [
            _row(name, f"panel.{name}", Behaviour.FOLLOWS, Limits()),
            _row(name, f"bms.{name}", follows, soon),
            _row(name, f"printer.{name}", follows, slow),
        ]
        if _alarm_class(number) is AlarmClass.ALARM:
            rows.append(_row(name, "bms.horn", Behaviour.UNTIL_ACKNOWLEDGED, slow))
    latched = ModbusPlace(unit=1, table=Table.HOLDING_REGISTER, address=100, value_type=ValueType.BIT, bit=3)
    points += [
        _point("bms", "horn", ModbusPlace(unit=1, table=Table.COIL, address=0), "00001"),
        _point("bms", "latched-3", latched, "40101.3"),
    ]
    links: dict[str, LinkSpec] = {
        "panel": _modbus("panel", 15020),
        "bms": _modbus("bms", 15021),
        "printer": TextLink(name="printer", host="127.0.0.1", tcp_port=15022, longest_delay_ns=300 * MS, origin=AT),
    }
    return Site(
        name="hollowmere",
        title="Hollowmere Hospital, standby fuel plant",
        controller="plant controller (simulated)",
        firmware="3.2.1",
        links=links,
        points={point.name: point for point in points},
        alarms={name: _alarm(number, name) for number, name in enumerate(names)},
        side_effects={
            "close-fill-valve-a": _effect("close-fill-valve-a", "closes fill valve A", "a delivery in progress stops"),
            "stop-transfer-pump-a": _effect("stop-transfer-pump-a", "stops transfer pump A", "day tank is not filled"),
            "close-day-inlet": _effect("close-day-inlet", "closes the day tank inlet", "day tank is not filled"),
            "start-standby-pump": _effect("start-standby-pump", "starts the standby pump", "pump may run dry"),
        },
        writable=(),
        expectations=tuple(rows),
        notes=("limit of a row without one: no time limit, verdict 'appeared'", "poll period of bms: 100 ms"),
    )


def _modbus(name: str, port: int) -> ModbusTcpLink:
    return ModbusTcpLink(
        name=name,
        host="127.0.0.1",
        port=port,
        numbering=Numbering.REFERENCE,
        poll_period_ns=100 * MS,
        timeout_ns=1 * S,
        origin=AT,
    )


def _effect(name: str, text: str, hazard: str) -> SideEffect:
    return SideEffect(name=name, text=text, hazard=hazard, safeguard="valve in manual, operator present", origin=AT)


def _stimulus(number: int, name: str, start_ns: int, *, proven: bool = True) -> Stimulus:
    at = start_ns + number * 12 * S
    return Stimulus(
        id=f"s{number + 1}",
        alarm=name,
        raised=Bounds(at, at + 4 * MS),
        acknowledged=Bounds(at + 4 * S, at + 4 * S + 5 * MS),
        cleared=Bounds(at + 6 * S, at + 6 * S + 5 * MS),
        proven=proven,
        how="written to panel, register 40901",
        timed_by=f"panel.{name}",
    )


def _trace(point: str, stimulus: Stimulus, verdict: Verdict, jitter_ns: int) -> Trace:
    """Polls every 100 ms, each 9 ms long, of an output that shows what the verdict says."""
    start = stimulus.raised.lo - 2 * S
    lo = start + jitter_ns + np.arange(110, dtype=np.int64) * 100 * MS
    if verdict is Verdict.NOT_OBSERVED:
        lo = lo[(lo < stimulus.raised.lo - S) | (lo > stimulus.raised.lo + 7 * S)]
    if verdict is Verdict.UNRESOLVED:
        lo = lo[(lo < stimulus.raised.lo + 300 * MS) | (lo > stimulus.raised.lo + 900 * MS)]
    on_from, on_to = {
        Verdict.LATE: (1200 * MS, 6200 * MS),
        Verdict.BRIEF: (250 * MS, 700 * MS),
        Verdict.STUCK: (250 * MS, 60 * S),
        Verdict.MISSED: (FOREVER, FOREVER),
        Verdict.CROSSED: (FOREVER, FOREVER),
        Verdict.QUIET: (FOREVER, FOREVER),
    }.get(verdict, (250 * MS, 6200 * MS))
    since = lo - stimulus.raised.lo
    on = (since >= on_from) & (since < on_to)
    if verdict is Verdict.REPEATED:
        on |= (since > 7 * S) & (since < 8 * S)
    return Trace.from_states(point, lo, lo + 9 * MS, on)


def _result(row: Expectation, stimulus: Stimulus, verdict: Verdict, jitter_ns: int) -> Result:
    seen = verdict not in (Verdict.MISSED, Verdict.CROSSED, Verdict.QUIET, Verdict.NOT_OBSERVED, Verdict.NOT_RUN)
    delay = 1_190_000_003 if verdict is Verdict.LATE else 211_004_511
    onset = Bounds(stimulus.raised.hi + delay + jitter_ns, stimulus.raised.hi + delay + jitter_ns + 109 * MS)
    end = Bounds(stimulus.raised.hi + 6_140_000_000, stimulus.raised.hi + 6_249_000_000)
    if verdict is Verdict.STUCK:
        end = Bounds(stimulus.raised.hi + 10 * S, FOREVER)
    reasons = {
        Verdict.LATE: "it showed later than 500 ms after the raise in every course of events that fits what was seen",
        Verdict.MISSED: "polled without a gap wider than 110 ms until 30 s after the raise, and never on",
        Verdict.CROSSED: "not here; in this window bms.bulk-a.low showed it, which nothing else explains",
        Verdict.STUCK: "still on when the deadline, 1 s after the clear, had passed",
        Verdict.REPEATED: "a second line arrived 1.92 s after the first was cleared",
        Verdict.BRIEF: "visible for less than 1 s",
        Verdict.LEAKED: "a warning that has to stay local showed here",
        Verdict.UNRESOLVED: "fell between polls: panel.sump-b.leak shows that the alarm was up; no poll here saw it",
        Verdict.NOT_OBSERVED: "the link was down from 1.0 s before the raise until 7.0 s after it",
        Verdict.MASKED: "bulk-b.high still held the horn",
        Verdict.NOT_RUN: "the write got no answer, and register 40903 did not change",
    }
    causes = {Verdict.LATE: (BUILDING,), Verdict.CROSSED: (SWAP,), Verdict.MISSED: (SWAP,)}
    return Result(
        expectation=row.key,
        alarm=row.alarm,
        point=row.point,
        stimulus=stimulus.id,
        verdict=verdict,
        also=(Verdict.STUCK,) if verdict is Verdict.LATE else (),
        onset=onset if seen else None,
        end=end if seen else None,
        latency=Bounds(delay + jitter_ns, delay + jitter_ns + 113 * MS) if seen else None,
        visible=Bounds(end.lo - onset.hi, FOREVER if end.is_open_above else end.hi - onset.lo) if seen else None,
        attributed=seen,
        samples=62,
        widest_gap_ns=109 * MS,
        reason=reasons.get(verdict, ""),
        assumptions=("hold of 1 s, not declared",) if row.point.startswith("printer") else (),
        causes=causes.get(verdict, ()) if "printer" not in row.point else (),
    )


def build_attempt(
    site: Site,
    *,
    record: str,
    start_utc_ns: int,
    only: Callable[[Expectation], bool] = lambda _: True,
    trouble: dict[str, Verdict] = TROUBLE,
    interrupted: bool = False,
) -> AttemptDocument:
    """One attempt over the rows that ``only`` admits; ``trouble`` says which verdict each row gets, if not a pass."""
    begin = ANCHOR_NS + 5 * S
    chosen = [row for row in site.expectations if only(row)]
    number_of = {name: number for number, name in enumerate(site.alarms)}
    stimuli = {
        name: _stimulus(number_of[name], name, begin, proven=name != "day.high")
        for name in dict.fromkeys(row.alarm for row in chosen)
    }
    results, timelines = [], []
    for index, row in enumerate(chosen):
        passed = Verdict.QUIET if row.behaviour is Behaviour.QUIET else Verdict.ON_TIME
        passed = passed if row.limits.appears_within_ns is not None else Verdict.APPEARED
        verdict = trouble.get(row.key, passed)
        stimulus, jitter = stimuli[row.alarm], index * 7_919_001 % 90_000_000
        results.append(_result(row, stimulus, verdict, jitter))
        window = Bounds(stimulus.raised.lo - 1 * S, stimulus.raised.lo + 8 * S)
        trace = _trace(row.point, stimulus, verdict, jitter)
        hold = site.points[row.point].hold
        timelines.append(timeline_of(trace, (), stimulus, window, expectation=row, hold=hold))
    ended = begin + 28 * 12 * S
    down = BlindTime(from_ns=begin + 239 * S, to_ns=begin + 247 * S, reason="connection reset by the device")
    return AttemptDocument(
        record=record,
        sha256="9f" * 32,
        started_utc_ns=start_utc_ns,
        anchor_ns=ANCHOR_NS,
        ended_ns=ended,
        utc_offset_s=3600,
        tool_version="0.1.0",
        who="A. Technician",
        seed=20261124,
        exit_code=ExitCode.FAILED
        if any(r.verdict.verdict_class is VerdictClass.FAIL for r in results)
        else ExitCode(0),
        interrupted=interrupted,
        interrupted_why="stopped with Ctrl-C" if interrupted else "",
        planned=tuple(row.key for row in chosen),
        judgement=Judgement(
            results=tuple(results),
            strays=(
                Stray(
                    point="bms.latched-3",
                    onset=Bounds(begin + 90 * S, begin + 90 * S + 109 * MS),
                    end=Bounds(begin + 91 * S, begin + 91 * S + 109 * MS),
                    reason="nothing was raised within 30 s before it",
                ),
            )
            if trouble
            else (),
            causes=(SWAP,) if trouble else (),
        ),
        stimuli=tuple(stimuli.values()),
        log=_log_book(site, stimuli.values(), begin),
        corrections=(_correction(start_utc_ns),) if interrupted else (),
        changed=tuple(
            Changed(expectation=row.key, stimulus="s2", recorded=Verdict.LATE, corrected=None)
            for row in chosen[:1]
            if interrupted
        ),
        timelines=tuple(timelines),
        links=(
            _figures("panel", 15020, begin, ended, polls=3360),
            _figures("bms", 15021, begin, ended, polls=3281, failed=8, overruns=2, blind=(down,)),
            LinkFigures(
                link="printer",
                address="printed text over raw TCP, 127.0.0.1 port 15022",
                watched=Bounds(begin, ended),
                lines=512,
                dropped=1,
            ),
        ),
        reviews=tuple(
            Review(
                side_effect=name,
                decision=Decision.ISOLATED,
                by="B. Operator",
                at_utc_ns=start_utc_ns - 600 * S,
                isolated="shut by hand and tagged",
            )
            for name in site.side_effects
        ),
        reviewed="reviews.yaml, valid through 2026-12-24, bound to 3f2a-91c0-77de",
        standing=(("bms.bulk-a.low", "float switch stuck"),),
        ledger=_ledger(start_utc_ns),
        as_left=(Difference(what="bms.bulk-b.high", as_found="off", as_left="on"),),
        clock_steps=(ClockStep(at_ns=begin + 30 * S, step_ns=-13 * MS),),
        foreign_clocks=("printer (12 times: printed times), taken as set to UTC+01:00: 3.1 to 4.6 s ahead",),
        notes=(*site.notes, "hold of printer points: 1 s, assumed (not declared)"),
    )


def _log_book(site: Site, stimuli: Iterable[Stimulus], begin: int) -> LogBook:
    """Every stimulus with its steps; one that could not be cleared, and one of each remark."""
    entries = [
        LogEntry(
            stimulus=it.id,
            alarm=it.alarm,
            recorded_alarm="bulk-a.water" if number == 1 else "",
            steps=tuple(
                LogStep(step=step, at=at, proven=it.proven, how=it.how, note="" if it.proven else "no answer")
                for step, at in ((Step.RAISE, it.raised), (Step.ACKNOWLEDGE, it.acknowledged), (Step.CLEAR, it.cleared))
                if at is not None
            ),
            along=site.alarms[it.alarm].also_raises,
            ending=Ending.CLEARED if it.proven else Ending.NOT_PROVEN,
            ended=it.cleared if it.proven else None,
            remarks=("put back before it had been seen through",) if number == 1 else (),
        )
        for number, it in enumerate(stimuli)
    ]
    texts = {Remark.RETEST: "the cable was put right", Remark.SKIPPED: "the tank is being filled"}
    remarks = tuple(
        LogRemark(
            kind=kind,
            at_ns=begin + number * S,
            alarm="bulk-a.high",
            text=texts.get(kind, "acknowledge"),
            by="A. Technician",
        )
        for number, kind in enumerate(Remark)
    )
    clock = ("The testing machine's clock was synchronised; its own bound on its error was 12 ms.",)
    still = tuple(it.alarm for it in entries if it.is_open)
    return LogBook(entries=tuple(entries), remarks=remarks, not_cleared=still, clock=clock)


def _correction(start_utc_ns: int) -> CorrectionNote:
    return CorrectionNote(
        number=1,
        about="stimulus s2 (bulk-a.water)",
        change="was bulk-a.high, recorded as bulk-a.water",
        reason="the key beside it was pressed",
        by="B. Lead",
        at_utc_ns=start_utc_ns + 7200 * S,
        utc_offset_s=3600,
        before_sha256="7e" * 32,
        stimulus="s2",
    )


def _ledger(start_utc_ns: int) -> LedgerTold:
    """Somebody was told and not yet told that it is over; a bypass was released."""
    began = start_utc_ns - 1200 * S
    return LedgerTold(
        file="hollowmere.ledger",
        demanded=("monitoring station",),
        state=LedgerState(
            notices=(
                Notice(
                    name="monitoring station", by="B. Operator", at_utc_ns=began, until_utc_ns=began + 7200 * S,
                    note="desk 3",
                ),
            ),
            inhibits=(
                Inhibit(
                    name="transfer pump A", by="C. Fitter", at_utc_ns=began, seen_utc_ns=began,
                    proven="stays off with its relay pulled in", proven_by="C. Fitter",
                    released_by="C. Fitter", released_at_utc_ns=began + 3600 * S, release_proven="ran for a minute",
                ),
            ),
        ),
    )  # fmt: skip


def _figures(
    name: str,
    port: int,
    begin: int,
    ended: int,
    *,
    polls: int,
    failed: int = 0,
    overruns: int = 0,
    blind: tuple[BlindTime, ...] = (),
) -> LinkFigures:
    return LinkFigures(
        link=name,
        address=f"Modbus TCP, 127.0.0.1 port {port}",
        watched=Bounds(begin, ended),
        polls=polls,
        polls_failed=failed,
        overruns=overruns,
        widest_gap_ns=8_109_000_000 if blind else 109_404_117,
        blind=blind,
    )


def build_document(names: tuple[str, ...] = ALARMS) -> ReportDocument:
    """Two attempts: everything, then the tanks again the next day. One link of rows was never planned."""
    site = build_site(names)
    day = 86_400 * S
    first = build_attempt(
        site,
        record="hollowmere-2026-11-24.farend",
        start_utc_ns=STARTED_UTC_NS,
        only=lambda row: not (row.alarm == "day.probe-fault" and row.point.startswith("printer")),
    )
    second = build_attempt(
        site,
        record="hollowmere-2026-11-25.farend",
        start_utc_ns=STARTED_UTC_NS + day,
        only=lambda row: row.alarm in ("bulk-a.high", "bulk-b.low", "day.low") and not row.point.startswith("panel"),
        trouble={"bulk-a.high@bms.bulk-a.high": Verdict.LATE},
        interrupted=True,
    )
    second = replace(second, judgement=replace(second.judgement, strays=(), causes=()))
    return ReportDocument(
        facts=SiteFacts(
            name=site.name,
            title=Fact(value=site.title),
            controller=Fact(value=site.controller),
            firmware=Fact(value=site.firmware, source=Source.READ),
        ),
        site=site,
        attempts=(second, first),
    )


def tried(row: Expectation, shown: str, *, ends_by_itself: bool = False, slow_ms: int = 0) -> RowTrials:
    """Trials of a row, a letter each: shown, missed, or left out; polls of 100 ms bracket each at another phase."""
    how = {"s": Shown.SHOWN, "m": Shown.MISSED, "-": Shown.LEFT_OUT}
    verdicts = {"s": Verdict.ON_TIME, "m": Verdict.MISSED, "-": Verdict.NOT_OBSERVED}
    trials = []
    for number, letter in enumerate(shown):
        at, phase = number * 20 * S, number * 37 % 100 * MS
        onset = Bounds(at + phase + slow_ms * MS, at + phase + (slow_ms + 109) * MS)
        seen = Seen(onset=onset, end=Bounds(onset.lo + 1400 * MS, onset.hi + 1400 * MS))
        trials.append(
            RowTrial(
                record=0,
                stimulus=f"s{number}",
                verdict=verdicts[letter],
                shown=how[letter],
                raised=Bounds.exactly(at),
                latency=Bounds(onset.lo - at, onset.hi - at) if letter == "s" else None,
                visible=seen if letter == "s" else None,
            )
        )
    phases = tuple(number * 37 % 100 / 100 for number in range(len(shown)))
    return RowTrials(
        key=row.key,
        alarm=row.alarm,
        point=row.point,
        trials=tuple(trials),
        ends_by_itself=ends_by_itself,
        phases=phases if ends_by_itself else (),
    )


def repeated_with(site: Site, rows: Iterable[RowTrials], few: Iterable[RowTrials] = ()) -> Repeated:
    """What a report tells of these rows."""
    asked = Asked()
    told = Measured(
        site=site.name,
        title=site.title,
        records=(MeasuredRecord(name="many.farend", sha256="5a" * 32, firmware=site.firmware, seed=1),),
        asked=asked,
        rows=tuple(summarise(it, asked) for it in rows),
    )
    return Repeated(asked=asked, enough=6, records=1, firmware=(site.firmware,), few=tuple(few), told=told)


def build_repeated(site: Site) -> Repeated:
    """A few rows with eight trials: two that clear by themselves, two that are held, one of which was missed twice."""
    rows = [row for row in site.expectations if row.behaviour is not Behaviour.QUIET]
    return repeated_with(
        site,
        [
            tried(rows[0], "ssssssss", ends_by_itself=True),
            tried(rows[1], "sssss-ss", ends_by_itself=True, slow_ms=50),
            tried(rows[2], "ssssssss"),
            tried(rows[3], "smssmsss", slow_ms=100),
        ],
        [tried(rows[4], "sss"), tried(rows[5], "sms")],
    )


WAYS = [(kind, way) for kind in list(ObjectType)[:4] for way in Arrival]


def crowded(document: ReportDocument) -> ReportDocument:
    """The same results over so many kinds of outputs that alarms by outputs are wider than any terminal or sheet."""

    def moved(number: int, point: Point) -> Point:
        kind, way = WAYS[number % len(WAYS)]
        return replace(point, place=BacnetPlace(object_type=kind, instance=number, arrives=way))

    site = document.site
    points = {name: moved(number, point) for number, (name, point) in enumerate(site.points.items())}
    return replace(document, site=replace(site, points=points))


@pytest.fixture(scope="session")
def crowded_document() -> ReportDocument:
    """The whole site with its outputs of a dozen kinds."""
    return crowded(build_document())


@pytest.fixture(scope="session")
def crowded_of() -> Callable[[ReportDocument], ReportDocument]:
    """Spreads a document over a dozen kinds of outputs."""
    return crowded


@pytest.fixture(scope="session")
def repeated_document() -> ReportDocument:
    """The small site, with rows that were tried again and again."""
    small = build_document(("bulk-a.high", "bulk-a.low", "bulk-a.water", "day.high"))
    return replace(small, repeated=build_repeated(small.site))


@pytest.fixture(scope="session")
def document() -> ReportDocument:
    """The whole site, two attempts."""
    return build_document()


@pytest.fixture(scope="session")
def small_document() -> ReportDocument:
    """Four of its alarms, for golden files that a person can read."""
    return build_document(("bulk-a.high", "bulk-a.low", "bulk-a.water", "day.high"))


@pytest.fixture(scope="session")
def document_of() -> Callable[[tuple[str, ...]], ReportDocument]:
    """Builds the document for other alarms."""
    return build_document


def mapped(value: Any, change: Callable[[str], str]) -> Any:
    """``value`` with every text in it changed, names and keys alike, so that it stays consistent; '' stays ''."""
    if isinstance(value, Enum):
        return value
    if isinstance(value, str):
        return change(value) if value else value
    if is_dataclass(value) and not isinstance(value, type):
        return replace(value, **{one.name: mapped(getattr(value, one.name), change) for one in fields(value)})
    if isinstance(value, tuple):
        return tuple(mapped(item, change) for item in value)
    if isinstance(value, dict):
        return {mapped(key, change): mapped(item, change) for key, item in value.items()}
    return value


@pytest.fixture(scope="session")
def poisoned(small_document: ReportDocument) -> Callable[[str], ReportDocument]:
    """Builds the small document with a payload before every text in it."""
    return lambda payload: mapped(small_document, lambda text: payload + text)
