"""What is expected of a raised alarm while it goes through its steps: waited for, and judged by what is known then.

The waiting looks at the newest samples; what a row came to is said by the judge.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable, Sequence
from dataclasses import replace
from typing import Final

from harness.core.errors import UsageError
from harness.core.instants import NS_PER_MS
from harness.core.model import Behaviour, Expectation, Judgement, Result, Step
from harness.core.verdicts import VerdictClass
from harness.run.order import gap_ns, gone_within_ns, hold_ns, show_within_ns
from harness.run.stages import Course
from harness.run.stepwise import Stepwise
from harness.site.names import did_you_mean, nearest, plain

EXPECTED_EVENT: Final = "expected"
"""The caller asked for a row in the middle of its course, by these limits, and got this verdict."""


ALIKE: Final = 0.85
"""How near a point of what is raised must be to be meant before all others: a letter or two of ten are another."""

PROPOSED_MAX: Final = 3
"""Points that a message proposes: more is a list, and no proposal."""

Judge = Callable[[Sequence[Expectation]], Awaitable[Judgement]]
"""Judges rows, by whatever limits they have, by all that was observed up to now."""


class Expecting:
    """The expectations of one test. What is not known in the middle of it is ``pending``."""

    def __init__(self, steps: Stepwise, judge: Judge) -> None:
        self._steps = steps
        self._judge = judge
        self._site = steps.tools.site
        self._clock = steps.tools.clock
        self._live = steps.tools.live
        self._pending: list[tuple[str, Expectation]] = []  # by stimulus
        self._failed: list[tuple[str, Expectation]] = []

    async def expect(self, point: str, within_ns: int | None, alarm: str) -> Result:
        """Wait until what is raised shows at a point, or can no longer in time; how that is judged now."""
        at, row = self._raised_at(point, alarm)
        asked = showing(row, within_ns)
        (result,) = await self._steps.do(lambda: self._shown(at, [asked]))
        return result

    async def expect_gone(self, point: str, within_ns: int | None, alarm: str) -> Result:
        """Wait until a point is off, or can no longer be in time after what releases it; how its row is judged now."""
        at, row = self._raised_at(point, alarm)
        limits = row.limits if within_ns is None else replace(row.limits, gone_within_ns=within_ns)
        asked = replace(row, limits=limits)
        (result,) = await self._steps.do(lambda: self._gone(at, [asked]))
        return result

    async def expect_all(self, alarm: str, keys: Sequence[str]) -> tuple[Result, ...]:
        """Every row of ``keys`` that must react: that it shows; once the alarm is cleared, that it is gone too."""
        at = self.course(alarm)
        rows = [row for row in at.item.loud if row.key in keys]
        if not rows:
            raise UsageError(f"{alarm}: none of the rows that it is judged by must react; there is nothing to expect")
        if Step.CLEAR in at.done:
            return await self._steps.do(lambda: self._gone(at, rows))
        return await self._steps.do(lambda: self._shown(at, [showing(row, None) for row in rows]))

    async def at_last(self) -> tuple[Result, ...]:
        """What was not known when it was expected, by the limits of then and all that is known now."""
        return await self._again(self._pending)

    async def failed_at_last(self) -> tuple[Result, ...]:
        """What had failed when it was expected: what has not come in time may have come since, and is late then."""
        return await self._again(self._failed)

    async def _again(self, asked: Sequence[tuple[str, Expectation]]) -> tuple[Result, ...]:
        found = [await self._results(stimulus, [row]) for stimulus, row in asked]
        return tuple(it for each in found for it in each)

    async def _shown(self, at: Course, rows: Sequence[Expectation]) -> tuple[Result, ...]:
        """Results of rows once each shows, or can no longer in time."""
        live, clock, site, lo, hi = self._live, self._clock, self._site, at.raised.at.lo, at.raised.at.hi
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
        until = {row.key: now + gone_within_ns(self._site, row) for row in rows}
        await self._steps.waits.each(rows, lambda row: live.is_off(row.point), until)
        return await self._decided(at, rows, now)

    async def _decided(self, at: Course, rows: Sequence[Expectation], later_ns: int) -> tuple[Result, ...]:
        """How rows are judged now; where that is unknown, once more at ``later_ns``, and after that at the end.

        What is told may be of before the raise, until it is held for longer than it may be on its way; and a line that
        falls silent says no more before it is cleared.
        """
        results = await self._results(at.stimulus, rows)
        if any(is_unknown(it) for it in results) and later_ns > self._clock():
            await self._steps.waits.until(later_ns)
            results = await self._results(at.stimulus, rows)
        for row, result in zip(rows, results, strict=True):  # in the order of the rows
            asked = {"appears_within_ns": row.limits.appears_within_ns, "gone_within_ns": row.limits.gone_within_ns}
            said = {"stimulus": at.stimulus, "row": row.key, "verdict": result.verdict.value}
            self._steps.tools.journal.event(EXPECTED_EVENT, self._clock(), {**said, **asked})
            if is_unknown(result):
                self._pending.append((at.stimulus, row))
            elif result.verdict.verdict_class is VerdictClass.FAIL:
                self._failed.append((at.stimulus, row))
        return results

    async def _results(self, stimulus: str, rows: Sequence[Expectation]) -> tuple[Result, ...]:
        judged = await self._judge(rows)
        found = {it.expectation: it for it in judged.results if it.stimulus == stimulus}
        return tuple(found[row.key] for row in rows)

    def course(self, alarm: str) -> Course:
        """The newest raise of an alarm in this test. UsageError where there is none."""
        raised = [at for at in self._steps.courses if at.alarm.name == alarm]
        if not raised:
            if alarm not in self._site.alarms:
                raise UsageError(f"alarm={alarm}: the site has no such alarm; {did_you_mean(alarm, self._site.alarms)}")
            raise UsageError(f"alarm={alarm}: it was not raised in this test; raise it first")
        return raised[-1]

    def _raised_at(self, point: str, alarm: str) -> tuple[Course, Expectation]:
        """The newest raise that is expected at a point, and its row there."""
        courses = self._steps.courses
        if point not in self._site.points:
            shown = [row.point for at in reversed(courses) for row in at.item.loud]
            raise UsageError(
                f"point={point}: the site has no such point; {meant_point(point, shown, self._site.points)}"
            )
        if alarm:
            courses = [self.course(alarm)]
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


def meant_point(name: str, shown: Sequence[str], known: Iterable[str]) -> str:
    """``did you mean X?``. ``shown``: points at which something that is raised must show; one of these is meant first,
    where the name is near to it, or is the beginning or a part of it.
    """
    near = nearest(name, shown, alike=ALIKE)
    parts = [point for point in dict.fromkeys(shown) if name and plain(name) in plain(point)]
    if near is None and parts:
        return f"did you mean {' or '.join(parts[:PROPOSED_MAX])}?"
    return did_you_mean(name, known if near is None else [near])


def is_unknown(result: Result) -> bool:
    """True for what is neither pass nor fail."""
    return result.verdict.verdict_class is VerdictClass.UNKNOWN


def showing(row: Expectation, within_ns: int | None) -> Expectation:
    """A row by what can be said of it while its alarm is still raised: that it appears, and when."""
    limits = row.limits
    within_ns = limits.appears_within_ns if within_ns is None else within_ns
    search_ns = max(limits.search_ns, (within_ns or 0) + NS_PER_MS)
    asked = replace(limits, appears_within_ns=within_ns, search_ns=search_ns, visible_for_ns=None, gone_within_ns=None)
    return replace(row, limits=asked)
