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
from dataclasses import replace
from pathlib import Path
from typing import Final

from harness.core.errors import SafetyError, UsageError
from harness.core.instants import Clock
from harness.core.links import PushLink
from harness.core.model import Decision, Expectation, Judgement, Result, Site, Step
from harness.links.base import LinkState
from harness.record.found import Event
from harness.results.fitting import fits
from harness.results.interrupting import InterruptedTestError, StoppedRunError, ended
from harness.results.steps import AS_LEFT_EVENT, StepDone
from harness.run.clearing_left import ToClear
from harness.run.expecting import Expecting, is_unknown
from harness.run.gate import effects_of
from harness.run.live import LiveSource
from harness.run.order import Item, plan_of
from harness.run.results_so_far import judge_so_far
from harness.run.session_told import Heard, Raise, Told
from harness.run.stepwise import LeftOutError, NotRaisedError, Stepwise
from harness.run.testing import TestOptions, run_test
from harness.run.tools import Tools
from harness.run.waiting import LIFE_MAX_NS
from harness.site.names import did_you_mean
from harness.site.reading import Documents

CASE_EVENT: Final = "case"
"""A test of the caller begins; ``name``: what it calls it."""


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
        self._raises: list[Raise] = []
        self._expected: Expecting | None = None
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
        """Put back what is raised, compare, close the record. Returns '' or why it had ended before.

        May be called where it could not be opened, and again.
        """
        run = self._run
        if run is None or self._conductor is None:
            return ""
        self._conductor.end()
        await ended(run)
        return run.result()

    @property
    def dead_links(self) -> dict[str, str]:
        """The links of all rows, each with why it is down, where not one of them ever came up; else none."""
        if self._conductor is None:
            return {}
        live = self._live
        links = sorted({self.site.points[row.point].link for item in self._selected for row in item.rows})
        came_up = any(it.state is LinkState.UP for link in links for it in live.link_changes[link])
        return {} if came_up else {link: live.why_down.get(link, "") for link in links}

    # --- one test -----------------------------------------------------------------------------------

    def begin(self, name: str) -> None:
        """A test begins; ``name`` goes into the record."""
        now = self._clock()
        self._raises = []
        self._heard_before = len(self.heard.told)
        self._spans = [it for it in self._spans if it[1] + self._tail_ns >= now]
        self._spans.append([now, now])
        conductor = self._steps
        self._expected = Expecting(conductor, self._judge)
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
        told = await (self._told if is_stopped or stopped else self._known)(self._raises, stopped)
        expected, failed = await self._expecting.at_last(), await self._expecting.failed_at_last()
        self._spans[-1][1] = self._clock()
        differs, left_on = tuple(self._differs()), tuple(self._left_on())
        return replace(told, expected=expected, failed=failed, differs=differs, left_on=left_on)

    def said(self) -> tuple[str, ...]:
        """What a person would have been told since the test began."""
        return tuple(self.heard.told[self._heard_before :])

    # --- steps --------------------------------------------------------------------------------------

    async def raise_alarm(self, alarm: str, points: Iterable[str] | None = None) -> StepDone:
        """Raise it, see ``Stepwise.raise_alarm``; returns as soon as the controller took it.

        ``points``: patterns of the points that it is judged by, None for all of its rows; one fits at the least.
        """
        items = self._items(alarm)
        rows = self._rows(alarm, points)
        at = len(self._raises)
        self._raises.append(Raise(alarm=alarm, keys=rows))
        if not items:
            self._refused(alarm, rows)
        try:
            course = await self._steps.do(lambda: self._steps.raise_alarm(items[0], rows))
        except NotRaisedError as exc:
            self._raises[at] = replace(self._raises[at], why=str(exc))
            raise
        self._raises[at] = replace(self._raises[at], stimulus=course.stimulus)
        return course.raised

    def _refused(self, alarm: str, rows: Sequence[str]) -> None:
        """It is planned all the same, so that the record says that it was not run."""
        item = next(item for item in self._selected if item.alarm.name == alarm)
        why = f"{alarm}: not raised: {self._why_left_out(item)}"
        self._steps.plan(item, rows)
        self._raises[-1] = replace(self._raises[-1], why=why, is_left_out=True)
        raise LeftOutError(why)

    def _why_left_out(self, item: Item) -> str:
        """By the site file, or by the reviews."""
        if not any(it.can_be_raised for it in self._selected if it.alarm.name == item.alarm.name):
            return "it has no 'raise' and 'clear' writes in the site file"
        decisions = {} if self._options.reviews is None else self._options.reviews.decisions
        named = [it for it in effects_of(self.site, item.alarm) if decisions.get(it) is Decision.EXCLUDED]
        return f"the reviews exclude it: side effect {', '.join(named)}"

    @property
    def is_all_left_out(self) -> bool:
        """Whether nothing was asked for in this test that could be raised at all."""
        return all(one.is_left_out for one in self._raises)

    async def step(self, alarm: str, step: Step, *, at_once: bool = False) -> StepDone:
        """Silence, acknowledge, clear or reset what is raised.

        It waits as ``farend test`` does: until what comes of it has come, so that the next step can be told from it.
        ``at_once``: it does not.
        """
        steps = self._steps
        steps.must_go_on()
        at = self._expecting.course(alarm)
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
        mine: list[Raise] = []
        try:
            if not items:
                self._raises.append(Raise(alarm=alarm, keys=rows))
                self._refused(alarm, rows)
            for item in items:
                self._raises.append(Raise(alarm=alarm, keys=rows))
                mine.append(self._raises[-1])
                done = await self._steps.do(lambda item=item: self._steps.see_through(item, rows))  # type: ignore[misc]
                mine[-1] = self._raises[-1] = replace(mine[-1], stimulus=done.stimulus)
            await self._steps.do(self._steps.outlast_quiet)
        except NotRaisedError as exc:
            self._raises[-1] = replace(self._raises[-1], why=str(exc))
            mine = [*mine[:-1], self._raises[-1]]
        return await self._known(mine, "")

    # --- expectations -------------------------------------------------------------------------------

    async def expect(self, point: str, within_ns: int | None = None, alarm: str = "") -> Result:
        """Wait until what is raised shows at a point, or can no longer in time; how that is judged now.

        ``within_ns``: instead of the limit of the row. ``alarm``: which one, where several that are raised show there.
        What comes later, such as whether it goes in time, is judged at the end, and so is what is unknown yet.
        """
        self._steps.must_go_on()
        return await self._expecting.expect(point, within_ns, alarm)

    async def expect_gone(self, point: str, within_ns: int | None = None, alarm: str = "") -> Result:
        """Wait until a point is off, or can no longer be in time after what releases it; how its row is judged now."""
        self._steps.must_go_on()
        return await self._expecting.expect_gone(point, within_ns, alarm)

    async def expect_all(self, alarm: str) -> tuple[Result, ...]:
        """Every row of a raised alarm that must react: that it shows; once it is cleared, that it is gone too."""
        self._steps.must_go_on()
        stimulus = self._expecting.course(alarm).stimulus
        keys = [key for one in self._raises if one.stimulus == stimulus for key in one.keys]
        return await self._expecting.expect_all(alarm, keys)

    # --- inside -------------------------------------------------------------------------------------

    @property
    def _steps(self) -> Stepwise:
        if self._conductor is None:
            raise StoppedRunError("the session is not open")
        return self._conductor

    @property
    def _expecting(self) -> Expecting:
        if self._expected is None:
            raise StoppedRunError("no test has begun")
        return self._expected

    @property
    def _live(self) -> LiveSource:
        return self._steps.tools.live

    @property
    def _since_ns(self) -> int:
        return min(it[0] for it in self._spans)

    async def _judge(self, rows: Sequence[Expectation]) -> Judgement:
        start_ns = self._steps.start_ns
        return await judge_so_far(self.site, self._live, self._clock, rows, start_ns, self._since_ns)

    async def _known(self, raises: Iterable[Raise], stopped: str) -> Told:
        """As :meth:`_told`, where a verdict is unknown once all that may still decide it has come: each path that tells
        changes has proved to be alive, and what is polled was read again.
        """
        raises, live, now = tuple(raises), self._live, self._clock()
        told = await self._told(raises, stopped)
        unknown = {it.point for it in told.results if is_unknown(it)}
        links = {self.site.points[it].link for it in unknown}
        waited = [it for it in links if isinstance(self.site.links[it], PushLink) and live.alive_ns(it) >= 0]
        polled = [it for it in unknown & live.polled_points() if live.up[self.site.points[it].link]]
        if not waited and not polled:
            return told
        await live.wait_for_news(polled, now, now + LIFE_MAX_NS)
        await live.wait_until(lambda: all(live.alive_ns(it) >= now for it in waited), now + LIFE_MAX_NS)
        return await self._told(raises, stopped)

    async def _told(self, raises: Iterable[Raise], stopped: str) -> Told:
        raises = tuple(raises)
        keys = {key for one in raises for key in one.keys}
        judged = await self._judge([row for row in self.site.expectations if row.key in keys])
        asked = {(one.stimulus, key) for one in raises if one.stimulus for key in one.keys}
        results = tuple(it for it in judged.results if (it.stimulus, it.expectation) in asked)
        reached = {(it.stimulus, it.expectation) for it in results}
        not_run = {
            key: one.why or stopped
            for one in raises
            for key in one.keys
            if not one.stimulus or (one.stimulus, key) not in reached
        }
        began = self._spans[-1][0]
        strays = tuple(it for it in judged.strays if it.onset.hi >= began)
        return Told(raises=raises, results=results, strays=strays, not_run=not_run, stopped=stopped)

    def _differs(self) -> Iterable[str]:
        """What the newest comparison of this test found, in words."""
        for event in self._compared()[-1:]:
            on, differs, left, changed = (event.data[it] for it in ("on", "differs", "not_cleared", "changed"))
            yield from (f"alarm {name}: raised, and clearing is not proven" for name in left)  # type: ignore[union-attr]
            for name in differs:  # type: ignore[union-attr]
                is_on = name in on  # type: ignore[operator]
                yield f"{name}: it was {'off' if is_on else 'on'}, and is {'on' if is_on else 'off'}"
            yield from (f"{it['name']}: it held {it['found']}, and holds {it['left']}" for it in changed)  # type: ignore[index,union-attr,call-overload]

    def _left_on(self) -> Iterable[str]:
        """Points that the same comparison found on, and that were off."""
        for event in self._compared()[-1:]:
            on, differs = event.data["on"], event.data["differs"]
            yield from (name for name in differs if name in on)  # type: ignore[union-attr,operator,misc]

    def _compared(self) -> list[Event]:
        return [it for it in self._live.events if it.kind == AS_LEFT_EVENT and it.at_ns >= self._spans[-1][0]]

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
        rows = [row for row in item.rows if points is None or fits((row.point,), points)]
        if not rows:
            named = ", ".join(points or ()) or "nothing, so that nothing would be judged"
            there = ", ".join(row.point for row in item.rows)
            raise UsageError(f"points={named}: no row of {alarm} is there; its points are {there}")
        return tuple(row.key for row in rows)
