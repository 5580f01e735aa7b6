"""What stands of several attempts: for each row of the point map the newest results, earlier ones beside them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from harness.core.model import Alarm, Cause, Expectation, Point, Result, Stray
from harness.core.verdicts import Verdict, VerdictClass
from harness.report.document import AttemptDocument, ReportDocument
from harness.report.log_book import Remark
from harness.report.retests import raised_of, split_by_retest

_WORST_FIRST: Final = {VerdictClass.FAIL: 0, VerdictClass.UNKNOWN: 1, VerdictClass.PASS: 2}
NOT_REACHED: Final = "planned in this attempt and not reached"


@dataclass(frozen=True, slots=True, kw_only=True)
class Earlier:
    """A result of an earlier attempt, or of one before a retest; attempts are numbered from the oldest, which is 1."""

    attempt: int
    result: Result


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row of the point map and what stands of it.

    ``attempt``: number of the newest attempt that planned or judged it, None where no record of this report did.
    ``results``: that attempt's results, worst first; empty where it was planned and not reached.
    """

    index: int
    expectation: Expectation
    alarm: Alarm
    point: Point
    attempt: int | None
    results: tuple[Result, ...]
    earlier: tuple[Earlier, ...]
    retest: str = ""
    """Why the alarm was raised once more; '' where nobody said so."""
    left_out: str = ""
    """Why it was planned and not reached, where somebody said so."""

    @property
    def verdict(self) -> Verdict | None:
        """The worst verdict of the standing results; ``not-run`` where not reached, None where never planned."""
        if self.attempt is None:
            return None
        return self.results[0].verdict if self.results else Verdict.NOT_RUN

    @property
    def verdict_class(self) -> VerdictClass | None:
        """Its class, or None where the row was never planned."""
        return None if self.verdict is None else self.verdict.verdict_class

    @property
    def same(self) -> int:
        """How many of the standing results have the worst verdict."""
        return sum(result.verdict is self.verdict for result in self.results)

    @property
    def reason(self) -> str:
        """Why it failed or is unknown, in a sentence; '' for a pass."""
        if self.results:
            return self.results[0].reason
        if self.attempt is None:
            return ""
        return f"{NOT_REACHED}: {self.left_out}" if self.left_out else NOT_REACHED


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingStray:
    """A stray that no newer attempt has disproved."""

    attempt: int
    stray: Stray


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedCause:
    """A cause that explains several results, and the rows it explains."""

    attempt: int
    cause: Cause
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Everything that stands, in the order of the point map."""

    rows: tuple[Row, ...]
    strays: tuple[StandingStray, ...]
    shared: tuple[SharedCause, ...]
    gone: tuple[Earlier, ...]
    """Results of earlier attempts for rows that the newest point map no longer has; shown, not counted."""

    def of_class(self, wanted: VerdictClass | None) -> tuple[Row, ...]:
        """The rows of one verdict class; None: rows that were never planned."""
        return tuple(row for row in self.rows if row.verdict_class is wanted)

    @property
    def verdicts(self) -> tuple[Verdict, ...]:
        """Every verdict that stands, strays included; for counting and for the exit code."""
        told = tuple(row.verdict for row in self.rows if row.verdict is not None)
        return told + tuple(one.stray.verdict for one in self.strays)

    def count(self, wanted: Verdict | VerdictClass) -> int:
        """How many of the standing verdicts are this verdict, or of this class."""
        if isinstance(wanted, VerdictClass):
            return sum(verdict.verdict_class is wanted for verdict in self.verdicts)
        return sum(verdict is wanted for verdict in self.verdicts)


def worst_first(results: Iterable[Result]) -> tuple[Result, ...]:
    """Fail, unknown, pass; in the order given within a class."""
    return tuple(sorted(results, key=lambda result: _WORST_FIRST[result.verdict.verdict_class]))


def standing_of(document: ReportDocument) -> Standing:
    """Merge the attempts. The newest attempt that planned or judged a row stands for it, whatever it says."""
    total = len(document.attempts)
    by_key: dict[str, list[tuple[int, list[Result]]]] = {row.key: [] for row in document.site.expectations}
    superseded: dict[str, list[Earlier]] = {}
    gone: list[Earlier] = []
    for position, attempt in enumerate(document.attempts):
        number = total - position
        found: dict[str, list[Result]] = {key: [] for key in attempt.planned}
        stands, before = split_by_retest(attempt.judgement.results, raised_of(attempt.stimuli), attempt.retests)
        for result in stands:
            found.setdefault(result.expectation, []).append(result)
        for result in before:
            superseded.setdefault(result.expectation, []).append(Earlier(attempt=number, result=result))
        for key, results in found.items():
            if key in by_key:
                by_key[key].append((number, results))
            else:
                gone.extend(Earlier(attempt=number, result=result) for result in results)
    rows = tuple(
        _row(index, document, expectation, by_key[expectation.key], superseded.get(expectation.key, ()))
        for index, expectation in enumerate(document.site.expectations, start=1)
    )
    return Standing(rows=rows, strays=_strays(document), shared=_shared(document, rows), gone=tuple(gone))


def _row(
    index: int,
    document: ReportDocument,
    expectation: Expectation,
    told: list[tuple[int, list[Result]]],
    superseded: Sequence[Earlier],
) -> Row:
    before = [Earlier(attempt=number, result=result) for number, results in told[1:] for result in results]
    stands = document.attempts[len(document.attempts) - told[0][0]] if told else None
    earlier = sorted([*superseded, *before], key=lambda it: -it.attempt)
    return Row(
        index=index,
        expectation=expectation,
        alarm=document.site.alarms[expectation.alarm],
        point=document.site.points[expectation.point],
        attempt=told[0][0] if told else None,
        results=worst_first(told[0][1]) if told else (),
        earlier=tuple(earlier),
        retest=_said(stands, expectation.alarm, (Remark.RETEST,)) if earlier else "",
        left_out=_said(stands, expectation.alarm, (Remark.SKIPPED, Remark.NOT_POSSIBLE))
        or _never_up(stands, document.site.points[expectation.point].link),
    )


def _said(attempt: AttemptDocument | None, alarm: str, kinds: Sequence[Remark]) -> str:
    """The newest of these remarks of an alarm in an attempt, in words; '' where there is none."""
    remarks = () if attempt is None else attempt.log.remarks
    found = [one for one in remarks if one.kind in kinds and one.alarm == alarm]
    if not found:
        return ""
    told = found[-1].text or "no reason recorded"
    return told if found[-1].kind is Remark.RETEST else f"{found[-1].kind.value}: {told}"


def _never_up(attempt: AttemptDocument | None, link: str) -> str:
    """That the link of a row was never up in an attempt, and why; '' where it was."""
    figures = () if attempt is None else attempt.links
    return next((f"link {link}: {it.never_up}" for it in figures if it.link == link and it.never_up), "")


def _strays(document: ReportDocument) -> tuple[StandingStray, ...]:
    """A stray stands until a newer attempt has a definite result at its point, and no stray there."""
    total = len(document.attempts)
    looked: set[str] = set()
    standing: list[StandingStray] = []
    for position, attempt in enumerate(document.attempts):
        standing.extend(
            StandingStray(attempt=total - position, stray=stray)
            for stray in attempt.judgement.strays
            if stray.point not in looked
        )
        looked.update(
            result.point
            for result in attempt.judgement.results
            if result.verdict.verdict_class is not VerdictClass.UNKNOWN
        )
    return tuple(standing)


def _shared(document: ReportDocument, rows: tuple[Row, ...]) -> tuple[SharedCause, ...]:
    """Each cause once, under the newest attempt that names it; old causes only where they still explain a row."""
    total = len(document.attempts)
    newest: dict[tuple[str, str], tuple[int, Cause]] = {}
    for position, attempt in enumerate(document.attempts):
        for cause in attempt.judgement.causes:
            newest.setdefault((cause.code, cause.text), (total - position, cause))
    explained = explained_by(rows)
    return tuple(
        SharedCause(attempt=number, cause=cause, rows=tuple(explained.get(key, ())))
        for key, (number, cause) in newest.items()
        if number == total or key in explained
    )


def explained_by(rows: Iterable[Row]) -> Mapping[tuple[str, str], list[Row]]:
    """Rows by the (code, text) of each cause that their standing results name."""
    found: dict[tuple[str, str], list[Row]] = {}
    for row in rows:
        for key in dict.fromkeys((cause.code, cause.text) for result in row.results for cause in result.causes):
            found.setdefault(key, []).append(row)
    return found
