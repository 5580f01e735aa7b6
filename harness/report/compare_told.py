"""What a comparison of two runs found, one finding a line: what is worse, then what changed; text and page share it.

Each finding is a head in a few words and what is to be said: ``("FAIL regressed", "bulk-a.high at bms:10002: ...")``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final

from harness.measure.run_comparison import Compared, Finding, Kind, Outcome, RowCompared
from harness.report import human
from harness.report.compare_words import (
    HEADS,
    VERDICTS_ONLY,
    gist,
    link_compared_words,
    reasons,
    reasons_of,
    result_words,
    row_words,
    run_words,
    stray_words,
    whole_words,
)
from harness.report.comparison import ComparisonDocument, MapChange
from harness.report.gathered import in_runs

Told = tuple[str, str]

SUGGESTED: Final = "likely renamed, and not taken so; if it is so, put these lines into a file for --renames"
ALIKE_FROM: Final = 4
"""So many rows of one link of which the same is to be said are told together."""
ROWS_MAX: Final = 12
"""Rows of one link and one outcome that are told each; of more, the rest is counted."""
NAMES_MAX: Final = 20
"""Names of such rows."""
ANSWERS_OTHER: Final = 1.25
"""By so much, as a factor, the answers of a link must differ to be told of where nobody asked."""
MAP_MAX: Final = 15
"""Differences of the point maps that are told each."""


def failing(document: ComparisonDocument, *, rest: str = "") -> Iterator[Told]:
    """What fails the comparison. ``rest``: where those are told that are only counted here; '' tells every one."""
    for outcome in (Outcome.REGRESSED, Outcome.VANISHED, Outcome.UNKNOWN):
        yield from _of(document, outcome, rest)
    for link in document.compared.slower_links:
        yield HEADS[Outcome.REGRESSED], whole_words(link, document.compared.tests)
    for it in document.strays:
        if it.is_new:
            yield "FAIL stray", stray_words(it)
    if document.two_rates:
        for one in document.slowed:
            yield "FAIL polling faster made the device slower", link_compared_words(one, two_rates=True)


def not_compared(document: ComparisonDocument, *, rest: str = "") -> Iterator[Told]:
    """The rows of which it is not known whether they are worse. ``rest``: as of ``failing``."""
    yield from _of(document, Outcome.NOT_COMPARED, rest)


def changes(document: ComparisonDocument, *, rest: str = "") -> Iterator[Told]:
    """What is otherwise than it was, and does not fail the comparison."""
    for outcome in (Outcome.STILL_FAILS, Outcome.ALLOWED, Outcome.CHANGED, Outcome.ADDED):
        yield from _of(document, outcome, rest)
    for link in document.compared.links:
        if link.finding in (Finding.BETTER, Finding.SLIGHT):
            yield HEADS[Outcome.CHANGED], whole_words(link, document.compared.tests)
    for it in document.orders.changes:
        was = f"{it.first} came before {it.second} ({_of_trials(it.before)} prove it)"
        yield "changed order", f"{it.alarm}: {was}, and comes after it now ({_of_trials(it.after)})"
    for stray in document.strays:
        if not stray.is_new:
            yield "stray" if stray.after else "no longer stray", stray_words(stray)


def _of(document: ComparisonDocument, outcome: Outcome, rest: str) -> Iterator[Told]:
    """The rows with one outcome: those of one link and one gist together, of many others the first ones."""
    compared, head = document.compared, HEADS[outcome]
    by_link: dict[str, dict[tuple[object, ...], list[RowCompared]]] = {}
    for row in compared.of(outcome):
        by_link.setdefault(row.pair.link, {}).setdefault(gist(row), []).append(row)
    for link, by_gist in by_link.items():
        alone: list[RowCompared] = []
        for rows in by_gist.values():
            if not rest or len(rows) < ALIKE_FROM:
                alone += rows
                continue
            told = "; ".join(reasons_of(rows, compared.asked, compared.tests))
            shown = rows if len(rows) <= NAMES_MAX + 1 else rows[:NAMES_MAX]
            left = f", and {len(rows) - len(shown):,} more; {rest}" if len(rows) > len(shown) else ""
            names = ", ".join(in_runs(row_words(it) for it in shown)) + left
            yield head, f"{len(rows):,} rows on {link}: {told}: {names}"
        most = len(alone) if not rest or len(alone) <= ROWS_MAX + 1 else ROWS_MAX
        for row in alone[:most]:
            yield head, f"{row_words(row)}: {'; '.join(reasons(row, compared.asked, compared.tests))}"
        if len(alone) > most:
            yield head, f"{len(alone) - most:,} more rows on {link}; {rest}"


def _of_trials(counts: tuple[int, int]) -> str:
    return f"{counts[0]:,} of {human.count(counts[1], 'trial')}"


def map_differences(document: ComparisonDocument, *, rest: str = "") -> Iterator[Told]:
    """How the point maps differ."""
    found = document.map_differences
    most = len(found) if not rest or len(found) <= MAP_MAX + 1 else MAP_MAX
    for it in found[:most]:
        less = ", so that a pass proves less" if it.change is MapChange.LOOSER else ""
        yield f"point map, {it.change.value}{less}", it.what + (f": {it.text}" if it.text else "")
    if len(found) > most:
        left = Counter(it.change for it in found[most:])
        counts = ", ".join(f"{count:,} {change.value}" for change, count in left.items())
        yield "point map", f"{len(found) - most:,} more differences ({counts}); {rest}"


def answers(document: ComparisonDocument, *, every: bool = False) -> Iterator[str]:
    """How fast links answered, where that differs much, or somebody asked for it."""
    level = document.compared.asked.level
    for it in document.links:
        one, other = it.before.answer_ns, it.after.answer_ns
        is_other = (
            it.adjusted is not None and it.adjusted <= level and max(one, other) > ANSWERS_OTHER * min(one, other)
        )
        if every or document.two_rates or is_other:
            yield f"answers of {link_compared_words(it, two_rates=document.two_rates)}"


_FINDING_WORD: Final = {
    Finding.WORSE: "worse",
    Finding.BETTER: "better",
    Finding.SLIGHT: "slight",
    Finding.EQUAL: "shown equal",
    Finding.OPEN: "no evidence",
    Finding.TOO_FEW: "too few",
}


def finding_word(it: Compared | None) -> str:
    """One comparison in a word; '' where there was none."""
    if it is None:
        return ""
    if it.finding is Finding.OPEN and it.kind.is_share and not it.before_hits + it.after_hits:
        return "none"
    return _FINDING_WORD[it.finding]


_SHOWN_ORDER: Final = (
    *(Finding.EQUAL, Finding.OPEN, Finding.TOO_FEW),
    *(Finding.WORSE, Finding.BETTER, Finding.SLIGHT),
)


def shown_heads(document: ComparisonDocument) -> tuple[tuple[str, str], ...]:
    """Two lines of head for each column of ``shown_counts``."""
    worth = human.duration(document.compared.asked.worth_ns)
    return (
        ("", ""),
        ("no change worth", f"more than {worth}"),
        ("no evidence", "of a change"),
        ("too few", "trials"),
        ("", "worse"),
        ("", "better"),
        ("changed, by less", f"than {worth}"),
    )


def shown_counts(document: ComparisonDocument) -> list[list[str]]:
    """How many rows are shown not to have changed, and of how many nothing is known, for each kind of comparison."""
    compared = document.compared
    body = []
    for kind in Kind:
        found = [it for row in compared.rows for it in row.compared if it.kind is kind]
        counts = Counter(it.finding for it in found)
        if found:
            no_such = {Finding.EQUAL, Finding.SLIGHT} if kind.is_share else set()
            body.append([kind.value, *("-" if it in no_such else f"{counts[it]:,}" for it in _SHOWN_ORDER)])
    wholes = Counter(it.finding for it in compared.links)
    if wholes:
        body.append(["links as a whole", *(f"{wholes[it]:,}" for it in _SHOWN_ORDER)])
    return body


def order_words(document: ComparisonDocument) -> str:
    """Of how many pairs of outputs the order is known; '' where there are none."""
    same, changed, unsettled = document.orders.same, len(document.orders.changes), document.orders.open
    if not (same or changed or unsettled):
        return ""
    return (
        f"order of outputs: {same:,} pairs keep theirs, {changed:,} changed; of {unsettled:,} it is not proven in "
        "both runs"
    )


def front(document: ComparisonDocument) -> Iterator[Told]:
    """What was compared."""
    first, second = ("slower polls", "faster polls") if document.two_rates else ("BEFORE", "AFTER")
    yield first, run_words(document.before)
    yield second, run_words(document.after)
    if document.only:
        yield "only", f"{', '.join(document.only)}: of nothing else anything is said here (--only)"
    if document.compared.asked.verdicts_only:
        yield "verdicts", f"{VERDICTS_ONLY}, so nothing is said of them"
    for text in document.notes:
        yield "note", text
    for text in document.renamed:
        yield "renamed", text


def results(document: ComparisonDocument) -> Iterator[str]:
    """What fails the comparison, in a line, or that nothing does."""
    yield result_words(document)
    if document.two_rates and not document.is_failing:
        every = [it for row in document.compared.rows for it in row.compared if it.kind is Kind.LATENCY]
        equal = sum(it.finding in (Finding.EQUAL, Finding.SLIGHT) for it in every)
        worth = human.duration(document.compared.asked.worth_ns)
        unknown = len(document.not_compared)
        said = _slowing(document, every, worth)
        if unknown and said == _NO_SIGN:
            said = f"whether polling faster slows the device is not known of {human.count(unknown, 'row')}"
        yield (
            f"{said}; for {equal:,} of {human.count(len(every), 'row')} it is shown that "
            f"the latency does not change by more than {worth}"
        )


_NO_SIGN: Final = "no sign that polling faster slows the device"


def _slowing(document: ComparisonDocument, latencies: Sequence[Compared], worth: str) -> str:
    """What is slower where a device is polled faster, though by less than fails the comparison."""
    rows = sum(it.finding is Finding.SLIGHT and it.is_worse for it in latencies)
    found = [human.count(rows, "row comes", "rows come") + " later"] if rows else []
    wholes = [it.link for it in document.compared.links if it.finding is Finding.SLIGHT and it.is_worse]
    found += [f"{it} as a whole comes later" for it in wholes]
    if document.slower:
        found.append(f"{', '.join(it.link for it in document.slower)}: answers take longer")
    if not found:
        return _NO_SIGN
    return f"polling faster slows the device, by less than a change is worth ({worth}): {'; '.join(found)}"
