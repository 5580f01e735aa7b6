"""One opened session as the plugin holds it: tests begin and end in it, and at its end its record is judged."""

from __future__ import annotations

import re
import time
from collections import Counter
from collections.abc import Collection
from dataclasses import replace
from typing import Final

import pytest

from harness.core.errors import RecordError, SiteError
from harness.core.model import Site
from harness.core.verdicts import Verdict, VerdictClass
from harness.plugin.allowing import allowed_rows, properties_of, why_no_pass
from harness.plugin.bridge import LoopThread
from harness.plugin.live_site import LiveSite
from harness.plugin.told import FarendFailure, Trouble, block_of, failure, log, properties, troubles_of
from harness.report.columns import WIDTH_MIN, Terminal
from harness.report.ledger_words import open_lines
from harness.results.judging import JudgedRecord, judge_record
from harness.run.session import SiteSession
from harness.run.session_told import Told
from harness.run.testing import TestOptions
from harness.site.reading import Documents

_OPTION: Final = re.compile(r"(?<![\w-])--(arm|reviews|ledger|inhibited|standing|only|link)(?![\w-])")
"""Options of the command line that refusals name; pytest has them under names of their own."""


class Opened:
    """Opens when it is made. SafetyError or another FarendError where nothing may be raised."""

    def __init__(self, site: Site, documents: Documents, options: TestOptions, thread: LoopThread) -> None:
        self.sha256 = ""
        self.still_open: tuple[str, ...] = ()
        """What is to be done in the ledger, once the record was closed."""
        self.left_on: dict[str, str] = {}
        """Points that are on and were off, each with the test that left it so."""
        self.dead_links: dict[str, str] = {}
        """Where no link of any row ever came up: why each is down."""
        self._thread = thread
        self._session = SiteSession(site, documents, options, time.monotonic_ns)
        self._tests: list[LiveSite] = []
        self._is_closed = False
        thread.wait(self._session.open(), may_stop=True)

    def begin(self, name: str, allowed: Collection[str]) -> LiveSite:
        """What one test has of it. Fails the test where the session was stopped."""
        if not self._session.is_open:
            raise refusal(f"nothing more is raised in this session: {self._session.why_over}")

        async def began() -> None:
            self._session.begin(name)

        self._thread.wait(began())
        live = LiveSite(self._session, self._thread, allowed, name)
        self._tests.append(live)
        return live

    def close(self) -> Exception | None:
        """Close the record and judge it. Returns what fails for it, None where all that was said before stands."""
        if self._is_closed:
            return None
        self._is_closed = True
        self.dead_links = self._session.dead_links
        for live in self._tests:
            self.left_on |= dict.fromkeys((live.ended or Told(raises=())).left_on, live.name)
        self._thread.wait(self._session.close())
        try:
            judged = judge_record(self._session.record)
        except (RecordError, SiteError) as exc:
            return FarendFailure([Trouble.of(f"the record cannot be judged, so nothing is proven: {exc}")])
        try:
            self.sha256 = judged.sha256
            if judged.ledger is not None and not judged.ledger.is_settled:
                self.still_open = (*judged.ledger.problems, *open_lines(judged.ledger.state))
            lines = list(self._denied(judged))
        finally:
            judged.reader.close()
        troubles = [Trouble.of(it) for it in ("the record says otherwise than the test:", *lines)]
        return failure(self._session, self._whole(judged), troubles) if lines else None

    def _denied(self, judged: JudgedRecord) -> list[str]:
        """What the record says that no test has failed by."""
        by_record = {(it.stimulus, it.expectation): it for it in judged.judgement.results}
        lines, differs = [], False
        strays: Counter[str] = Counter()
        for live in self._tests:
            told = live.ended or Told(raises=())
            strays.update(it.point for it in told.strays)
            differs |= bool(told.differs)
            for result in told.results:
                mine = by_record.get((result.stimulus, result.expectation))
                verdict = Verdict.NOT_RUN if mine is None else mine.verdict
                is_worse = verdict.verdict_class is not result.verdict.verdict_class
                if is_worse and verdict.verdict_class is not VerdictClass.PASS and verdict not in live.allowed:
                    why = "" if mine is None else f": {mine.reason}"
                    lines.append(f"{verdict}: {result.expectation}, which was {result.verdict} in the test{why}")
        for stray in judged.judgement.strays:
            strays[stray.point] -= 1
            if strays[stray.point] < 0:
                lines.append(f"{stray.verdict}: {stray.point} came on, and nothing that was raised explains it")
        if judged.is_changed and not differs:
            lines.append("NOT RESTORED: something is not as it was found; see 'as left' in the report of the record")
        return lines

    def _whole(self, judged: JudgedRecord) -> Told:
        raises = tuple(one for live in self._tests for one in (live.ended or Told(raises=())).raises)
        return Told(raises=raises, results=judged.judgement.results, strays=judged.judgement.strays)


def refusal_text(why: str) -> str:
    """What refuses, in its own words, with the options as pytest has them, folded for a log."""
    why = _OPTION.sub(r"--farend-\1", why)
    return "\n".join(folded for line in f"farend: {why}".split("\n") for folded in log().wrapped(line, hang=4))


def refusal(why: str) -> BaseException:
    """What fails a test before it begins. To be raised."""
    return pytest.fail.Exception(refusal_text(why), pytrace=False)


def ended(live: LiveSite, item: pytest.Function, seed: int, exc: BaseException | None) -> Exception | None:
    """End the test of an item. Returns what it fails by, where it did not fail before: None where all passed.

    No skip hides what is proven to be wrong, and no allow makes a pass of a test that has observed nothing.
    A failed expectation is seen out like any other alarm, so that its record is whole; anything else puts back at once.
    """
    if live.ended is not None:
        return None
    told = live.end(is_stopped=exc is not None and not isinstance(exc, FarendFailure))
    item.user_properties.extend(properties(live.session, seed, told))
    forgotten = live.not_awaited()
    troubles = [*forgotten, *troubles_of(told, live.allowed, live.lines)]
    if isinstance(exc, pytest.skip.Exception):
        proven = [*forgotten, *troubles_of(told, [it.value for it in Verdict])]
        return failure(live.session, told, proven) if proven else None
    if exc is None:
        why = "" if troubles else why_no_pass(told)
        if why:
            troubles = [Trouble.of(f"UNKNOWN: {why}, so that no allow makes it a pass")]
        if troubles:
            return failure(live.session, told, troubles)
        item.user_properties.extend(properties_of(allowed_rows(told, live.allowed)))
        return None
    if isinstance(exc, FarendFailure):
        exc.by_all_that_is_known(told)
        exc.block = block_of(live.session, replace(told, expected=(*exc.expected, *told.expected)))
        known = {it.about for it in exc.troubles}
        _note(exc, [it.text for it in troubles if it.about not in known])
    else:
        _note(exc, [*([told.stopped] if told.stopped else []), *(f"NOT RESTORED: {it}" for it in told.differs)])
        if told.raises and not told.differs:
            _note(exc, ["what was raised has been put back"])
    return None


def _note(exc: BaseException, lines: list[str]) -> None:
    for line in lines:
        exc.add_note("\n".join(Terminal(width=WIDTH_MIN).wrapped(f"farend: {line}", hang=4)))
