"""Many rows in few words: how many of each pass and the slowest of them, and rows that differ in their names only."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from harness.core.instants import Bounds
from harness.core.model import Result
from harness.core.verdicts import Verdict, VerdictClass
from harness.report import human
from harness.report.standing import Row
from harness.report.words import CLASS_WORD, NOT_PLANNED

RUN_FROM: Final = 3
"""So many names that count up are told by the first and the last of them."""

NUMBER_DIGITS_MAX: Final = 12
"""Longer runs of digits in a name are no address, and Python refuses to read very long ones."""

_PARTS: Final = re.compile(r"([0-9]+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """Rows of one class in one place. ``words``: how many, and their verdicts where they did not pass.

    ``within``: ``\u2264 0.34 s``, the slowest pass of all their trials, or ''. ``href``: anchor of the first row that
    did not pass, or ''.
    """

    verdict_class: VerdictClass | None
    words: str
    within: str = ""
    href: str = ""


ALIKE_FROM: Final = 3
"""So many rows of one link with one verdict and the same causes are told together."""


def slowest(results: Iterable[Result]) -> Result | None:
    """The pass whose latency may have been the longest; None where none was timed. The first one of equals."""
    timed = [it for it in results if it.verdict.verdict_class is VerdictClass.PASS and it.latency is not None]
    return max(timed, key=lambda it: 0 if it.latency is None else it.latency.hi, default=None)


def over_all(times: Iterable[Bounds | None]) -> Bounds | None:
    """Bounds that hold each of several trials, of those that were timed; None where none was."""
    timed = [it for it in times if it is not None]
    return Bounds(min(it.lo for it in timed), max(it.hi for it in timed)) if timed else None


def latency_of(row: Row) -> Bounds | None:
    """The latencies of all trials of a row that came to its verdict."""
    return over_all(it.latency for it in row.results if it.verdict is row.verdict)


def visible_of(row: Row) -> Bounds | None:
    """The visible times of all trials of a row that came to its verdict."""
    return over_all(it.visible for it in row.results if it.verdict is row.verdict)


def widest_gap_of(row: Row) -> int | None:
    """The widest gap of all trials of a row that came to its verdict, in ns."""
    return max((it.widest_gap_ns for it in row.results if it.verdict is row.verdict and it.widest_gap_ns is not None),
               default=None)  # fmt: skip


def row_pass_words(rows: Sequence[Row]) -> str:
    """As :func:`pass_words` of rows: each counts once, and the slowest is that of all their trials."""
    counts = Counter(it.verdict for it in rows if it.verdict is not None and it.verdict_class is VerdictClass.PASS)
    return _pass_words(counts, [result for row in rows for result in row.results], where=True)


def pass_words(results: Sequence[Result], *, where: bool = True) -> str:
    """``17 on-time within 0.34 s (slowest: gateway:10002), 23 quiet``; '' where nothing passed.

    ``where``: whether the slowest point is named.
    """
    counts = Counter(it.verdict for it in results if it.verdict.verdict_class is VerdictClass.PASS)
    return _pass_words(counts, results, where=where)


def _pass_words(counts: Mapping[Verdict, int], results: Sequence[Result], *, where: bool) -> str:
    parts = []
    for verdict in Verdict:
        if not counts.get(verdict):
            continue
        found = slowest(it for it in results if it.verdict is verdict and verdict is not Verdict.QUIET)
        text = f"{counts[verdict]} {verdict}"
        if found is not None and found.latency is not None and not found.latency.is_open_above:
            text += f" within {human.at_most(found.latency.hi)}"
            text += f" (slowest: {found.point})" if where and counts[verdict] > 1 else ""
        parts.append(text)
    return ", ".join(parts)


def alike(rows: Iterable[Row]) -> list[list[Row]]:
    """Rows that have nothing of their own to tell but their names, together; each of the others alone. In order.

    What was seen of a row (an onset, a further fail) is its own.
    """
    return _together(rows, lambda row: (row.reason, row.index if has_own(row) else 0))


def kin(rows: Iterable[Row]) -> list[list[Row]]:
    """Rows of one link with one verdict and the same causes, together; each of the others alone. In order."""
    return _together(rows, lambda _: ())


def has_own(row: Row) -> bool:
    """True where something was seen of a row that another row of the same verdict need not share."""
    return any(it.onset is not None or it.also for it in row.results)


def _together(rows: Iterable[Row], further: Callable[[Row], tuple[object, ...]]) -> list[list[Row]]:
    found: dict[object, list[Row]] = {}
    for row in rows:
        causes = tuple(cause for it in row.results[:1] for cause in it.causes)
        key = (row.verdict, row.point.link, causes, row.attempt, *further(row))
        found.setdefault(key, []).append(row)
    parts: list[list[Row]] = []
    for group in found.values():
        parts += [group] if len(group) >= ALIKE_FROM else [[row] for row in group]
    return parts


def tallies(rows: Sequence[Row]) -> list[Tally]:
    """What stands of rows, a tally for each class that occurs, worst first."""
    found = []
    for one in (VerdictClass.FAIL, VerdictClass.UNKNOWN, VerdictClass.PASS, None):
        mine = [row for row in rows if row.verdict_class is one]
        if not mine:
            continue
        if one is None:
            found.append(Tally(verdict_class=None, words=f"{len(mine)} {NOT_PLANNED}"))
        elif one is VerdictClass.PASS:
            late = slowest(it for row in mine for it in row.results if it.verdict is not Verdict.QUIET)
            within = "" if late is None or late.latency is None else f"\u2264 {human.at_most(late.latency.hi)}"
            found.append(Tally(verdict_class=one, words=f"{len(mine)} {CLASS_WORD[one]}", within=within))
        else:
            counts = Counter(row.verdict for row in mine if row.verdict is not None)
            words = ", ".join(f"{number} {verdict}" for verdict, number in counts.items())
            found.append(Tally(verdict_class=one, words=words, href=f"r{mine[0].index}"))
    return found


def in_runs(names: Iterable[str]) -> list[str]:
    """Names with those that count up by one in one number told as a run: ``10001 to 10024``. In the order given."""
    runs: list[list[str]] = []
    counting: int | None = None
    for name in names:
        at = _counted_up(runs[-1][-1], name) if runs else None
        if at is None or counting not in (None, at):
            runs.append([name])
            counting = None
        else:
            runs[-1].append(name)
            counting = at
    return [", ".join(run) if len(run) < RUN_FROM else f"{run[0]} to {run[-1]}" for run in runs]


def _counted_up(before: str, after: str) -> int | None:
    """Which part of two names is a number that went up by one, all else being equal; None where it is not so."""
    old, new = _PARTS.split(before), _PARTS.split(after)
    other = [index for index, (one, two) in enumerate(zip(old, new, strict=False)) if one != two]
    if len(old) != len(new) or len(other) != 1:
        return None
    one, two = old[other[0]], new[other[0]]
    is_next = _is_number(one) and _is_number(two) and int(two) == int(one) + 1
    return other[0] if is_next else None


def _is_number(part: str) -> bool:
    return part.isascii() and part.isdecimal() and len(part) <= NUMBER_DIGITS_MAX
