"""Sightings that nothing raised explains: brought along by another alarm, shown at a second place, or real."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Final

from harness.core.instants import Bounds
from harness.core.model import Cause, CauseKind, Equal, Stimulus
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import MISSING, Finding
from harness.correlate.causes.meaning import AGAIN, APART
from harness.correlate.causes.offsets import contrary
from harness.correlate.causes.spots import thing
from harness.correlate.causes.words import listed, point, series
from harness.correlate.wording import span_text


def strays(case: Case) -> Iterator[Finding]:
    """By the alarm that was raised last before each of them, where all of a point follow the same alarm.

    With the results that are open since one of them may be the second onset of their own alarm.
    """
    by_point: dict[str, list[int]] = defaultdict(list)
    for at in sorted(case.open_strays):
        by_point[case.strays[at].point].append(at)
    follow: dict[tuple[str, tuple[str, ...]], list[int]] = defaultdict(list)
    alone: list[int] = []
    for name, numbers in by_point.items():
        alarm = _always_after(case, numbers)
        if alarm is None:
            alone += numbers
        else:
            follow[alarm, case.shown_at[name]] += numbers
    for (alarm, expected), numbers in follow.items():
        doubted = _doubted(case, numbers)
        cause = _follows(case, alarm, expected, numbers, is_again=bool(doubted))
        yield Finding(cause=cause, results=doubted, strays=tuple(sorted(numbers)))
    for at in sorted(alone):
        doubted = _doubted(case, [at])
        yield Finding(cause=_alone(case, at, is_again=bool(doubted)), results=doubted, strays=(at,))


def _doubted(case: Case, numbers: Sequence[int]) -> tuple[int, ...]:
    """The open results whose second onset one of these strays may be."""
    seen = {(case.strays[at].point, case.strays[at].onset) for at in numbers}
    return tuple(n for n, it in case.came_again().items() if (it.point, it.onset) in seen)


def _always_after(case: Case, numbers: Sequence[int]) -> str | None:
    """The one alarm whose raises each of these strays follows, while it was up; None where there is no such alarm."""
    found: set[str] | None = None
    for at in numbers:
        onset = case.strays[at].onset
        here = {it.alarm for it in case.raises.latest(onset) if _was_up(it, onset.hi)}
        found = here if found is None else found & here
    return found.pop() if found is not None and len(found) == 1 else None


def _was_up(stimulus: Stimulus, onset_hi: int) -> bool:
    return stimulus.proven and (stimulus.cleared is None or onset_hi <= stimulus.cleared.hi)


def _follows(case: Case, alarm: str, expected: Sequence[str], numbers: Sequence[int], *, is_again: bool) -> Cause:
    names = listed(point(case, case.strays[at].point) for at in numbers)
    told = series(_after_raise(case, at) for at in numbers)
    other = listed(expected) if expected else "no alarm of the point map"
    on_loop = any(getattr(case.site.points[case.strays[at].point].place, "loop", None) is not None for at in numbers)
    # Where no place of a block worked, nothing says that this one is an exception.
    moved = not any(contrary(case, case.spots[case.strays[at].point].block, 1) for at in numbers)
    missed = all(any(case.results[n].verdict in MISSING for n in case.by_point.get(case.strays[at].point, ()))
                 for at in numbers)  # fmt: skip
    late = (_OWN_LATE,) if missed else ()
    rested = all(_rested_on(case, case.strays[at].point) for at in numbers)
    raises = f"{alarm} brings {other} along (then `also raises` is missing in the site file), or " if expected else ""
    return Cause(
        kind=CauseKind.ADDRESS,
        code="extra-place",
        text=f"on whenever {alarm} is raised: {names}; {raises}{alarm} is sent to a second place",
        evidence=f"{told}; expected there: {other}",
        next_check=f"look at the controller's own screen: does raising {alarm} alone bring up {other} too; if not, "
        "look in the device's list for what else is sent to this place",
        equals=(
            *((_CLIPPED,) if on_loop else (_MOVED,) if moved else (_TOLD_LATE,) if rested else ()),
            *late,
            *((AGAIN,) if is_again else ()),
        ),
        deciding="a meter in the loop while the alarm is up"
        if on_loop
        else "an alarm that has a place in this block, raised alone"
        if moved
        else "what the object shows while nothing is raised"
        if rested
        else "its own alarm, raised alone and waited for"
        if late
        else APART
        if is_again
        else "",
    )


def _rested_on(case: Case, name: str) -> bool:
    """True of an object that was on, by another way in which it arrives, before anything was raised."""
    mine, first = thing(case.site.points[name]), case.raises.in_order[0].raised.lo
    for other, sketch in case.sketches.items():
        if other != name and thing(case.site.points[other]) == mine and (before := sketch.last_before(first)) >= 0:
            return sketch.state_at(before) is True
    return False


_TOLD_LATE: Final = Equal(
    kind=CauseKind.MEANING,
    code="inverted",
    text="it is on while nothing is raised, and was told of only now",
)

_OWN_LATE: Final = Equal(
    kind=CauseKind.TIME,
    code="later-than-search",
    text="it comes late, from an alarm of its own that was raised before",
)

_MOVED: Final = Equal(
    kind=CauseKind.ADDRESS,
    code="address-off-by-one",
    text="all of this block is moved by one place, and this is where an alarm shows that no point maps there",
)

_CLIPPED: Final = Equal(
    kind=CauseKind.DECODING,
    code="loop-clipped",
    text="its probe has failed, and an input that clips at the end of its range reads the failure current as a level",
)


def _after_raise(case: Case, at: int) -> str:
    stray = case.strays[at]
    newest = case.raises.latest(stray.onset)[-1]
    low, high = max(0, stray.onset.lo - newest.raised.hi), max(0, stray.onset.hi - newest.raised.lo)
    return f"{stray.point} {span_text(Bounds(low, high))} after {newest.id}"


def _alone(case: Case, at: int, *, is_again: bool) -> Cause:
    stray = case.strays[at]
    expected = case.shown_at[stray.point]
    before = case.raises.latest(stray.onset)
    last = (
        f"the last raise before it was {before[-1].alarm} ({before[-1].id})"
        if before
        else "nothing had been raised yet"
    )
    what = f"a real alarm ({listed(expected)}), " if expected else ""
    return Cause(
        kind=CauseKind.STIMULUS,
        code="not-raised-here",
        text=f"{point(case, stray.point)} came on without a raise: {what}somebody else's test, or another signal at "
        "this place",
        evidence=f"{last}; nothing that was raised explains it",
        next_check="ask the controller's own event log what came up then; if it is real, stop the test",
        equals=(*((_TOLD_LATE,) if _rested_on(case, stray.point) else ()), *((AGAIN,) if is_again else ())),
        deciding="what the object shows while nothing is raised"
        if _rested_on(case, stray.point)
        else APART
        if is_again
        else "",
    )
