"""Reference points that are wrong themselves: outputs that are not behind each other contradict them in one way."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Final

from harness.core.instants import FOREVER, Bounds, elapsed
from harness.core.model import Behaviour, Cause, CauseKind, Equal, Stimulus
from harness.core.verdicts import Verdict
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import Finding
from harness.correlate.causes.spots import Block
from harness.correlate.causes.words import listed, point, series
from harness.correlate.reasons import from_zero
from harness.correlate.wording import span_text, time_text

LINKS_MIN: Final = 2
"""So many links, none of them behind another, have to contradict a reference point in the same way."""


def wrong_references(case: Case) -> Iterator[Finding]:
    """Reference points that stayed off while others came on, or stayed on while others went off; one cause a block."""
    silent: dict[Block, dict[str, list[int]]] = defaultdict(dict)
    held: dict[Block, dict[str, list[int]]] = defaultdict(dict)
    dropped: dict[Block, dict[str, list[int]]] = defaultdict(dict)
    for stimulus in case.by_stimulus:
        reference = case.stimuli[stimulus].timed_by
        if not reference:
            continue
        block = case.spots[reference].block
        if came := _against(case, stimulus, partial(_came_on, case)):
            silent[block][stimulus] = came
        elif went := _against(case, stimulus, partial(_went_off, case)):
            held[block][stimulus] = went
        elif stayed := _against(case, stimulus, partial(_stayed_on, case)):
            dropped[block][stimulus] = stayed
    for block in dict.fromkeys([*silent, *held, *dropped]):
        yield _finding(case, silent.get(block, {}), held.get(block, {}), dropped.get(block, {}))
    yield from _late(case)
    yield from _astray(case)


def _astray(case: Case) -> Iterator[Finding]:
    """References that came on with another alarm, whose own reference beside it stayed off meanwhile."""
    used = {alarm.reference for alarm in case.site.alarms.values()}
    groups: dict[str, list[tuple[int, Stimulus]]] = defaultdict(list)
    for at in sorted(case.open_strays):
        stray = case.strays[at]
        newest = case.raises.latest(stray.onset)
        own = case.site.alarms[newest[0].alarm].reference if len(newest) == 1 else None
        if stray.point not in used or own is None or own == stray.point or own not in case.spots:
            continue
        is_beside = case.spots[own].block == case.spots[stray.point].block
        until = min(stray.end.hi, FOREVER)
        if is_beside and not len(case.sketches[own].sightings_touching(newest[0].raised.lo, until)):
            groups[own].append((at, newest[0]))
    for own, seen in groups.items():
        told = series(
            f"{own} stayed off after the raise of {it.alarm} ({it.id}), and {case.strays[at].point} came on"
            for at, it in seen
        )
        ways = ["does not show its alarm, and another of its device comes on instead"]
        yield Finding(cause=_cause(case, [own], ways, told, _EQUALS), strays=tuple(at for at, _ in seen))


def _late(case: Case) -> Iterator[Finding]:
    """References that came on only after an output of the alarm alone did, though that came after the step itself."""
    groups: dict[str, list[tuple[int, Stimulus]]] = defaultdict(list)
    for at in sorted(case.open_strays):
        stray = case.strays[at]
        alarms = case.shown_at[stray.point]
        for it in case.raises.of_alarm.get(alarms[0], ()) if len(alarms) == 1 else ():
            if it.timed_by and it.proven and case.done[it.id].raised.lo <= stray.onset.hi < it.raised.lo:
                groups[it.timed_by].append((at, it))
                break
    for reference, seen in groups.items():
        told = series(
            f"{case.strays[at].point} came on at least {time_text(it.raised.lo - case.strays[at].onset.hi)} before its "
            f"reference showed {it.alarm} ({it.id}), and after it was raised"
            for at, it in seen
        )
        mine = {(case.strays[at].point, it.id) for at, it in seen}
        numbers = [n for n in case.opened() if (case.results[n].point, case.results[n].stimulus) in mine]
        yield Finding(
            cause=_cause(case, [reference], ["comes on later than outputs that it should time"], told, _EQUALS[:1]),
            results=tuple(numbers),
            strays=tuple(at for at, _ in seen),
        )


def _against(case: Case, stimulus: str, contradicts: Callable[[int], bool]) -> list[int]:
    """Results of a stimulus whose points contradict its reference; none where too few links do, or one agrees."""
    found = [n for n in case.by_stimulus[stimulus] if n in case.open and contradicts(n)]
    links = {case.link_of(case.results[n].point) for n in found} - {case.link_of(case.stimuli[stimulus].timed_by)}
    apart = [link for link in links if links.isdisjoint(case.site.before(link))]
    if len(apart) < LINKS_MIN or any(_agrees(case, n) for n in case.by_stimulus[stimulus]):
        return []
    return found


def _came_on(case: Case, number: int) -> bool:
    """True where the point of an alarm alone came on, and the reference denies that anything was raised."""
    result = case.results[number]
    is_own = len(case.shown_at[result.point]) == 1
    return result.verdict is Verdict.NOT_RUN and is_own and case.shows_at(number, case.spots[result.point])


def _went_off(case: Case, number: int) -> bool:
    """True where the point went off too soon for its reference, and not before the step that released it was done."""
    result, timed = case.results[number], case.stimulus(number)
    is_open = result.verdict is Verdict.UNRESOLVED or Verdict.BRIEF in (result.verdict, *result.also)
    if not is_open or result.end is None or timed.cleared is None or result.end.hi >= timed.cleared.lo:
        return False
    done = _done(case, timed.id)
    return done is not None and result.end.hi >= done.lo


def _stayed_on(case: Case, number: int) -> bool:
    """True where the reference went off before anything cleared the alarm, and the point only once it was cleared."""
    result, timed = case.results[number], case.stimulus(number)
    done = _done(case, timed.id)
    is_open = result.verdict in (Verdict.STUCK, Verdict.UNRESOLVED, Verdict.MASKED) or Verdict.STUCK in result.also
    if not is_open or result.end is None or done is None or timed.cleared is None:
        return False
    return timed.cleared.hi < done.lo <= result.end.hi


def _agrees(case: Case, number: int) -> bool:
    """True where the point of the alarm alone followed the reference to its end."""
    result, timed = case.results[number], case.stimulus(number)
    done = _done(case, timed.id)
    if result.end is None or result.end.is_open_above or timed.cleared is None or done is None:
        return False
    is_own = len(case.shown_at[result.point]) == 1
    follows = case.rows[result.expectation].behaviour is Behaviour.FOLLOWS
    is_like_it = result.end.lo > done.hi and result.end.hi >= timed.cleared.lo
    return is_own and follows and is_like_it and number not in case.open


def _done(case: Case, stimulus: str) -> Bounds | None:
    """When the alarm was cleared by what was done, and not by what a reference point says."""
    return case.done[stimulus].cleared


def _finding(
    case: Case, silent: dict[str, list[int]], held: dict[str, list[int]], dropped: dict[str, list[int]]
) -> Finding:
    references = list(dict.fromkeys(case.stimuli[it].timed_by for it in (*held, *dropped, *silent)))
    strays = _strays(case, references)
    masked = [n for n in case.opened(Verdict.MASKED) if any(f"({it})" in case.results[n].reason for it in held)]
    denied = [n for it in silent for n in case.by_stimulus[it] if n in case.open]
    wrong = (*held.items(), *dropped.items())
    numbers = sorted({*denied, *masked, *(n for _, each in wrong for n in each), *_timed_by_it(case, dropped)})
    ways = []
    if held:
        ways.append("stays on after the alarm has gone")
    if dropped:
        ways.append("goes off before the alarm was cleared")
    if silent:
        ways.append("does not show its alarm" + (", and others of its device come on instead" if strays else ""))
    told = series(
        (
            *_told_held(case, held),
            *_told_dropped(case, dropped),
            *_told_silent(case, silent),
            *_told_strays(case, strays),
        ),
        3,
    )
    cause = _cause(case, references, ways, told, _EQUALS if silent else _EQUALS[:1])
    return Finding(cause=cause, results=tuple(numbers), strays=tuple(strays))


def _cause(case: Case, references: Sequence[str], ways: Sequence[str], told: str, equals: tuple[Equal, ...]) -> Cause:
    names = listed((point(case, name) for name in references), 3)
    return Cause(
        kind=CauseKind.STIMULUS,
        code="reference-wrong",
        text=f"the reference is wrong at {names}: it {' and it '.join(ways)}, so what it timed cannot be judged by it",
        evidence=told,
        next_check="look at the controller's own screen while raising it again, and at what the device holds at the "
        "reference point's address; mend the reference, or take it out of the site file and judge the record again",
        equals=equals,
        deciding="the controller's own screen or event log: does it say what the reference point says, or what the "
        "others say",
    )


_EQUALS: Final = (
    Equal(
        kind=CauseKind.MEANING,
        code="others-wrong",
        text="the reference is right, and all others are wrong in the same way",
    ),
    Equal(
        kind=CauseKind.STIMULUS,
        code="reference-silent",
        text="the alarm was not raised, and what showed elsewhere came from something else",
    ),
)


def _strays(case: Case, references: Sequence[str]) -> list[int]:
    """What came on in the block of the references, and which nothing raised explains."""
    blocks = {case.spots[name].block for name in references}
    used = {alarm.reference for alarm in case.site.alarms.values()}
    return [
        at
        for at in sorted(case.open_strays)
        if case.strays[at].point in used and case.spots[case.strays[at].point].block in blocks
    ]


def _told_held(case: Case, held: dict[str, list[int]]) -> Iterator[str]:
    for stimulus, numbers in held.items():
        done, end = _done(case, stimulus), case.stimuli[stimulus].cleared
        if done is None or end is None:
            continue
        off = listed((f"{case.results[n].point} {_lag(done, case.results[n].end)}" for n in numbers), 3)
        on = "to the end" if end.is_open_above else f"and went off only {_lag(done, end)}"
        alarm = case.stimuli[stimulus].alarm
        yield f"after the clear of {alarm} ({stimulus}) its reference stayed on {on}; the others went off: {off}"


def _timed_by_it(case: Case, dropped: dict[str, list[int]]) -> list[int]:
    """What else is open of the stimuli whose end the reference told too early."""
    return [n for it in dropped for n in case.by_stimulus[it] if n in case.open]


def _told_dropped(case: Case, dropped: dict[str, list[int]]) -> Iterator[str]:
    for stimulus, numbers in dropped.items():
        done, end = _done(case, stimulus), case.stimuli[stimulus].cleared
        if done is None or end is None:
            continue
        on = listed((case.results[n].point for n in numbers), 3)
        lead = time_text(done.lo - end.hi)
        alarm = case.stimuli[stimulus].alarm
        yield f"the reference of {alarm} ({stimulus}) went off {lead} before its clear; the others stayed on: {on}"


def _lag(done: Bounds, end: Bounds | None) -> str:
    return "at some time" if end is None or end.is_open_above else f"after {span_text(from_zero(elapsed(done, end)))}"


def _told_silent(case: Case, silent: dict[str, list[int]]) -> Iterator[str]:
    for stimulus, numbers in silent.items():
        shown = listed((case.results[n].point for n in numbers), 3)
        yield f"{case.stimuli[stimulus].timed_by} stayed off at {stimulus}, while {shown} came on"


def _told_strays(case: Case, strays: Sequence[int]) -> Iterator[str]:
    if strays:
        yield f"came on unexplained beside it: {listed((case.strays[at].point for at in strays), 3)}"
