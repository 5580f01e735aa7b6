"""What a comparison found, in sentences that all renderers share."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

from harness.core.instants import NS_PER_MS, Bounds
from harness.core.verdicts import Verdict, VerdictClass
from harness.measure.run_comparison import (
    Asked,
    Compared,
    Finding,
    Kind,
    Lack,
    Outcome,
    RowCompared,
    RunsCompared,
    Side,
    WholeLink,
)
from harness.report import human
from harness.report.comparison import ComparisonDocument, LinkAnswers, LinkCompared, RunFacts, StrayChange

_CHANCE_LEAST: Final = 1e-9
"""Smaller ones say no more."""

_WORSE: Final = {
    Kind.FAILS: "fails more often",
    Kind.MISSES: "is missed more often",
    Kind.LATENCY: "comes later",
    Kind.VISIBLE: "is visible for less time",
    Kind.GONE: "goes off later",
}
_BETTER: Final = {
    Kind.FAILS: "fails less often",
    Kind.MISSES: "is missed less often",
    Kind.LATENCY: "comes sooner",
    Kind.VISIBLE: "is visible for longer",
    Kind.GONE: "goes off sooner",
}


def row_words(row: RowCompared) -> str:
    """``bulk-a.high at bms:10002``, with its name before where it was renamed."""
    was = f" (before: {row.pair.was})" if row.pair.was else ""
    return f"{row.pair.alarm} at {row.pair.point}{was}"


def side_words(side: Side | None) -> str:
    """``all 8 passed``, ``5 passed, 3 late``, ``not tested`` or ``not in the point map``."""
    if side is None:
        return "not in the point map"
    if not side.verdicts:
        return "not tested"
    total, passed = len(side.verdicts), side.count(VerdictClass.PASS)
    if passed == total:
        return "passed" if total == 1 else f"all {total:,} passed"
    counts = Counter(it for it in side.verdicts if it.verdict_class is not VerdictClass.PASS)
    parts = [f"{passed:,} passed"] if passed else []
    parts += [f"{counts[it]:,} {it.value}" for it in Verdict if counts[it]]
    return parts[0].removeprefix("1 ") if total == 1 else ", ".join(parts)


def chance_words(chance: float) -> str:
    """Two figures, or an upper bound where it is very small."""
    return f"below {_CHANCE_LEAST:g}" if chance < _CHANCE_LEAST else f"{chance:.2g}"


def compared_words(found: Sequence[Compared], asked: Asked, tests: int) -> str:
    """What the same comparison found at one row, or at several alike ones, with its numbers; for significant ones."""
    it = found[0]
    told = (_WORSE if it.is_worse else _BETTER)[it.kind]
    if it.kind.is_share:
        hits = {f"{one.after_hits:,} of {one.after:,}, before {one.before_hits:,} of {one.before:,}" for one in found}
        told += f": {next(iter(hits))}" if len(hits) == 1 else ""
    else:
        told += _by(found)
    trials = {f"{one.before:,} against {one.after:,} trials" for one in found}
    if len(trials) == 1 and not it.kind.is_share:
        told += f"; {next(iter(trials))}"
    if it.finding is Finding.SLIGHT:
        told += f"; no change worth more than {human.duration(asked.worth_ns)}"
    chance = max(one.chance for one in found)
    adjusted = max(1.0 if one.adjusted is None else one.adjusted for one in found)
    most = "at most " if len(found) > 1 and chance >= _CHANCE_LEAST else ""
    return (
        f"{told} (chance {most}{chance_words(chance)}, {chance_words(adjusted)} over all {human.count(tests, 'test')})"
    )


def _by(found: Sequence[Compared]) -> str:
    """``, by 0.19 to 0.24 s``; less than nothing is said as it is."""
    told = []
    for it in found:
        if it.difference is None:
            return ""
        is_forwards = it.is_worse is (it.kind is not Kind.VISIBLE)
        told.append(it.difference if is_forwards else Bounds(-it.difference.hi, -it.difference.lo))
    whole = Bounds(min(it.lo for it in told), max(it.hi for it in told))
    if whole.is_open_above and whole.is_open_below:
        return ""
    return f", {'its median ' if any(it.of_medians for it in found) else ''}by {human.bounds(whole)}"


def reasons(row: RowCompared, asked: Asked, tests: int) -> list[str]:
    """Everything that is to be said of an expectation that is not the same as before."""
    return reasons_of([row], asked, tests)


def reasons_of(rows: Sequence[RowCompared], asked: Asked, tests: int) -> list[str]:
    """The same for rows of one gist."""
    told = [text for text in (_verdict_words(rows[0]), lack_words(rows[0])) if text]
    alike = zip(*(to_tell(row) for row in rows), strict=True)
    return told + [compared_words(found, asked, tests) for found in alike]


def gist(row: RowCompared) -> tuple[object, ...]:
    """What is to be said of a row, without its numbers: rows of one gist are told together."""
    return _verdict_words(row), lack_words(row), *((it.kind, it.finding, it.is_worse) for it in to_tell(row))


def _verdict_words(row: RowCompared) -> str:
    before, after = row.pair.before, row.pair.after
    if row.is_vanished:
        lived = "its alarm was raised in AFTER" if row.pair.lived else "its alarm was not raised in AFTER"
        return f"no longer in the point map, and so no longer proven; {lived}; before: {side_words(before)}"
    is_other = before is None or _class(before) is not _class(after)
    if is_other or row.is_unknown or _class(after) is VerdictClass.FAIL:
        return f"{side_words(after)}; before: {side_words(before)}"
    return ""


def lack_words(row: RowCompared) -> str:
    """Why its times and misses were not compared; '' where they were."""
    if row.lack is None or not row.is_not_compared:
        return ""
    why = row.lack.value
    if row.lack is Lack.FEW:
        few = [it for it in row.compared if it.finding is Finding.TOO_FEW and it.kind is not Kind.FAILS]
        it = min(few, key=lambda it: (it.before + it.after, it.before))
        why += f", {it.before:,} against {it.after:,}, and too few on its link as a whole"
    return f"times and misses not compared: {why}"


def to_tell(row: RowCompared) -> list[Compared]:
    """The comparisons that are significant; that it fails so often is not told beside that it is missed so often."""
    found = [it for it in row.compared if it.is_significant]
    missed = [(it.before_hits, it.after_hits) for it in found if it.kind is Kind.MISSES]
    return [it for it in found if it.kind is not Kind.FAILS or (it.before_hits, it.after_hits) not in missed]


def _class(side: Side | None) -> VerdictClass | None:
    return None if side is None else side.worst


HEADS: Final = {
    Outcome.REGRESSED: "FAIL regressed",
    Outcome.VANISHED: "FAIL vanished",
    Outcome.UNKNOWN: "UNKNOWN, counts as failed",
    Outcome.NOT_COMPARED: "NOT COMPARED",
    Outcome.STILL_FAILS: "still fails",
    Outcome.ALLOWED: "allowed by name",
    Outcome.CHANGED: "changed",
    Outcome.ADDED: "new",
    Outcome.SAME: "same",
}


def stray_words(it: StrayChange) -> str:
    """Sightings that nothing raised explains, before and after."""
    seen = "" if it.seen_utc_ns is None else f"; the first by {human.utc(it.seen_utc_ns)}"
    if it.is_new:
        return f"at {it.point}: {it.after:,} in AFTER, none in BEFORE{seen}"
    return f"at {it.point}: {it.before:,} in BEFORE, {it.after or 'none'} in AFTER"


def run_words(run: RunFacts) -> str:
    """Records, firmware, when, and how many alarms were raised."""
    names = ", ".join(name for name, _ in run.records[:3]) + (", ..." if len(run.records) > 3 else "")
    what = f"baseline {run.name}, " if run.name else ""
    records = f"{human.count(len(run.records), 'record')} ({names})" if len(run.records) > 1 else names
    told = f"{what}{records}, firmware {', '.join(run.firmware)}, {human.utc(run.started_utc_ns)}"
    often = "" if run.raised == run.alarms else f", {run.raised:,} times in all"
    return f"{told}, {human.count(run.alarms, 'alarm')} raised{often}" + (f"; {run.note}" if run.note else "")


def whole_words(it: WholeLink, tests: int) -> str:
    """All alarms of a link together."""
    adjusted = chance_words(1.0 if it.adjusted is None else it.adjusted)
    by = ""
    if it.difference is not None:
        moved = it.difference if it.is_worse else Bounds(-it.difference.hi, -it.difference.lo)
        by = f", by {human.bounds(moved)} in the middle"
    return (
        f"{it.link} as a whole comes {'later' if it.is_worse else 'sooner'}{by}: of {human.count(it.pairs, 'pair')} of "
        f"trials, by one row of each alarm, {it.later:,} came later for certain and {it.earlier:,} sooner "
        f"(chance {chance_words(it.chance)}, {adjusted} over all {human.count(tests, 'test')})"
    )


def link_compared_words(it: LinkCompared, *, two_rates: bool = False) -> str:
    """How a link answered, and whether that differs."""
    told = f"{it.link}: {_answers(it.after)}; before: {_answers(it.before)}"
    if two_rates and it.is_same_rate:
        return f"{told}; as often in both, so that it is not judged"
    if it.adjusted is None:
        return f"{told}; too short a time to test it"
    return f"{told} (chance {chance_words(it.adjusted)} over all links)"


def _answers(it: LinkAnswers) -> str:
    answer = human.decimal(it.answer_ns, NS_PER_MS, 2, up=True)
    failed = f", {it.failed:,} of {it.polls:,} polls failed" if it.failed else ""
    late = f", {human.count(it.overruns, 'poll')} late by more than a period" if it.overruns else ""
    return f"read every {human.measured(it.period_ns)}, answered in {answer} ms (middle){failed}{late}"


def result_words(document: ComparisonDocument) -> str:
    """One line: what fails the comparison, or that nothing does."""
    compared = document.compared
    parts = [
        f"{len(compared.of(outcome)):,} {word}"
        for outcome, word in (
            (Outcome.REGRESSED, "regressed"),
            (Outcome.VANISHED, "vanished"),
            (Outcome.UNKNOWN, "unknown and not allowed"),
        )
        if compared.of(outcome)
    ]
    if compared.slower_links:
        parts.append(human.count(len(compared.slower_links), "link") + " later as a whole")
    new = sum(it.is_new for it in document.strays)
    parts += [human.count(new, "point") + " with new strays"] if new else []
    if document.two_rates and document.slowed:
        parts.append(human.count(len(document.slowed), "link") + " that answers slower when it is read faster")
    total = human.count(len(compared.rows), "expectation")
    no_pass = [
        f"{len(compared.of(outcome)):,} {word}"
        for outcome, word in (
            (Outcome.STILL_FAILS, "fail as before"),
            (Outcome.ALLOWED, "unknown, not compared or gone, and allowed"),
        )
        if compared.of(outcome)
    ]
    what = "no regression" if not compared.asked.verdicts_only else "no verdict is worse"
    others = len(compared.rows) - len(document.not_compared) - len(compared.of(Outcome.ALLOWED))
    lacking = f": {len(document.not_compared):,} of {total}: {_lacks(document)}"
    if parts:
        told = f"FAILED: of {total}: {', '.join(parts)}"
        if document.not_compared:
            told += f"; not compared{lacking}"
    elif document.not_compared:
        told = f"NOT COMPARED{lacking}; {f'{what} in the other {others:,}' if others else 'no verdict is worse'}"
    else:
        by_link = sum(it.by_link for it in compared.rows)
        told = f"{what} in {total}"
        told += f", of which {by_link:,} only by their links as a whole, for too few trials" if by_link else ""
    return "; ".join([told, *no_pass, *([VERDICTS_ONLY] if compared.asked.verdicts_only else [])])


def _lacks(document: ComparisonDocument) -> str:
    """Why, and what it takes."""
    told = []
    for lack in Lack:
        rows = [it for it in document.not_compared if it.lack is lack]
        if rows:
            count = f"{len(rows):,} " if len(rows) < len(document.not_compared) else ""
            takes = f" ({takes_words(document.compared)})" if lack is Lack.FEW else ""
            if lack is Lack.WORSE:
                takes = f" (it takes {document.compared.together:,} in each run for each row)"
            told.append(f"{count}{lack.value}{takes}")
    return ", ".join(told)


def takes_words(compared: RunsCompared) -> str:
    """How many trials it takes, of rows and of links."""
    for_links = ""
    if compared.for_links is not None:
        for_links = f"{compared.for_links:,} of each alarm in each run for its link as a whole, "
    return f"it takes {for_links}{compared.together:,} in each run for each row"


VERDICTS_ONLY: Final = "times and misses are not compared (--verdicts)"
