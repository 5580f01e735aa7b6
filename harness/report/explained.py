"""What a judged record gives as causes, and what each of them explains: for a terminal and for programs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from harness.core.model import Cause, CauseKind, Judgement, Result, Stray
from harness.core.verdicts import Verdict, VerdictClass
from harness.report.cause_lines import cause_lines
from harness.report.columns import Terminal
from harness.report.json_ import plain

NAMED_MAX: Final = 12
"""So many results are named under a cause; of more, how many more there are."""

_ORDER: Final = {kind: number for number, kind in enumerate(CauseKind)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """One cause and what it explains. ``cause``: None for what no cause explains."""

    cause: Cause | None
    results: tuple[Result, ...]
    strays: tuple[Stray, ...] = ()

    @property
    def count(self) -> int:
        """How many results and strays it explains."""
        return len(self.results) + len(self.strays)

    @property
    def fails(self) -> int:
        """How many of them failed."""
        return sum(it.verdict.verdict_class is VerdictClass.FAIL for it in self.results) + len(self.strays)


def explained_of(judgement: Judgement, alarm: str | None, point: str | None) -> tuple[Explained, ...]:
    """The first cause of every fail and unknown of an alarm at a point (None: of all), each cause once.

    Causes that explain a fail come before those that leave something unknown, then from the wire upwards, then by how
    much they explain.
    """
    results: dict[Cause | None, list[Result]] = {}
    strays: dict[Cause | None, list[Stray]] = {}
    for result in judgement.results:
        wanted = alarm in (None, result.alarm) and point in (None, result.point)
        if wanted and result.verdict.verdict_class is not VerdictClass.PASS:
            results.setdefault(next(iter(result.causes), None), []).append(result)
    causes = set(results)
    for stray in judgement.strays:
        cause = next(iter(stray.causes), None)
        if point == stray.point or (point is None and (alarm is None or (cause is not None and cause in causes))):
            strays.setdefault(cause, []).append(stray)
    found = [
        Explained(cause=it, results=tuple(results.get(it, ())), strays=tuple(strays.get(it, ())))
        for it in dict.fromkeys([*results, *strays])
    ]
    return tuple(sorted(found, key=_rank))


def _rank(it: Explained) -> tuple[bool, bool, int, int]:
    kind = len(_ORDER) if it.cause is None else _ORDER[it.cause.kind]
    return it.fails == 0, it.cause is None, kind, -it.count


def explained_lines(
    every: Sequence[Explained],
    judged: int,
    to: Terminal,
    *,
    planned: int = 0,
    never_up: Mapping[str, str] | None = None,
) -> list[str]:
    """Each cause with its evidence and what it explains. ``judged``: how many results there were to look at.

    ``planned``: of how many rows that was; ``never_up``: links on which nothing was observed from the beginning to the
    end, each with its reason: what was to be seen on them has no result where for that nothing was raised.
    """
    unseen = [f"{link}: {why}" for link, why in (never_up or {}).items()]
    if not every and not judged and planned:
        head = f"nothing was judged: {_counted(planned, 'row')} planned and not reached"
        if not unseen:
            return to.wrapped(f"{head}; 'farend judge' tells how the run ended", hang=4)
        told = [folded for text in unseen for folded in to.wrapped(text, first=4, hang=8)]
        return [*to.wrapped(f"{head}, since what nobody would see is not raised; links that were never up:"), *told]
    return [
        *_cause_lines(every, judged, to),
        *(line for text in unseen for line in to.wrapped(f"never up: {text}", hang=4)),
    ]


def _cause_lines(every: Sequence[Explained], judged: int, to: Terminal) -> list[str]:
    if not every:
        what = "nothing failed and nothing is unknown" if judged else "nothing was judged"
        return to.wrapped(f"{what} in {_counted(judged, 'result')}: there is nothing to explain")
    fails = sum(it.fails for it in every)
    unknown = sum(it.count for it in every) - fails
    named = sum(it.cause is not None for it in every)
    head = (
        f"{_counted(judged, 'result')}: {fails} failed, strays included, {unknown} unknown; {_counted(named, 'cause')}"
    )
    lines = to.wrapped(head, hang=4)
    for number, it in enumerate(every, 1):
        lines.append("")
        lines += _cause_of(it, number, to)
        for text in _explains(it):
            lines += to.wrapped(text, first=4, hang=8)
    return lines


def _cause_of(it: Explained, number: int, to: Terminal) -> list[str]:
    if it.cause is None:
        return to.wrapped(f"{number}. no cause is known", hang=4)
    first, *others = cause_lines(it.cause)
    lines = to.wrapped(f"{number}. {first.removeprefix('cause: ')} [{it.cause.kind}]", hang=4)
    for text in others:
        lines += to.wrapped(text, first=4, hang=8)
    return lines


def _explains(it: Explained) -> list[str]:
    told = [f"{one.verdict} {one.alarm} at {one.point} ({one.stimulus})" for one in it.results]
    told += [f"{Verdict.STRAY} at {one.point}" for one in it.strays]
    more = [f"and {len(told) - NAMED_MAX} more"] if len(told) > NAMED_MAX else []
    lines = [f"explains: {'; '.join([*told[:NAMED_MAX], *more])}"]
    causes = [cause for one in it.results for cause in one.causes[1:]]
    causes += [cause for one in it.strays for cause in one.causes[1:]]
    further = dict.fromkeys(cause.text for cause in causes)
    return [*lines, *(f"less likely: {text}" for text in further)]


def explained_json(every: Iterable[Explained]) -> list[Any]:
    """The same for programs, in the same order."""
    return [
        {
            "rank": rank,
            "cause": None if it.cause is None else plain(it.cause),
            "results": [
                {
                    "alarm": one.alarm,
                    "point": one.point,
                    "stimulus": one.stimulus,
                    "verdict": one.verdict.value,
                    "reason": one.reason,
                    "less_likely": [plain(cause) for cause in one.causes[1:]],
                }
                for one in it.results
            ],
            "strays": [{"point": one.point, "reason": one.reason} for one in it.strays],
        }
        for rank, it in enumerate(every, 1)
    ]


def _counted(number: int, what: str) -> str:
    return f"{number} {what}{'s' * (number != 1)}"
