"""Current loops: the wrong way round, wrongly scaled, without a failure current, or stuck."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from harness.core.model import Cause, CauseKind, Equal
from harness.core.places import BacnetPlace, CurrentLoop, ModbusPlace, OnWhen
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import MISSING, Appearance, Finding
from harness.correlate.causes.words import after, alarms, pair_text, pairs, points, series, where

FAILURES: Final = (OnWhen.FAILURE_LOW, OnWhen.FAILURE_HIGH)
"""What counts as a failure of a loop, and is no level."""

_OPPOSITE: Final = {OnWhen.ABOVE: OnWhen.BELOW, OnWhen.BELOW: OnWhen.ABOVE}


_TOO_LATE: Final = Equal(
    kind=CauseKind.TIME, code="later-than-search", text="the current changes later than was waited for"
)
_STUCK: Final = Equal(kind=CauseKind.IDENTITY, code="loop-stuck", text="the input goes on giving an old value")


def loops(case: Case) -> Iterator[Finding]:
    """What missed at the points of a loop: first whether all of it stands on its head, then each kind of point."""
    by_loop: dict[tuple[str, str], list[int]] = defaultdict(list)
    for number in case.missing():
        loop = loop_of(case, case.results[number].point)
        if loop is not None:
            by_loop[case.link_of(case.results[number].point), loop.name].append(number)
    turned: dict[str, list[tuple[int, Appearance]]] = defaultdict(list)
    for (link, name), numbers in by_loop.items():
        if not _levels_show(case, name):
            turned[link] += _turned(case, name, numbers)
    for link, seen in turned.items():
        if seen:
            yield _reversed(case, link, seen)
    yield from _clipped(case, by_loop)
    for kind in (*FAILURES, OnWhen.ABOVE, OnWhen.BELOW):
        for link in dict.fromkeys(link for link, _ in by_loop):
            left = [
                n
                for (of, _), numbers in by_loop.items()
                for n in numbers
                if of == link
                and n in case.open
                and case.results[n].verdict in MISSING
                and on_when(case, n) is kind
                and not list(_elsewhere(case, n))
                and not _comes_later(case, n)
            ]
            if left:
                make = _no_failure if kind in FAILURES else _scale
                yield Finding(cause=make(case, link, left), results=tuple(left))


def _comes_later(case: Case, number: int) -> bool:
    """True where the point itself came on unexplained after the search limit: late, and neither scale nor range."""
    point, after = case.results[number].point, case.demand(number).search_end_hi
    return any(case.strays[at].point == point and case.strays[at].onset.lo > after for at in case.open_strays)


def _clipped(case: Case, by_loop: Mapping[tuple[str, str], Sequence[int]]) -> Iterator[Finding]:
    """A failure that reads as the end of the range: the alarm of that end came on at the same loop instead."""
    ends = {OnWhen.FAILURE_LOW: OnWhen.BELOW, OnWhen.FAILURE_HIGH: OnWhen.ABOVE}
    for (link, loop), numbers in by_loop.items():
        seen = [
            (n, it)
            for n in numbers
            if n in case.open and (end := ends.get(on_when(case, n) or OnWhen.SET)) is not None
            for it in _elsewhere(case, n)
            if _is_at(case, it, loop, end)
        ]
        if not seen:
            continue
        told = series(f"{where(case, it)} came on {after(case, n, it.onset)} after {pair_text(case.results[n])}"
                      for n, it in seen)  # fmt: skip
        yield Finding(
            cause=Cause(
                kind=CauseKind.DECODING,
                code="loop-clipped",
                text=f"the input of loop {loop} on link {link} clips at the end of its range: a failure "
                f"reads as a level",
                evidence=f"no failure current was read, and {told}",
                next_check="read the range of the input: NAMUR NE 43 has failures below 3.6 mA and above 21 mA",
                equals=(
                    Equal(
                        kind=CauseKind.MEANING,
                        code="no-failure-current",
                        text="the transmitter drives its current to the end of the range, and no further",
                    ),
                ),
                deciding="a meter in the loop while the probe has failed",
            ),
            results=tuple(dict.fromkeys(n for n, _ in seen)),
            seen=tuple(dict.fromkeys(it for _, it in seen)),
        )


def _is_at(case: Case, it: Appearance, loop: str, on_when: OnWhen) -> bool:
    place = case.site.points[it.point].place
    of = loop_of(case, it.point)
    return (
        of is not None
        and of.name == loop
        and isinstance(place, ModbusPlace | BacnetPlace)
        and (place.on_when is on_when)
    )


def loop_of(case: Case, point: str) -> CurrentLoop | None:
    """The current loop that a point is read from."""
    place = case.site.points[point].place
    return place.loop if isinstance(place, ModbusPlace | BacnetPlace) else None


def on_when(case: Case, number: int) -> OnWhen | None:
    """When the point of a result counts as on."""
    place = case.site.points[case.results[number].point].place
    return place.on_when if isinstance(place, ModbusPlace | BacnetPlace) else None


def _elsewhere(case: Case, number: int) -> Iterator[Appearance]:
    """What came on at points of the same link instead."""
    mine = case.results[number].point
    for it in case.own(number):
        if it.point and it.point != mine:
            yield it


def _levels_show(case: Case, loop: str) -> bool:
    """True where a level of the loop showed as it should: then the loop does not stand on its head."""
    return any(
        it.verdict in (Verdict.ON_TIME, Verdict.APPEARED)
        and (of := loop_of(case, it.point)) is not None
        and of.name == loop
        and on_when(case, number) not in FAILURES
        for number, it in enumerate(case.results)
    )


def _turned(case: Case, loop: str, numbers: Sequence[int]) -> Iterator[tuple[int, Appearance]]:
    for number in numbers:
        wanted = _OPPOSITE.get(on_when(case, number) or OnWhen.SET)
        shown = [it for it in _elsewhere(case, number) if wanted is not None and _is_at(case, it, loop, wanted)]
        if shown:
            yield number, shown[0]


def _reversed(case: Case, link: str, seen: Sequence[tuple[int, Appearance]]) -> Finding:
    numbers = sorted({n for n, _ in seen})
    told = series(
        f"{pair_text(case.results[n])} did not show, and {where(case, it)} came on "
        f"{after(case, n, it.onset)} after its raise"
        for n, it in seen
    )
    return Finding(
        cause=Cause(
            kind=CauseKind.DECODING,
            code="loop-reversed",
            text=f"the loops of link {link} stand on their head, 20 mA where 4 mA is meant: {points(case, numbers)}",
            evidence=told,
            next_check="compare the current at an empty and at a full tank with the range that is set in the "
            "transmitter, and with `value at 4 mA` and `value at 20 mA` in the site file",
            equals=(
                Equal(
                    kind=CauseKind.ADDRESS,
                    code="swapped-pair",
                    text="the alarms above and below drive the current to each other's values",
                ),
                *((_LATE_BEFORE,) if any(_missed_its_own(case, it) for _, it in seen) else ()),
            ),
            deciding="the current while nothing is raised, against the level at the tank",
        ),
        results=tuple(numbers),
        strays=tuple(_turned_strays(case, link)),
        seen=tuple(dict.fromkeys(left for n, it in seen for left in (it, *_left_at(case, n)))),
    )


def _turned_strays(case: Case, link: str) -> Iterator[int]:
    """Levels that came on unexplained, where an alarm of the other end of the same loop was brought along."""
    for at in sorted(case.open_strays):
        stray = case.strays[at]
        loop, place = loop_of(case, stray.point), case.site.points[stray.point].place
        if loop is None or case.link_of(stray.point) != link or not isinstance(place, ModbusPlace | BacnetPlace):
            continue
        brought = {one for it in case.raises.latest(stray.onset) for one in case.raises.brings(it.alarm)}
        wanted = _OPPOSITE.get(place.on_when)
        for name, point in case.site.points.items():
            of = loop_of(case, name)
            is_other_end = of is not None and of.name == loop.name and getattr(point.place, "on_when", None) is wanted
            if is_other_end and not brought.isdisjoint(case.shown_at[name]):
                yield at
                break


_LATE_BEFORE: Final = Equal(
    kind=CauseKind.TIME, code="later-than-search", text="the level of an alarm that was raised before it comes late"
)


def _missed_its_own(case: Case, it: Appearance) -> bool:
    """True where the alarm of a level that came on had missed it when it was raised."""
    return any(case.results[n].verdict in MISSING for n in case.by_point.get(it.point, ()))


def _left_at(case: Case, number: int) -> list[Appearance]:
    """All that the alarms of a loop left at its points, also where another alarm brought them along."""
    spot = case.spots[case.results[number].point]
    return case.left_by(spot, [alarm for name in case.points_at[spot] for alarm in case.shown_at[name]])


def _no_failure(case: Case, link: str, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.MEANING,
        code="no-failure-current",
        text=f"no failure current was seen: {alarms(case, numbers)} at {points(case, numbers)}",
        evidence=f"never in the failure range of NAMUR NE 43 for long enough: {pairs(case, numbers)}",
        next_check="read what the transmitter does when its probe fails (upscale, downscale, hold), and the "
        "range of the "
        "input that reads it",
        equals=(
            Equal(
                kind=CauseKind.DECODING,
                code="loop-clipped",
                text=f"the input of link {link} clips at 4 mA and 20 mA, so that no failure current can be read",
            ),
            _STUCK,
            _TOO_LATE,
        ),
        deciding="a meter in the loop while the probe has failed: a current below 3.6 mA or above 21 mA "
        "that is not read "
        "is clipped",
    )


def _scale(case: Case, link: str, numbers: Sequence[int]) -> Cause:
    passed = [
        n
        for n in case.by_link[link]
        if case.results[n].verdict.verdict_class is VerdictClass.PASS
        and case.results[n].verdict is not Verdict.QUIET
        and loop_of(case, case.results[n].point) is not None
    ]
    beside = f"; others of these loops did show: {pairs(case, passed)}" if passed else ""
    return Cause(
        kind=CauseKind.DECODING,
        code="loop-scale",
        text=f"the level never reached its threshold: {points(case, numbers)}; the scale of the loop is wrong",
        evidence=f"on neither in nor after the raise: {pairs(case, numbers)}{beside}",
        next_check="read the raw counts while the alarm is up, and compare them with `raw at 4 mA` and `raw at 20 mA`",
        equals=(
            Equal(
                kind=CauseKind.MEANING,
                code="loop-not-driven",
                text="the alarm does not drive the current, or not for long enough to be read",
            ),
            _STUCK,
            _TOO_LATE,
        ),
        deciding="a meter in the loop, or the raw counts, while the alarm is up",
    )
