"""Devices that poll others: what a hop passes on as it found it, and what it loses by polling too slowly."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Final

from harness.core.model import Cause, CauseKind, Equal
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import MISSING, Finding
from harness.correlate.causes.words import pair_text, pairs, points, series

_ALIKE: Final = (
    frozenset(MISSING),
    frozenset((Verdict.LATE,)),
    frozenset((Verdict.STUCK,)),
    frozenset((Verdict.BRIEF,)),
    frozenset((Verdict.REPEATED,)),
    frozenset((Verdict.LEAKED,)),
)
"""Verdicts of which one at a hop repeats the other at the device that it polls."""

HOP_RESULTS_MIN: Final = 2
"""So many alarms lost or late at a hop alone are no two faults of single points."""


def passed_on_by_hops(case: Case) -> Iterator[Finding]:
    """Fails at a link that repeat those of the link it is behind: the fault lies before this hop. One cause a link."""
    groups: dict[tuple[str, str], list[tuple[int, int]]] = defaultdict(list)
    for number in case.opened():
        link = case.link_of(case.results[number].point)
        for before in case.site.before(link):
            other = _same_at(case, number, before)
            if other is not None and _is_alike(case, number, other):
                groups[link, before].append((number, other))
                break
    for (link, before), both in groups.items():
        yield Finding(
            cause=Cause(
                kind=CauseKind.TRANSPORT,
                code="passed-on-by-hop",
                text=f"the same is so at {before}: link {link} is behind it and passes it on: "
                f"{points(case, [number for number, _ in both])}",
                evidence=series(
                    f"{pair_text(case.results[number])}: {case.results[number].verdict} here, and "
                    f"{case.results[other].verdict} at {case.results[other].point}"
                    for number, other in both
                ),
                next_check=f"look at {before} first; judge {link} again once that is mended",
            ),
            results=tuple(number for number, _ in both),
        )


def _same_at(case: Case, number: int, link: str) -> int | None:
    """The result of the same stimulus at the point of another link that is used for the same: alone, or "
    "shared alike."""
    mine = case.results[number]
    row = case.rows[mine.expectation]
    found = [
        n
        for n in case.by_stimulus[mine.stimulus]
        if case.link_of(case.results[n].point) == link
        and case.results[n].alarm == mine.alarm
        and case.rows[case.results[n].expectation].behaviour is row.behaviour
        and _is_shared(case, n) == _is_shared(case, number)
    ]
    return found[0] if found else None


def _is_shared(case: Case, number: int) -> bool:
    return len(case.shown_at[case.results[number].point]) > 1


def _is_alike(case: Case, number: int, other: int) -> bool:
    mine, theirs = case.results[number].verdict, case.results[other].verdict
    return any(mine in alike and theirs in alike for alike in _ALIKE)


def slow_hops(case: Case) -> Iterator[Finding]:
    """Alarms that were up and gone between two polls of the hop, or came late by them; the device before "
    "it had them."""
    groups: dict[str, list[int]] = defaultdict(list)
    for number in case.opened(*MISSING, Verdict.LATE, Verdict.STUCK, Verdict.BRIEF, Verdict.MASKED, Verdict.UNRESOLVED):
        link = case.link_of(case.results[number].point)
        before = case.site.before(link)
        other = _same_at(case, number, before[0]) if before else None
        if other is not None and case.results[other].verdict.verdict_class is VerdictClass.PASS:
            groups[link].append(number)
    for link, numbers in groups.items():
        proven = [n for n in numbers if case.results[n].verdict.verdict_class is VerdictClass.FAIL]
        if len({case.results[n].alarm for n in proven}) < HOP_RESULTS_MIN:
            continue
        yield Finding(cause=_slow(case, link, numbers), results=tuple(numbers))


def _slow(case: Case, link: str, numbers: Sequence[int]) -> Cause:
    before = case.site.before(link)[0]
    return Cause(
        kind=CauseKind.TIME,
        code="hop-polls-slowly",
        text=f"fell between the polls of the hop: the device of link {link} polls {before} too seldom for these alarms",
        evidence=f"{before} showed each of them as it should; here: {pairs(case, numbers)}",
        next_check=f"read the poll period of the device behind link {link}, and compare it with how long these alarms "
        "last and with the limits",
        equals=(
            Equal(
                kind=CauseKind.IDENTITY,
                code="block-frozen",
                text=f"the device of link {link} answers from its memory, and reaches {before} only now and then",
            ),
        ),
        deciding="hold one alarm for several of its poll periods: what polls slowly shows it then, and a memory does "
        "not",
    )
