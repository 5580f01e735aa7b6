"""What a test has in its hands: the site, live. Every call waits for its end, and fails the test itself."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Collection, Coroutine, Iterable
from pathlib import Path
from types import FrameType
from typing import Any, Concatenate, ParamSpec, TypeVar

import pytest

from harness.core.errors import RecordError, SafetyError, UsageError
from harness.core.model import Result, Site, Step
from harness.core.verdicts import Verdict, VerdictClass
from harness.plugin.bridge import LoopThread
from harness.plugin.settings import allowed_of
from harness.plugin.told import FarendFailure, Trouble, failure, troubles_of
from harness.results.interrupting import InterruptedTestError, StoppedRunError
from harness.results.steps import StepDone
from harness.run.session import SiteSession
from harness.run.session_told import Told
from harness.run.stepwise import LeftOutError, NotRaisedError
from harness.site.durations import read_duration
from harness.site.problems import Mismatch

P = ParamSpec("P")
T = TypeVar("T")

Points = str | Iterable[str] | None
Allow = str | Iterable[str]


def _kept(
    method: Callable[Concatenate[LiveSite, P], Coroutine[Any, Any, T]],
) -> Callable[Concatenate[LiveSite, P], Coroutine[Any, Any, T]]:
    """A call that nobody awaits does nothing, and a test that forgot to would pass: it is remembered. So is the line of
    the test in which a result was asked for, for what is known of it only at the end.
    """

    @functools.wraps(method)
    def call(self: LiveSite, /, *args: P.args, **kwargs: P.kwargs) -> Coroutine[Any, Any, T]:
        frame = inspect.currentframe()
        line = _line_of(frame.f_back if frame is not None else None)

        @functools.wraps(method)
        async def asked() -> T:
            __tracebackhide__ = True
            answer = await method(self, *args, **kwargs)
            for it in answer if isinstance(answer, tuple) else (answer,):
                if isinstance(it, Result):
                    self.lines[f"{it.stimulus} {it.expectation}"] = line
            return answer

        work = asked()
        self.asked.append((method.__name__, work))
        return work

    return call


class LiveSite:
    """One test's hold on the site. Times are texts such as ``'1 s'`` or ``'250 ms'``.

    A call raises FarendFailure, which is an AssertionError, where the site does not do what it must, and UsageError for
    what the site file does not have.
    """

    def __init__(self, session: SiteSession, thread: LoopThread, allowed: Collection[str], name: str = "") -> None:
        self.session = session
        self.name = name
        """The test that it is of."""
        self._thread = thread
        self._allowed = frozenset(allowed)
        self._more_allowed: set[str] = set()
        self.asked: list[tuple[str, Coroutine[Any, Any, Any]]] = []
        """Every call, by its name."""
        self.lines: dict[str, str] = {}
        """By stimulus and row, the line of the test that asked for its result last."""
        self.ended: Told | None = None
        """What came of the test; None while it runs."""

    @property
    def model(self) -> Site:
        """The site file as farend reads it."""
        return self.session.site

    @property
    def record(self) -> Path:
        """The record that is being written."""
        return self.session.record

    @property
    def allowed(self) -> frozenset[str]:
        """The unknown verdicts that do not fail this test."""
        return self._allowed | self._more_allowed

    @_kept
    async def raise_alarm(self, alarm: str, *, points: Points = None, allow: Allow = ()) -> StepDone:
        """Wait until the outputs of an alarm are normal, and raise it. Returns once the controller took it.

        What another alarm that is raised still holds on is not waited for: what both show cannot be told, and is
        ``masked``. An alarm that the reviews exclude, or that has no writes, skips a test that has raised nothing.

        ``points``: patterns of the points by which it is judged at the end of the test, all of its rows if left out.
        ``allow``: names of unknown verdicts that do not fail the test.
        """
        __tracebackhide__ = True
        self._more_allowed |= allowed_of(allow, "allow")
        try:
            return await self._ask(self.session.raise_alarm(alarm, _many(points)))
        except LeftOutError as exc:
            self._skip_where_nothing_was_raised(str(exc))
            raise FarendFailure([Trouble.of(str(exc))]) from None

    @_kept
    async def silence(self, alarm: str, *, at_once: bool = False) -> StepDone:
        """Silence it, and wait until that can be told from the next step. ``at_once``: without any waiting."""
        __tracebackhide__ = True
        return await self._ask(self.session.step(alarm, Step.SILENCE, at_once=at_once))

    @_kept
    async def acknowledge(self, alarm: str, *, at_once: bool = False) -> StepDone:
        """Acknowledge it, see :meth:`silence`."""
        __tracebackhide__ = True
        return await self._ask(self.session.step(alarm, Step.ACKNOWLEDGE, at_once=at_once))

    @_kept
    async def clear(self, alarm: str, *, at_once: bool = False) -> StepDone:
        """Clear it, see :meth:`silence`."""
        __tracebackhide__ = True
        return await self._ask(self.session.step(alarm, Step.CLEAR, at_once=at_once))

    @_kept
    async def reset(self, alarm: str, *, at_once: bool = False) -> StepDone:
        """Reset it, see :meth:`silence`."""
        __tracebackhide__ = True
        return await self._ask(self.session.step(alarm, Step.RESET, at_once=at_once))

    @_kept
    async def expect(self, point: str, *, within: str | None = None, alarm: str = "") -> Result:
        """Wait until what was raised shows at a point; fail where it does not, or not in time.

        ``within``: instead of the limit of its row. ``alarm``: which one, where several that are raised show there.
        What cannot be known yet is decided at the end of the test; the result that is returned says so.
        """
        __tracebackhide__ = True
        result = await self._ask(self.session.expect(point, _ns("within", within), alarm))
        self._must_not_fail(result)
        return result

    @_kept
    async def expect_gone(self, point: str, *, within: str | None = None, alarm: str = "") -> Result:
        """Wait until a point is off after what releases it; fail as :meth:`expect` does."""
        __tracebackhide__ = True
        result = await self._ask(self.session.expect_gone(point, _ns("within", within), alarm))
        self._must_not_fail(result)
        return result

    @_kept
    async def expect_all(self, alarm: str) -> tuple[Result, ...]:
        """Every point of a raised alarm that must react: that it shows; once it is cleared, that it is gone too."""
        __tracebackhide__ = True
        results = await self._ask(self.session.expect_all(alarm))
        self._must_not_fail(*results)
        return results

    @_kept
    async def check(self, alarm: str, *, points: Points = None, allow: Allow = ()) -> tuple[Result, ...]:
        """See an alarm through as ``farend test`` does, and fail where a row of it does not pass.

        What is unknown yet fails at the end of the test, by all that is known then. An alarm that the reviews exclude,
        or that has no writes, skips a test that has raised nothing else.

        ``points`` and ``allow``: as of :meth:`raise_alarm`.
        """
        __tracebackhide__ = True
        self._more_allowed |= allowed_of(allow, "allow")
        told = await self._ask(self.session.check(alarm, _many(points)))
        for one in told.raises:
            if one.is_left_out:
                self._skip_where_nothing_was_raised(one.why)
        troubles = troubles_of(told, self.allowed)
        if any(it.result is None or is_failed(it.result) for it in troubles):
            raise failure(self.session, told, troubles)
        return told.results

    # --- for the plugin -----------------------------------------------------------------------------

    def not_awaited(self) -> list[Trouble]:
        """Calls that did nothing, since nobody awaited them."""
        found = []
        for name, work in self.asked:
            if inspect.getcoroutinestate(work) == inspect.CORO_CREATED:
                work.close()
                found.append(
                    Trouble.of(
                        f"{name}(...) was called and not awaited, so it did nothing: write 'await site.{name}(...)'"
                    )
                )
        self.asked.clear()
        return found

    def end(self, *, is_stopped: bool) -> Told:
        """The test is over: put back, wait, compare, judge. To its end, however often the waiting is interrupted."""
        if self.ended is None:
            try:
                self.ended = self._thread.wait(self.session.end(is_stopped=is_stopped))
            finally:
                self.ended = self.ended or Told(raises=())
        return self.ended

    async def _ask(self, work: Coroutine[Any, Any, T]) -> T:
        __tracebackhide__ = True
        if self.ended is not None:
            work.close()
            raise UsageError("the test that this site was given to is over; ask for 'site' in the test that uses it")
        try:
            return await self._thread.ask(work)
        except UsageError as exc:
            raise UsageError(str(exc)) from None  # the line of the test is what is wrong
        except LeftOutError:
            raise
        except (InterruptedTestError, StoppedRunError, NotRaisedError, SafetyError, RecordError) as exc:
            raise FarendFailure([Trouble.of(str(exc))]) from None

    def _must_not_fail(self, *results: Result) -> None:
        __tracebackhide__ = True
        failed = tuple(it for it in results if is_failed(it))
        if failed:
            troubles = [
                Trouble.not_shown_yet(it) if it.verdict is Verdict.MISSED else Trouble.of_result(it, {})
                for it in failed
            ]
            raise FarendFailure(troubles, expected=failed)

    def _skip_where_nothing_was_raised(self, why: str) -> None:
        """A test of an alarm that is never raised in this run is no failure, and no pass; one that raised more is
        judged by that.
        """
        __tracebackhide__ = True
        if self.session.is_all_left_out:
            raise pytest.skip.Exception(why, _use_item_location=True)


def is_failed(result: Result) -> bool:
    """True for what is proven not to be as it must."""
    return result.verdict.verdict_class is VerdictClass.FAIL


def _line_of(frame: FrameType | None) -> str:
    return "" if frame is None else f"{Path(frame.f_code.co_filename).name}:{frame.f_lineno}"


def _many(points: Points) -> tuple[str, ...] | None:
    if points is None:
        return None
    return (points,) if isinstance(points, str) else tuple(points)


def _ns(name: str, text: str | None) -> int | None:
    """A duration in ns. UsageError for what is none, and for a number: of what?"""
    __tracebackhide__ = True  # the line of the test is what is wrong
    if text is None:
        return None
    if not isinstance(text, str):
        raise UsageError(f"{name}={text!r}: expected a text with its unit, such as '1 s' or '250 ms'")
    try:
        return read_duration(text)
    except Mismatch as exc:
        raise UsageError(f"{name}={text}: {exc.expected}" + (f"; {exc.remedy}" if exc.remedy else "")) from None
