"""What a comparison found, in sentences that all renderers share."""

from __future__ import annotations

from collections import Counter
from typing import Final

from harness.core.instants import NS_PER_MS, Bounds
from harness.core.verdicts import Verdict, VerdictClass
from harness.measure.run_comparison import Asked, Compared, Finding, Kind, Outcome, RowCompared, Side
from harness.report import human
from harness.report.comparison import ComparisonDocument, LinkAnswers, LinkCompared, RunFacts, StrayChange

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
    return "below 1e-9" if chance < 1e-9 else f"{chance:.2g}"


def compared_words(it: Compared, asked: Asked, tests: int) -> str:
    """What one comparison found, with its numbers; for one that is significant."""
    found = (_WORSE if it.is_worse else _BETTER)[it.kind]
    if it.kind.is_share:
        found += f": {it.after_hits:,} of {it.after:,}, before {it.before_hits:,} of {it.before:,}"
    else:
        found += f"{_by(it)}; {it.before:,} against {it.after:,} trials"
    if it.finding is Finding.SLIGHT:
        found += f"; no change worth more than {human.duration(asked.worth_ns)}"
    adjusted = chance_words(1.0 if it.adjusted is None else it.adjusted)
    return f"{found} (chance {chance_words(it.chance)}, {adjusted} over all {human.count(tests, 'test')})"


def _by(it: Compared) -> str:
    """``, its median by 0.19 to 0.24 s``; less than nothing is said as it is."""
    difference = it.difference
    if difference is None:
        return ""
    is_forwards = it.is_worse is (it.kind is not Kind.VISIBLE)
    told = difference if is_forwards else Bounds(-difference.hi, -difference.lo)
    if told.is_open_above and told.is_open_below:
        return ""
    return f", its median by {human.bounds(told)}"


def reasons(row: RowCompared, asked: Asked, tests: int) -> list[str]:
    """Everything that is to be said of an expectation that is not the same as before."""
    before, after = row.pair.before, row.pair.after
    told = []
    if row.is_vanished:
        lived = "its alarm was raised in AFTER" if row.pair.lived else "its alarm was not raised in AFTER"
        told.append(f"no longer in the point map, and so no longer proven; {lived}; before: {side_words(before)}")
    elif before is None or _class(before) is not _class(after) or row.is_unknown or row.is_new_fail:
        told.append(f"{side_words(after)}; before: {side_words(before)}")
    told += [compared_words(it, asked, tests) for it in _to_tell(row)]
    return told


def _to_tell(row: RowCompared) -> list[Compared]:
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
    return f"{told}, {human.count(run.raised, 'alarm')} raised" + (f"; {run.note}" if run.note else "")


def link_compared_words(it: LinkCompared) -> str:
    """How a link answered, and whether that differs."""
    told = f"{it.link}: {_answers(it.after)}; before: {_answers(it.before)}"
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
    new = sum(it.is_new for it in document.strays)
    parts += [human.count(new, "point") + " with new strays"] if new else []
    if document.two_rates and document.slowed:
        parts.append(human.count(len(document.slowed), "link") + " that answers slower when it is read faster")
    total = human.count(len(compared.rows), "expectation")
    if parts:
        return f"FAILED: of {total}: {', '.join(parts)}"
    return f"no regression in {total}"
