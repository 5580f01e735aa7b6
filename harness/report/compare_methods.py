"""What the words of a comparison rest on: its tests, their level, and how many trials it would have taken."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from harness.measure.run_comparison import Compared, Finding, Method, RowCompared, RunsCompared
from harness.report import human
from harness.report.comparison import ComparisonDocument


def method_words(document: ComparisonDocument) -> Iterator[str]:
    """What the words above rest on."""
    compared, asked = document.compared, document.compared.asked
    every = [it for row in compared.rows for it in row.compared]
    confidence = f"{asked.confidence:.12g}"
    if any(it.finding in (Finding.EQUAL, Finding.SLIGHT) for it in every):
        yield (
            f"'no change worth more than {human.duration(asked.worth_ns)}': the times of one run, moved by it either "
            "way, would differ significantly from the other's, by ranks and by sums, as they are they do not, and none "
            "lies further off; or, "
            "where a run does not simply move, bounds of the difference of the medians lie within it. At a confidence "
            f"of {confidence} for each row by itself; where it is shown for every row, it holds for all of them at "
            f"{confidence} too (an intersection-union test: Berger, Technometrics 24 (1982) 295)"
        )
    if any(it.finding is Finding.OPEN for it in every):
        yield "'no evidence of a change' says neither that there is one nor that there is none"
    if needed := needed_words(document):
        yield f"'too few trials': {needed}"
    if not compared.tests:
        yield (
            f"of {human.count(compared.not_counted, 'test')} none could be significant, whatever had come: too few "
            "trials, or nothing to tell apart (nothing failed; all times of both runs fit into each other's brackets)"
        )
    else:
        left_out = f"; {compared.not_counted:,} more could not be significant whatever had come, and do not count"
        yield (
            f"tests: two-sided; the chance of any false alarm is at most {asked.level:g} over all of the "
            f"{human.count(compared.tests, 'test')} (Holm's method){left_out if compared.not_counted else ''}"
        )
    yield from _method_names(document, every)


def needed_words(document: ComparisonDocument) -> str:
    """How many trials it would have taken, where some row had too few for any difference to show; else ''."""
    compared = document.compared
    few = [it for row in compared.rows for it in row.compared if it.finding is Finding.TOO_FEW]
    if not few or compared.asked.verdicts_only:
        return ""
    least = min(few, key=lambda it: (it.before + it.after, it.before))
    return (
        f"with {least.before:,} against {least.after:,} no difference can be significant, however great it is; it "
        f"takes {compared.alone:,} in each run for one test alone, and {compared.together:,} where each row is tested, "
        f"which makes {human.count(compared.all_tests, 'test')}{_for_links(compared)}"
    )


def few_rows_words(document: ComparisonDocument) -> str:
    """How many rows have too few trials, each by itself."""
    rows = document.compared.rows
    few = sum(any(it.finding is Finding.TOO_FEW for it in row.compared) for row in rows)
    if few == len(rows):
        return f"in all {len(rows):,} rows" if len(rows) > 1 else "in the one row"
    return f"in {few:,} of {len(rows):,} rows"


def _for_links(compared: RunsCompared) -> str:
    """What the links say as wholes of rows that have too few trials each."""
    few = [it for it in compared.links if it.finding is Finding.TOO_FEW]
    enough = len(compared.links) - len(few)
    told = f"; compared as a whole: {human.count(enough, 'link')}" if enough else ""
    if few:
        pairs = ", ".join(f"{it.link} {it.pairs:,}" for it in few)
        told += f"; pairs of trials on links as a whole, too few: {pairs}"
        if compared.for_links is not None:
            told += f"; {compared.for_links:,} of each alarm in each run would do there"
    return told


def _method_names(document: ComparisonDocument, every: Sequence[Compared]) -> Iterator[str]:
    methods = Counter(it.method for it in every)
    parts = []
    if methods[Method.FISHER]:
        parts.append(f"shares by {Method.FISHER.value}, what is in doubt counted against a change")
    if methods[Method.ALIKE]:
        drawn = "" if document.compared.all_exact else f" (seed {document.seed} for those of very many trials)"
        parts.append(f"times by a {Method.ALIKE.value}, all ways to deal them counted{drawn}")
    if document.compared.links:
        parts.append("links as a whole by a sign test of what is later or sooner for certain")
    if parts:
        yield "; ".join(parts)
    in_step = [
        row
        for row in document.compared.rows
        if any(side is not None and side.is_in_step for side in (row.pair.before, row.pair.after))
    ]
    if in_step:
        yield (
            f"{human.count(len(in_step), 'row')} raised in step with a device on the way that polls: the times of a "
            "run are those of one phase, and are not compared; test again, now that its poll is declared"
        )
    if methods[Method.ENDS]:
        rows = [row for row in document.compared.rows if any(it.method is Method.ENDS for it in row.compared)]
        words = sorted({_read(row) for row in rows})
        which = f"{human.count(len(rows), 'row')} ({'; '.join(words[:3])}{'; ...' if len(words) > 3 else ''})"
        yield (
            f"{which}: compared by a {Method.ENDS.value}, which calls a change, or none, only what no value within the "
            "brackets can deny, whatever the polls were"
        )
        if not document.compared.asked.finer and any(_is_polled_alike(row) for row in rows):
            yield (
                "a device that scans, or polls another one, does so in a beat of its own, which may fall against our "
                "polls in one way all through a run and in another in the next; --finer takes it that it fell at "
                "random at every raise, and then tells changes finer than a poll"
            )


def _is_polled_alike(row: RowCompared) -> bool:
    before, after = row.pair.before, row.pair.after
    return before is not None and after is not None and before.is_polled and before.read == after.read


def _read(row: RowCompared) -> str:
    before, after = row.pair.before, row.pair.after
    if (before is not None and before.locked) or (after is not None and after.locked):
        return "raised in step with the polls"
    one, other = "" if before is None else before.read, "" if after is None else after.read
    return other if one == other else f"{other}, before: {one}"
