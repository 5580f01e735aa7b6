"""A live session on a site that a program drives: it opens links and record, raises when it is told to, says what came
of it, and leaves everything as it was found.

What a row came to is said by the judge alone, by all that was observed up to then (:mod:`harness.run.results_so_far`);
the record is the authority, and is judged once it is closed. Everything here runs in one event loop.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Final

from harness.core.errors import SafetyError, UsageError
from harness.core.instants import NS_PER_MS, Clock
from harness.core.links import PushLink
from harness.core.model import Behaviour, Expectation, Judgement, Result, Site, Step, Stray
from harness.core.verdicts import Verdict, VerdictClass
from harness.run.clearing_left import ToClear
from harness.run.interrupting import InterruptedTestError, StoppedRunError, ended
from harness.run.live import LiveSource
from harness.run.order import Item, gap_ns, gone_within_ns, hold_ns, plan_of, show_within_ns
from harness.run.results_so_far import judge_so_far
from harness.run.stages import Course
from harness.run.steps import AS_LEFT_EVENT, StepDone
from harness.run.stepwise import NotRaisedError, Stepwise
from harness.run.testing import TestOptions, run_test
from harness.run.tools import Progress, Tools
from harness.run.waiting import LIFE_MAX_NS
from harness.site.names import did_you_mean
from harness.site.reading import Documents

CASE_EVENT: Final = "case"
"""A test of the caller begins; ``name``: what it calls it."""

EXPECTED_EVENT: Final = "expected"
"""The caller asked for a row in the middle of its course, by these limits, and got this verdict."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """What one raise is judged by. ``keys``: its rows; ``stimulus``: '' where it was not raised, and ``why``."""

    alarm: str
    keys: tuple[str, ...]
    stimulus: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What came of claims. ``results``: in the order of raising and of the point map.

    ``not_run``: rows that nothing was raised for, and why. ``differs``: what is not as it was found, in words.
    ``stopped``: why everything was put back before its time, or nothing more is raised; '' where it was not so.
    """

    claims: tuple[Claim, ...]
    results: tuple[Result, ...] = ()
    expected: tuple[Result, ...] = ()
    """By the limits of what was expected in the middle of it, and was not known then."""
    strays: tuple[Stray, ...] = ()
    not_run: dict[str, str] = field(default_factory=dict)
    differs: tuple[str, ...] = ()
    stopped: str = ""

    def verdicts(self) -> dict[str, list[Verdict]]:
        """By row, one verdict for each raise; ``not-run`` where there was none."""
        found: dict[str, list[Verdict]] = {key: [Verdict.NOT_RUN] for key in self.not_run}
        for result in self.results:
            found.setdefault(result.expectation, []).append(result.verdict)
        return found


class Heard:
    """The view of a session: keeps what a person would have been told."""

    def __init__(self) -> None:
        self.told: list[str] = []

    def baseline(self, standing: Sequence[str], down: Sequence[str]) -> None:
        """See ``View.baseline``."""
        self.told += [f"{name} is on before anything is raised" for name in standing]
        self.told += [f"link {name} is not up" for name in down]

    def raising(self, item: Item, progress: Progress) -> None:
        """See ``View.raising``."""

    def phase(self, text: str) -> None:
        """See ``View.phase``."""

    def judged(self, item: Item, results: Sequence[Result]) -> None:
        """See ``View.judged``."""

    def tried(self, text: str) -> None:
        """See ``View.tried``."""

    def trouble(self, text: str) -> None:
        """See ``View.trouble``."""
        self.told.append(text)

    def urgent(self, text: str) -> None:
        """See ``View.urgent``."""
        self.told.append(text)


