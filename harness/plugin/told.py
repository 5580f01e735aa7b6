"""What came of a test, as the message of a failed one, and as the properties of every one."""

from __future__ import annotations

import shutil
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from harness.core.instants import Bounds
from harness.core.model import Alarm, Expectation, Judgement, Result, Site
from harness.core.verdicts import Verdict, VerdictClass
from harness.report import human
from harness.report.columns import WIDTH_MIN, Terminal
from harness.report.document import AttemptDocument, Fact, ReportDocument, SiteFacts
from harness.report.safe import safe_text
from harness.report.text_brief import render_brief
from harness.run.session import SiteSession
from harness.run.session_told import Told

WIDTH_MAX: Final = 120
"""Columns that the log of a build shows without folding, at the most (common practice, no source)."""

LINES_MAX: Final = 12
"""Lines of an exception's own text; the block below it has them all."""

OWN_LIMITS: Final = "A row that the test expected otherwise than the site file has it stands here as it was expected."

_GRAVITY: Final = {VerdictClass.PASS: 0, VerdictClass.UNKNOWN: 1, VerdictClass.FAIL: 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """One thing for which a test fails. ``about``: the row and its stimulus, why nothing was raised, or the text again.

    ``result``: of the row, as it was told.
    """

    text: str
    about: str
    result: Result | None = None

    @classmethod
    def of(cls, text: str) -> Trouble:
        """Of no row."""
        return cls(text=text, about=text)

    @classmethod
    def of_result(cls, it: Result, which: Mapping[str, str], word: str = "") -> Trouble:
        """Of a row that did not pass. ``which``: of :func:`which_of`; ``word``: instead of its class."""
        why = it.reason or it.verdict.meaning
        latency = "" if it.latency is None else f" (latency {human.bounds(it.latency)})"
        word = word or it.verdict.verdict_class.name
        text = f"{word} {it.verdict}: {it.alarm} at {it.point}{which.get(it.stimulus, '')}: {why}{latency}"
        return cls(text=text, about=_about(it), result=it)

    @classmethod
    def not_shown_yet(cls, it: Result) -> Trouble:
        """Of a row that is waited for no longer: nobody knows then whether it is late or missed."""
        why = f"{it.reason or it.verdict.meaning}; whether it came later is told at the end of the test"
        return cls(text=f"FAIL not shown in time: {it.alarm} at {it.point}: {why}", about=_about(it), result=it)


class FarendFailure(AssertionError):  # noqa: N818  # it is a failed assertion, and reads as one
    """What did not pass; ``block``: the matrix and the results, for the report of the test.

    ``expected``: results by limits of the test itself, where it failed by these.
    """

    __module__ = "farend"  # as it is shown; where it lies says nothing to whoever reads it

    def __init__(self, troubles: Sequence[Trouble], block: str = "", expected: Sequence[Result] = ()) -> None:
        super().__init__(_message(troubles))
        self.troubles = tuple(troubles)
        self.block = block
        self.expected = tuple(expected)

    def by_all_that_is_known(self, told: Told) -> None:
        """Say what it failed by as it is at the end of the test: what had not come in time is late, or missed.

        It stays a failure; what had failed and is said to have passed since stands as it was told. What was unknown
        beside it, and is not any more, is left out.
        """
        at_last = {_about(it): it for it in told.results} | {_about(it): it for it in told.failed}
        self.expected = tuple(_worse(it, at_last.get(_about(it))) for it in self.expected)
        which = which_of(told)
        found = []
        for it in self.troubles:
            now = None if it.result is None else at_last.get(it.about)
            if it.result is None or now is None:
                found.append(it)
            elif _worse(it.result, now) is now:
                found.append(Trouble.of_result(now, which))
            elif it.result.verdict.verdict_class is VerdictClass.FAIL:
                found.append(it)
        self.troubles = tuple(found) or self.troubles
        self.args = (_message(self.troubles),)


def _message(troubles: Sequence[Trouble]) -> str:
    to = Terminal(width=WIDTH_MIN)
    lines = [it.text for it in troubles[:LINES_MAX]]
    lines += [f"and {len(troubles) - LINES_MAX} more, see below"] if len(troubles) > LINES_MAX else []
    return "\n".join(folded for line in lines for folded in to.wrapped(line, hang=4))


def _about(result: Result) -> str:
    return f"{result.stimulus} {result.expectation}"


def _worse(was: Result, now: Result | None) -> Result:
    """What a result that failed a test has become; as it was, where it would fail it no longer."""
    return was if now is None or _GRAVITY[now.verdict.verdict_class] < _GRAVITY[was.verdict.verdict_class] else now


def troubles_of(told: Told, allowed: Collection[str], lines: Mapping[str, str] | None = None) -> list[Trouble]:
    """Everything for which a test fails, the gravest first; ``allowed``: unknown verdicts that may be.

    ``lines``: by what :class:`Trouble` is about, the line of the test that expected it. What is told by the site's
    limits is not told once more by those of the test.
    """
    which, known = which_of(told), {(_about(it), it.verdict) for it in told.results}
    mine = [it for it in told.expected if (_about(it), it.verdict) not in known]
    found = [Trouble.of(f"NOT RESTORED: {it}; put it right by hand") for it in told.differs]
    found += [Trouble.of(told.stopped)] if told.stopped else []
    found += [Trouble.of_result(it, which) for it in _of_class(told.results, VerdictClass.FAIL)]
    found += [_by_own_limit(it, which, lines or {}) for it in _of_class(mine, VerdictClass.FAIL)]
    found += [
        Trouble.of(f"FAIL stray: {it.point} came on, and {it.reason or 'nothing that was raised explains it'}")
        for it in told.strays
    ]
    found += [Trouble.of_result(it, which) for it in _of_class(told.results, VerdictClass.UNKNOWN, allowed)]
    found += [_by_own_limit(it, which, lines or {}) for it in _of_class(mine, VerdictClass.UNKNOWN, allowed)]
    if Verdict.NOT_RUN not in allowed:
        for why in dict.fromkeys(told.not_run.values()):
            keys = [key for key, it in told.not_run.items() if it == why]
            text = f"UNKNOWN not-run: {human.count(len(keys), 'row')} {', '.join(keys)}{why and f': {why}'}"
            found.append(Trouble(text=text, about=why or text))
    return found


def which_of(told: Told) -> dict[str, str]:
    """Of each stimulus of an alarm that was raised more than once, which of its raises that is, in words."""
    of_alarm: dict[str, list[str]] = {}
    for one in told.raises:
        if one.stimulus:
            of_alarm.setdefault(one.alarm, []).append(one.stimulus)
    return {
        stimulus: f" (raise {number} of {len(stimuli)})"
        for stimuli in of_alarm.values()
        if len(stimuli) > 1
        for number, stimulus in enumerate(stimuli, start=1)
    }


def _of_class(results: Iterable[Result], wanted: VerdictClass, allowed: Collection[str] = ()) -> list[Result]:
    return [it for it in results if it.verdict.verdict_class is wanted and it.verdict not in allowed]


def _by_own_limit(it: Result, which: Mapping[str, str], lines: Mapping[str, str]) -> Trouble:
    line = lines.get(_about(it), "")
    return Trouble.of_result(
        it, which, f"{it.verdict.verdict_class.name} by a limit of the test{line and f' ({line})'},"
    )


def failure(session: SiteSession, told: Told, troubles: Sequence[Trouble]) -> FarendFailure:
    """The exception for ``troubles``."""
    return FarendFailure(troubles, block_of(session, told))


def log() -> Terminal:
    """As many columns as the log of a build shows."""
    columns = shutil.get_terminal_size((WIDTH_MAX - 20, 40)).columns
    return Terminal(width=max(WIDTH_MIN, min(WIDTH_MAX, columns)))


def block_of(session: SiteSession, told: Told) -> str:
    """The matrix, the results and what a person would have been told, in as many columns as a log has."""
    to = log()
    results = as_expected(told)
    is_own, told = results != told.results, replace(told, results=results)
    lines = to.wrapped(OWN_LIMITS, hang=4) if is_own else []
    lines += [folded for text in session.said() for folded in to.wrapped(f"told: {text}", hang=4)]
    brief = [render_brief(_document(session, told), width=to.width)] if told.raises or told.strays else []
    return "\n".join([*brief, *lines, f"record: {session.record}"])


def as_expected(told: Told) -> tuple[Result, ...]:
    """The results, each row as the test expected it where that came to something worse than by the site's limits."""
    found = {(it.stimulus, it.expectation): it for it in told.results}
    for one in told.expected:
        mine = found.get((one.stimulus, one.expectation))
        if mine is not None and _GRAVITY[one.verdict.verdict_class] > _GRAVITY[mine.verdict.verdict_class]:
            found[one.stimulus, one.expectation] = one
    return tuple(found[it.stimulus, it.expectation] for it in told.results)


def _document(session: SiteSession, told: Told) -> ReportDocument:
    """The document of one test, of what it raised alone."""
    site = _narrowed(session.site, {key for one in told.raises for key in one.keys})
    utc_ns, at_ns = session.anchor
    attempt = AttemptDocument(
        record=session.record.name,
        sha256="",
        started_utc_ns=utc_ns,
        anchor_ns=at_ns,
        ended_ns=at_ns,
        utc_offset_s=0,
        tool_version="",
        who="",
        judgement=Judgement(results=told.results, strays=told.strays),
        planned=tuple(row.key for row in site.expectations),
    )
    facts = SiteFacts(
        name=site.name,
        title=Fact(value=site.title),
        controller=Fact(value=site.controller),
        firmware=Fact(value=site.firmware),
    )
    return ReportDocument(facts=facts, site=site, attempts=(attempt,))


def _narrowed(site: Site, keys: Collection[str]) -> Site:
    rows: list[Expectation] = [row for row in site.expectations if row.key in keys]
    named = {row.alarm for row in rows}
    alarms: dict[str, Alarm] = {name: alarm for name, alarm in site.alarms.items() if name in named}
    return replace(site, expectations=tuple(rows), alarms=alarms)


def properties(session: SiteSession, seed: int, told: Told) -> list[tuple[str, str]]:
    """For JUnit XML and other reports: what was tested, where its record is, and what each row came to.

    Bounds are in ns, ``lo..hi``; an end that is open is left out.
    """
    site = session.site
    found = [
        ("farend_site", site.name),
        ("farend_controller", site.controller),
        ("farend_firmware", site.firmware),
        ("farend_record", str(session.record)),
        ("farend_seed", str(seed)),
    ]
    for result in told.results:
        key = f"[{result.expectation}]"
        found.append((f"farend_verdict{key}", result.verdict.value))
        found.append((f"farend_stimulus{key}", result.stimulus))
        for name, bounds in (("latency", result.latency), ("visible", result.visible)):
            if bounds is not None:
                found.append((f"farend_{name}_ns{key}", _ns(bounds)))
    found += [(f"farend_verdict[{key}]", Verdict.NOT_RUN.value) for key in told.not_run]
    found += [(f"farend_stray[{it.point}]", it.reason or Verdict.STRAY.meaning) for it in told.strays]
    found += [("farend_not_restored", text) for text in told.differs]
    return [(name, safe_text(value)) for name, value in found]


def _ns(bounds: Bounds) -> str:
    return f"{'' if bounds.is_open_below else bounds.lo}..{'' if bounds.is_open_above else bounds.hi}"
