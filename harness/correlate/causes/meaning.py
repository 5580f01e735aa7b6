"""Points at the right place that act in another way than expected: inverted, passing on what is local, repeating."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import Final

from harness.core.instants import FOREVER, Bounds, elapsed
from harness.core.model import AlarmClass, Cause, CauseKind, Equal
from harness.core.verdicts import Verdict
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import Finding
from harness.correlate.causes.spots import LINES, Block
from harness.correlate.causes.words import alarms, block, pair_text, points, series, times
from harness.correlate.outline import Outline
from harness.correlate.wording import span_text


def inverted(case: Case) -> Iterator[Finding]:
    """On before the raise, off in its window, on again only after the clear. Blocks of them are one cause."""
    groups: dict[Block, dict[int, tuple[Bounds, Bounds]]] = defaultdict(dict)
    for number in case.opened():
        if case.is_loud(number) and (off := _off_while_up(case, number)) is not None:
            groups[case.spots[case.results[number].point].block][number] = off
    for of, seen in groups.items():
        names = list(dict.fromkeys(case.results[n].point for n in seen))
        numbers = [n for name in names for n in case.by_point[name] if n in case.open]
        strays = [n for n in sorted(case.open_strays) if case.strays[n].point in names]
        many = f"all of {len(names)} points of {block(of)}: " if len(names) > 1 else ""
        yield Finding(
            cause=Cause(
                kind=CauseKind.MEANING,
                code="inverted",
                text=f"inverted, on while the alarm is not up: {many}{points(case, seen)}",
                evidence=series(_inverted_text(case, n, *off) for n, off in seen.items()),
                next_check="check whether the contact is normally closed, or the input set to inverted, in the "
                "device; if that is meant, say `on when: clear` in the point map and judge the record again",
            ),
            results=tuple(sorted(numbers)),
            strays=tuple(strays),
        )


def _off_while_up(case: Case, number: int) -> tuple[Bounds, Bounds] | None:
    """Bounds of going off after the raise and of coming on after its release, if it was on before; else None."""
    demand = case.demand(number)
    sketch = case.sketches[case.results[number].point]
    back = demand.release or demand.cleared  # a horn that is acknowledged before its alarm clears sounds till then
    if back is None or not _rests_on(case, sketch):
        return None
    before = [
        n for n in sketch.sightings_touching(demand.raised.lo, demand.raised.lo) if _is_on(sketch, n, demand.raised)
    ]
    if not before or before[0] + 1 >= len(sketch.first):
        return None
    off = Bounds(sketch.end_lo[before[0]], sketch.end_hi[before[0]])
    again = Bounds(sketch.onset_lo[before[0] + 1], sketch.onset_hi[before[0] + 1])
    went_off = off.hi >= demand.raised.lo and off.lo <= demand.search_end_hi and off.lo <= back.hi
    came_back = again.hi >= back.lo and again.lo <= back.hi + demand.limits.search_ns
    return (off, again) if went_off and came_back else None


def _rests_on(case: Case, sketch: Outline) -> bool:
    """False where the point was off before anything was raised: one that is inverted is on then."""
    first = case.raises.in_order[0].raised.lo
    before = sketch.last_before(first)
    return before < 0 or sketch.state_at(before) is not False


def _is_on(sketch: Outline, number: int, raised: Bounds) -> bool:
    return sketch.onset_hi[number] < raised.lo or sketch.onset_lo[number] <= -FOREVER


def _inverted_text(case: Case, number: int, off: Bounds, again: Bounds) -> str:
    stimulus, demand = case.stimulus(number), case.demand(number)
    gone = span_text(_from_zero(elapsed(stimulus.raised, off)))
    back = demand.release or demand.cleared or off
    step = "clear" if back == demand.cleared else "release"
    came = span_text(_from_zero(elapsed(back, again)))
    told = f"was on before, went off {gone} after the raise and came on {came} after the {step}"
    return f"{pair_text(case.results[number])} {told}"


def leaks(case: Case) -> Iterator[Finding]:
    """What must stay local and was passed on: one cause a link. Also what may have come on just before the raise."""
    groups: dict[str, list[int]] = defaultdict(list)
    for number in case.opened(Verdict.LEAKED, Verdict.UNRESOLVED):
        if case.results[number].verdict is Verdict.LEAKED or _may_have_leaked(case, number):
            groups[case.link_of(case.results[number].point)].append(number)
    for link, numbers in groups.items():
        classes = {case.site.alarms[case.results[n].alarm].alarm_class for n in numbers}
        leaked = {case.results[n].alarm for n in numbers}
        what = "warnings" if classes == {AlarmClass.WARNING} else "alarms that must stay local"
        kept = [
            n
            for n in case.by_link[link]
            if case.results[n].verdict is Verdict.QUIET
            and case.results[n].alarm not in leaked
            and case.site.alarms[case.results[n].alarm].alarm_class in classes
        ]
        others = f"; stayed quiet: {alarms(case, kept)}" if kept else ""
        is_leaked = any(case.results[n].verdict is Verdict.LEAKED for n in numbers)
        others_too = any(_may_be_others(case, n) for n in numbers)
        yield Finding(
            cause=Cause(
                kind=CauseKind.MEANING,
                code="passed-on",
                text=f"{what} are passed on to link {link}: {alarms(case, numbers)} at {points(case, numbers)}",
                evidence=series(_shown_after(case, n) for n in numbers) + others,
                next_check="check which classes or priorities the controller sends to this output, and its setting "
                f"for {alarms(case, numbers)}",
                equals=(*(() if is_leaked else _BEFORE), *((_OTHER,) if others_too else ())),
                deciding="each of the alarms raised alone: which of them does it come on with"
                if others_too
                else ""
                if is_leaked
                else "the same alarm raised once more: does it come on again",
            ),
            results=tuple(numbers),
        )


_BEFORE: Final = (
    Equal(
        kind=CauseKind.STIMULUS, code="not-raised-here", text="something else, that came on at the time of the raise"
    ),
)


def _may_have_leaked(case: Case, number: int) -> bool:
    """True of a quiet point that came on so close to the raise that it cannot be told which of the two was first."""
    result, demand = case.results[number], case.demand(number)
    onset = result.onset
    return (
        not case.is_loud(number)
        and onset is not None
        and onset.lo < demand.raised.hi
        and demand.raised.lo <= onset.hi <= demand.search_end_hi
    )


def _may_be_others(case: Case, number: int) -> bool:
    """True where it reacted only after another alarm had been raised, which does not bring this one."""
    result = case.results[number]
    newest = case.raises.latest(result.onset)[-1:] if result.onset is not None else []
    return any(it.alarm != result.alarm and result.alarm not in case.raises.brings(it.alarm) for it in newest)


def _shown_after(case: Case, number: int) -> str:
    result = case.results[number]
    if result.latency is None:
        return f"{pair_text(result)} came on"
    return f"{pair_text(result)} came on {span_text(result.latency)} after its raise"


def repeats(case: Case) -> Iterator[Finding]:
    """A second onset: the point was seen off in between, so it is a second event and not the first one sent again."""
    groups: dict[str, list[int]] = defaultdict(list)
    for number in case.opened():
        result = case.results[number]
        if result.verdict is Verdict.REPEATED or Verdict.REPEATED in result.also:
            groups[case.link_of(result.point)].append(number)
    for link, numbers in groups.items():
        lines = case.spots[case.results[numbers[0]].point].block.table == LINES
        told = "a cleared line came in between" if lines else "samples in between were off"
        yield Finding(
            cause=Cause(
                kind=CauseKind.MEANING,
                code="second-event",
                text=f"one raise is told as two events on link {link}: {points(case, numbers)}; the output drops and "
                "comes again, or the controller raises the alarm anew (what was seen cannot tell which)",
                evidence=series(_second_text(case, n) for n in numbers)
                + f"; {told}, so it is no retransmission of one message ({times(len(numbers))} seen)",
                next_check="look into the controller's own event log: two entries mean that the alarm came twice, one "
                "means that this output dropped",
                equals=_SECOND,
                deciding="the controller's own event log, and whether holding the alarm longer moves the second onset",
            ),
            results=tuple(numbers),
        )


_SECOND: Final = (
    Equal(kind=CauseKind.MEANING, code="momentary", text="a pulse that comes with the alarm and again with its end"),
    Equal(kind=CauseKind.MEANING, code="drops-early", text="the output drops and comes again"),
)


AGAIN: Final = Equal(
    kind=CauseKind.MEANING, code="second-event", text="its own alarm came on twice: the output drops and comes again"
)
APART: Final = "both alarms once more, the second only when the first has settled"


def came_again(case: Case) -> Iterator[Finding]:
    """What is open since the point came on again: one cause a point.

    Not where that is a stray, which is explained with it; and what may be a leak has the cause of the alarm that was
    missed, and may have shown there.
    """
    groups: dict[str, list[int]] = defaultdict(list)
    strays = {(it.point, it.onset) for it in case.strays}
    crossed = {(it.elsewhere, it.onset): n for n, it in enumerate(case.results) if it.elsewhere}
    for number, it in case.came_again().items():
        cause = case.cause_of.get(crossed.get((it.point, it.onset), -1))
        if cause is not None and not case.is_loud(number):
            yield Finding(cause=cause, results=(number,))
        elif (it.point, it.onset) not in strays:
            groups[it.point].append(number)
    for numbers in groups.values():
        yield Finding(
            cause=Cause(
                kind=CauseKind.MEANING,
                code=AGAIN.code,
                text=f"{points(case, numbers)} came on again, and may have before it had settled: {AGAIN.text}",
                evidence=series(f"{pair_text(case.results[n])}: {case.results[n].reason}" for n in numbers),
                next_check=f"raise {alarms(case, numbers)} alone once more, and wait until it has settled",
                equals=(_OTHER,),
                deciding=APART,
            ),
            results=tuple(numbers),
        )


_OTHER: Final = Equal(
    kind=CauseKind.ADDRESS, code="extra-place", text="another alarm, raised since, is sent to this place too"
)


def _second_text(case: Case, number: int) -> str:
    result, demand = case.results[number], case.demand(number)
    sketch = case.sketches[result.point]
    seen = [
        n
        for n in sketch.sightings_touching(demand.raised.lo, demand.search_end_hi)
        if sketch.onset_hi[n] >= demand.raised.lo
    ]
    if len(seen) < 2:
        return f"{pair_text(result)} came on a second time"
    off = elapsed(
        Bounds(sketch.end_lo[seen[0]], sketch.end_hi[seen[0]]),
        Bounds(sketch.onset_lo[seen[1]], sketch.onset_hi[seen[1]]),
    )
    return f"{pair_text(result)} was off for {span_text(_from_zero(off))} between its two onsets"


def _from_zero(bounds: Bounds) -> Bounds:
    return Bounds(max(0, bounds.lo), max(0, bounds.hi))