class SiteSession:
    """:meth:`open`, then for each test :meth:`begin`, whatever is asked for, :meth:`end`; and :meth:`close`.

    Alarms are raised by writing alone, with everything that gates ``farend test``. UsageError for what the site does
    not have; ``Stepwise.do`` says what every step may raise.
    """

    def __init__(self, site: Site, documents: Documents, options: TestOptions, clock: Clock) -> None:
        self.site = site
        self.heard = Heard()
        self.anchor = (time.time_ns(), clock())
        self._options = replace(options, stepwise=True)
        self._documents = documents
        self._clock = clock
        self._selected = plan_of(site, options.selection)
        self._conductor: Stepwise | None = None
        self._opened = asyncio.Event()
        self._run: asyncio.Task[str] | None = None
        self._spans: list[list[int]] = []
        self._claims: list[Claim] = []
        self._pending: list[tuple[str, Expectation]] = []  # expected, and not known yet
        self._heard_before = 0
        limits = [row.limits for row in site.expectations]
        reach = [it.search_ns + it.dwell_ns + (it.gone_within_ns or 0) + it.settle_ns for it in limits]
        self._tail_ns = max(reach, default=0)  # so long after its end a test may still explain what is seen

    @property
    def record(self) -> Path:
        """The record that is written."""
        return self._options.record

    @property
    def is_open(self) -> bool:
        """Whether something may still be raised."""
        return self._run is not None and not self._run.done() and self._conductor is not None

    @property
    def why_over(self) -> str:
        """Why nothing more is raised, once it is not open; '' while it is."""
        done = self._run is not None and self._run.done() and not self._run.cancelled()
        return str(self._run.exception() or self._run.result()) if done and self._run is not None else ""

    # --- the whole of it ----------------------------------------------------------------------------

    async def open(self) -> None:
        """Pass the gate, open the record, listen, take the baseline. SafetyError where nothing may be raised."""
        run = self._run = asyncio.create_task(
            run_test(
                self.site, self._documents, self._options, self._clock, self.heard, conductor_of=self._conductor_of
            ),
            name="session",
        )
        opened = asyncio.create_task(self._opened.wait(), name="opened")
        try:
            await asyncio.wait({run, opened}, return_when=asyncio.FIRST_COMPLETED)
        except asyncio.CancelledError:
            run.cancel()
            await ended(run)
            raise
        finally:
            opened.cancel()
        if run.done():
            raise SafetyError(run.result() or "the session ended before anything could be raised")

    def _conductor_of(self, tools: Tools, items: Sequence[Item], to_clear: Sequence[ToClear]) -> Stepwise:
        self._conductor = Stepwise(tools, items, to_clear, self._opened)
        return self._conductor

    async def close(self) -> str:
        """Put back what is raised, compare, close the record. Returns '' or why it had ended before."""
        run = self._run
        if run is None:
            return ""
        if self._conductor is not None:
            self._conductor.end()
        await ended(run)
        return run.result()

    # --- one test -----------------------------------------------------------------------------------

    def begin(self, name: str) -> None:
        """A test begins; ``name`` goes into the record."""
        now = self._clock()
        self._claims, self._pending = [], []
        self._heard_before = len(self.heard.told)
        self._spans = [it for it in self._spans if it[1] + self._tail_ns >= now]
        self._spans.append([now, now])
        conductor = self._steps
        conductor.begin(self._since_ns)
        conductor.tools.journal.event(CASE_EVENT, now, {"name": name})

    async def end(self, *, is_stopped: bool) -> Told:
        """See out what is raised, or put it back at once where the test was ``is_stopped``; say what came of it all."""
        steps, stopped = self._steps, ""
        try:
            if is_stopped or steps.interruption is not None:
                await steps.do(steps.put_back, anyway=True)
            else:
                await steps.do(steps.see_out)
                await steps.do(steps.outlast_quiet)
            await steps.do(steps.compare, anyway=True)
        except InterruptedTestError:
            with suppress(StoppedRunError):
                await steps.do(steps.put_back, anyway=True)
                await steps.do(steps.compare, anyway=True)
        except StoppedRunError as exc:
            stopped = str(exc)
        if steps.is_over and self._run is not None:  # it puts back and compares by itself
            await ended(self._run)
        if steps.interruption is not None:
            stopped = stopped or steps.interruption.text
        told = await (self._told if is_stopped or stopped else self._known)(self._claims, stopped)
        expected = [await self._results(stimulus, [row]) for stimulus, row in self._pending]
        self._spans[-1][1] = self._clock()
        return replace(told, expected=tuple(it for each in expected for it in each), differs=tuple(self._differs()))

    def said(self) -> tuple[str, ...]:
        """What a person would have been told since the test began."""
        return tuple(self.heard.told[self._heard_before :])

    # --- steps --------------------------------------------------------------------------------------

    async def raise_alarm(self, alarm: str, points: Iterable[str] | None = None) -> StepDone:
        """Raise it once its outputs are normal; returns as soon as the controller took it.

        ``points``: patterns of the points that it is judged by, None for all of its rows.
        """
        items = self._items(alarm)
        rows = self._rows(alarm, points)
        at = len(self._claims)
        self._claims.append(Claim(alarm=alarm, keys=rows))
        if not items:
            self._refused(alarm, rows)
        try:
            course = await self._steps.do(lambda: self._steps.raise_alarm(items[0], rows))
        except NotRaisedError as exc:
            self._claims[at] = replace(self._claims[at], why=str(exc))
            raise
        self._claims[at] = replace(self._claims[at], stimulus=course.stimulus)
        return course.raised

    def _refused(self, alarm: str, rows: Sequence[str]) -> None:
        """It is planned all the same, so that the record says that it was not run."""
        why = f"{alarm}: not raised: it has no 'raise' and 'clear' writes in the site file, or the reviews exclude it"
        item = next(item for item in self._selected if item.alarm.name == alarm)
        self._steps.plan(item, rows)
        self._claims[-1] = replace(self._claims[-1], why=why)
        raise NotRaisedError(why)

    async def step(self, alarm: str, step: Step, *, at_once: bool = False) -> StepDone:
        """Silence, acknowledge, clear or reset what is raised.

        It waits as ``farend test`` does: until what comes of it has come, so that the next step can be told from it.
        ``at_once``: it does not.
        """
        steps, at = self._steps, self._course(alarm)
        if step is Step.RAISE:
            raise ValueError("an alarm is raised by raise_alarm")
        if not at.alarm.can_be_done(step):
            raise UsageError(f"{alarm}: the site file has no way to {step.value} it; add one under 'stimulus:'")
        done = {
            Step.SILENCE: steps.silence, Step.ACKNOWLEDGE: steps.acknowledge, Step.CLEAR: steps.clear,
            Step.RESET: steps.reset,
        }[step]  # fmt: skip
        return await steps.do(lambda: done(at, at_once=at_once))

    async def check(self, alarm: str, points: Iterable[str] | None = None) -> Told:
        """See an alarm through as ``farend test`` does, both ways where it is acknowledged both ways, and judge it."""
        items, rows = self._items(alarm), self._rows(alarm, points)
        mine: list[Claim] = []
        try:
            if not items:
                self._claims.append(Claim(alarm=alarm, keys=rows))
                self._refused(alarm, rows)
            for item in items:
                self._claims.append(Claim(alarm=alarm, keys=rows))
                mine.append(self._claims[-1])
                done = await self._steps.do(lambda item=item: self._steps.see_through(item, rows))  # type: ignore[misc]
                mine[-1] = self._claims[-1] = replace(mine[-1], stimulus=done.stimulus)
            await self._steps.do(self._steps.outlast_quiet)
        except NotRaisedError as exc:
            self._claims[-1] = replace(self._claims[-1], why=str(exc))
            mine = [*mine[:-1], self._claims[-1]]
        return await self._known(mine, "")

    # --- expectations -------------------------------------------------------------------------------

    async def expect(self, point: str, within_ns: int | None = None, alarm: str = "") -> Result:
        """Wait until what is raised shows at a point, or can no longer in time; how that is judged now.

        ``within_ns``: instead of the limit of the row. ``alarm``: which one, where several that are raised show there.
        What comes later, such as whether it goes in time, is judged at the end, and so is what is unknown yet.
        """
        at, row = self._raised_at(point, alarm)
        asked = _showing(row, within_ns)
        (result,) = await self._steps.do(lambda: self._shown(at, [asked]))
        return result

    async def expect_gone(self, point: str, within_ns: int | None = None, alarm: str = "") -> Result:
        """Wait until a point is off, or can no longer be in time after what releases it; how its row is judged now."""
        at, row = self._raised_at(point, alarm)
        limits = row.limits if within_ns is None else replace(row.limits, gone_within_ns=within_ns)
        asked = replace(row, limits=limits)
        (result,) = await self._steps.do(lambda: self._gone(at, [asked]))
        return result

    async def expect_all(self, alarm: str) -> tuple[Result, ...]:
        """Every row of a raised alarm that must react: that it shows; once it is cleared, that it is gone too."""
        at = self._course(alarm)
        keys = {key for claim in self._claims if claim.stimulus == at.stimulus for key in claim.keys}
        rows = [row for row in at.item.loud if row.key in keys]
        if not rows:
            raise UsageError(f"{alarm}: none of the rows that it is judged by must react; there is nothing to expect")
        if Step.CLEAR in at.done:
            return await self._steps.do(lambda: self._gone(at, rows))
        return await self._steps.do(lambda: self._shown(at, [_showing(row, None) for row in rows]))

    async def _shown(self, at: Course, rows: Sequence[Expectation]) -> tuple[Result, ...]:
        """Results of rows once each shows, or can no longer in time."""
        live, clock, site, lo, hi = self._live, self._clock, self.site, at.raised.at.lo, at.raised.at.hi
        waits = self._steps.waits
        seen = [row for row in rows if waits.is_observed(row)]
        shown_by = {row.key: hi + show_within_ns(site, row) for row in seen}
        await waits.shown(seen, lo, shown_by)
        timed_by = at.alarm.reference
        if timed_by is not None and timed_by in live.polled_points():  # it may be read after what it times
            slow = max((gap_ns(site, row) for row in rows), default=0)
            await live.wait_until(lambda: live.was_on_since(timed_by, lo), clock() + slow)
        return await self._decided(at, rows, hi + hold_ns(site, seen))

    async def _gone(self, at: Course, rows: Sequence[Expectation]) -> tuple[Result, ...]:
        """Results of rows once each is off, or can no longer be in time."""
        live, now = self._live, self._clock()
        until = {row.key: now + gone_within_ns(self.site, row) for row in rows}
        await self._steps.waits.each(rows, lambda row: live.is_off(row.point), until)
        return await self._decided(at, rows, now)

    async def _decided(self, at: Course, rows: Sequence[Expectation], later_ns: int) -> tuple[Result, ...]:
        """How rows are judged now; where that is unknown, once more at ``later_ns``, and after that at the end.

        What is told may be of before the raise, until it is held for longer than it may be on its way; and a line that
        falls silent says no more before it is cleared.
        """
        results = await self._results(at.stimulus, rows)
        if any(_is_unknown(it) for it in results) and later_ns > self._clock():
            await self._steps.waits.until(later_ns)
            results = await self._results(at.stimulus, rows)
        for row, result in zip(rows, results, strict=True):
            asked = {"appears_within_ns": row.limits.appears_within_ns, "gone_within_ns": row.limits.gone_within_ns}
            said = {"stimulus": at.stimulus, "row": row.key, "verdict": result.verdict.value}
            self._steps.tools.journal.event(EXPECTED_EVENT, self._clock(), {**said, **asked})
            if _is_unknown(result):
                self._pending.append((at.stimulus, row))
        return results

    async def _results(self, stimulus: str, rows: Sequence[Expectation]) -> tuple[Result, ...]:
        judged = await self._judge(rows)
        return tuple(it for it in judged.results if it.stimulus == stimulus)

    # --- inside -------------------------------------------------------------------------------------

    @property
    def _steps(self) -> Stepwise:
        if self._conductor is None:
            raise StoppedRunError("the session is not open")
        return self._conductor

    @property
    def _live(self) -> LiveSource:
        return self._steps.tools.live

    @property
    def _since_ns(self) -> int:
        return min(it[0] for it in self._spans)

    async def _judge(self, rows: Sequence[Expectation]) -> Judgement:
        start_ns = self._steps.start_ns
        return await judge_so_far(self.site, self._live, self._clock, rows, start_ns, self._since_ns)

    async def _known(self, claims: Iterable[Claim], stopped: str) -> Told:
        """As :meth:`_told`, once each path that tells changes has proved to be alive, where a verdict hangs on that."""
        claims, live, now = tuple(claims), self._live, self._clock()
        told = await self._told(claims, stopped)
        open_links = {self.site.points[it.point].link for it in told.results if _is_unknown(it)}
        waited = [it for it in open_links if isinstance(self.site.links[it], PushLink) and live.alive_ns(it) >= 0]
        if not waited:
            return told
        await live.wait_until(lambda: all(live.alive_ns(it) >= now for it in waited), now + LIFE_MAX_NS)
        return await self._told(claims, stopped)

    async def _told(self, claims: Iterable[Claim], stopped: str) -> Told:
        claims = tuple(claims)
        keys = {key for claim in claims for key in claim.keys}
        judged = await self._judge([row for row in self.site.expectations if row.key in keys])
        claimed = {(claim.stimulus, key) for claim in claims if claim.stimulus for key in claim.keys}
        results = tuple(it for it in judged.results if (it.stimulus, it.expectation) in claimed)
        reached = {(it.stimulus, it.expectation) for it in results}
        not_run = {
            key: claim.why or stopped
            for claim in claims
            for key in claim.keys
            if not claim.stimulus or (claim.stimulus, key) not in reached
        }
        began = self._spans[-1][0]
        strays = tuple(it for it in judged.strays if it.onset.hi >= began)
        return Told(claims=claims, results=results, strays=strays, not_run=not_run, stopped=stopped)

    def _differs(self) -> Iterable[str]:
        """What the newest comparison of this test found, in words."""
        events = [it for it in self._live.events if it.kind == AS_LEFT_EVENT and it.at_ns >= self._spans[-1][0]]
        for event in events[-1:]:
            on, differs, left, changed = (event.data[it] for it in ("on", "differs", "not_cleared", "changed"))
            yield from (f"alarm {name}: raised, and clearing is not proven" for name in left)  # type: ignore[union-attr]
            for name in differs:  # type: ignore[union-attr]
                is_on = name in on  # type: ignore[operator]
                yield f"{name}: it was {'off' if is_on else 'on'}, and is {'on' if is_on else 'off'}"
            yield from (f"{it['name']}: it held {it['found']}, and holds {it['left']}" for it in changed)  # type: ignore[index,union-attr,call-overload]

    def _items(self, alarm: str) -> list[Item]:
        """What may be raised of an alarm; none where it cannot be. UsageError where it is not of this session."""
        selected = {item.alarm.name for item in self._selected}
        if alarm not in self.site.alarms:
            raise UsageError(f"alarm={alarm}: the site has no such alarm; {did_you_mean(alarm, self.site.alarms)}")
        if alarm not in selected:
            raise UsageError(
                f"alarm={alarm}: none of its rows is selected; select it, or the links on which it is expected"
            )
        return self._steps.items_of(alarm)

    def _rows(self, alarm: str, points: Iterable[str] | None) -> tuple[str, ...]:
        item = next(item for item in self._selected if item.alarm.name == alarm)
        rows = [row for row in item.rows if points is None or any(fnmatchcase(row.point, it) for it in points)]
        if not rows and points is not None and list(points):
            raise UsageError(
                f"points={', '.join(points)}: no row of {alarm} is there; its points are "
                f"{', '.join(row.point for row in item.rows)}"
            )
        return tuple(row.key for row in rows)

    def _course(self, alarm: str) -> Course:
        raised = [at for at in self._steps.courses if at.alarm.name == alarm]
        if not raised:
            if alarm not in self.site.alarms:
                raise UsageError(f"alarm={alarm}: the site has no such alarm; {did_you_mean(alarm, self.site.alarms)}")
            raise UsageError(f"alarm={alarm}: it was not raised in this test; raise it first")
        return raised[-1]

    def _raised_at(self, point: str, alarm: str) -> tuple[Course, Expectation]:
        """The newest raise that is expected at a point, and its row there."""
        courses = self._steps.courses
        if point not in self.site.points:
            raise UsageError(f"point={point}: the site has no such point; {did_you_mean(point, self.site.points)}")
        if alarm:
            courses = [self._course(alarm)]
        found = [(at, row) for at in reversed(courses) for row in at.item.rows if row.point == point]
        if not found:
            raised = ", ".join(at.alarm.name for at in courses) or "nothing"
            raise UsageError(
                f"point={point}: {raised} is raised, and no row of the point map says that it shows there; raise the "
                "alarm that does, or add the row"
            )
        at, row = found[0]
        if row.behaviour is Behaviour.QUIET:
            raise UsageError(
                f"point={point}: it must stay quiet while {at.alarm.name} is raised; whether it did is judged at the "
                "end of the test, there is nothing to wait for"
            )
        return at, row


def _is_unknown(result: Result) -> bool:
    return result.verdict.verdict_class is VerdictClass.UNKNOWN


def _showing(row: Expectation, within_ns: int | None) -> Expectation:
    """A row by what can be said of it while its alarm is still raised: that it appears, and when."""
    limits = row.limits
    within_ns = limits.appears_within_ns if within_ns is None else within_ns
    search_ns = max(limits.search_ns, (within_ns or 0) + NS_PER_MS)
    asked = replace(limits, appears_within_ns=within_ns, search_ns=search_ns, visible_for_ns=None, gone_within_ns=None)
    return replace(row, limits=asked)
