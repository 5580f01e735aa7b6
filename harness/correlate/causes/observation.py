"""What is left over: gaps between polls, limits inside their bounds, what could not be judged."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from typing import Final

from harness.core.instants import FOREVER, elapsed
from harness.core.links import BacnetLink, MqttLink, TextLink
from harness.core.model import Behaviour, Cause, CauseKind, Equal
from harness.core.verdicts import Verdict
from harness.correlate.causes.case import Case
from harness.correlate.causes.doubts import in_doubt
from harness.correlate.causes.findings import Finding
from harness.correlate.causes.words import alarms, listed, pair_text, pairs, point, series
from harness.correlate.wording import time_text
from harness.correlate.worlds import is_ready

_Make = Callable[[Case, str, Sequence[int]], Cause]


def unknown(case: Case) -> Iterator[Finding]:
    """Every unknown result that is left, by what keeps it open: one cause a link, or a point. Not those of strays."""
    groups: dict[tuple[_Make, str], list[int]] = defaultdict(list)
    later = _explained_with_strays(case)
    for number in case.opened():
        if number not in later:
            make, by_point = _why(case, number)
            result = case.results[number]
            groups[make, result.point if by_point else case.link_of(result.point)].append(number)
    for (make, name), numbers in groups.items():
        yield Finding(cause=make(case, name, numbers), results=tuple(numbers))


def _explained_with_strays(case: Case) -> frozenset[int]:
    """Results that are open because of a stray: what explains the one explains the other."""
    strays = {(case.strays[at].point, case.strays[at].onset) for at in case.open_strays}
    return frozenset(n for n, it in case.came_again().items() if (it.point, it.onset) in strays)


def _why(case: Case, number: int) -> tuple[_Make, bool]:
    """How the cause of an unknown result is made, and whether it is named by its point (else by its link)."""
    result, demand = case.results[number], case.demand(number)
    sketch = case.sketches[result.point]
    unresolved = result.verdict is Verdict.UNRESOLVED
    loud = demand.behaviour is not Behaviour.QUIET
    no_sample_before = sketch.last_before(demand.raised.lo) < 0
    ways: tuple[tuple[bool, _Make, bool], ...] = (
        ("crashed" in result.reason and bool(case.judgement.failures_of_checkers), _crashed, True),
        (result.verdict is Verdict.MASKED and _is_untold(case, number), end_not_told, True),
        (result.verdict is Verdict.MASKED, _masked, True),
        (not len(sketch.trace), _not_read, False),
        (result.verdict is Verdict.NOT_OBSERVED and no_sample_before, _too_early, False),
        (result.verdict is Verdict.NOT_OBSERVED, _not_told if sketch.is_told else _no_samples, False),
        ("equally good" in result.reason, _ambiguous, True),
        (not is_ready(sketch, demand) and no_sample_before, _too_early, False),
        (not is_ready(sketch, demand), _was_on, True),
        (not unresolved, _other, True),
        (loud and result.onset is None and "acknowledged before" in result.reason, _acknowledged_early, False),
        (result.onset is None, _not_told if sketch.is_told else _between_polls, False),
        (loud and demand.release is None and not demand.is_pulse, _never_released, False),
        (sketch.is_told and result.end is not None and result.end.is_open_above, end_not_told, True),
        (sketch.is_told, _told_too_close, False),
    )
    return next(((make, by_point) for holds, make, by_point in ways if holds), (_straddles, False))


def _is_untold(case: Case, number: int) -> bool:
    """True where the point was told to be on, by this raise or one before it, and had no word of its end by then."""
    result, demand = case.results[number], case.demand(number)
    sketch = case.sketches[result.point]
    if not sketch.is_told:
        return False
    own = any(part.startswith(f"{result.alarm} (") for part in result.reason.split("; "))
    touching = sketch.sightings_touching(demand.raised.lo, demand.search_end_hi)
    return own or any(sketch.end_hi[at] >= FOREVER for at in touching)


def end_not_told(case: Case, name: str, numbers: Sequence[int]) -> Cause:
    """Told to be on, and never again: a result of its own, since silence does not prove that it stayed on."""
    first = next((n for n in numbers if case.results[n].onset is not None), numbers[0])
    later = [n for n in numbers if n != first]
    after = f"; on by its last word, so nothing can be told of {pairs(case, later)}" if later else ""
    return Cause(
        kind=CauseKind.OBSERVATION,
        code="end-not-told",
        text=f"{point(case, name)} was told to be on and never to be gone: the word of it was not sent, was lost, or "
        "reads otherwise; or it really stayed on",
        evidence=f"{pair_text(case.results[first])}: nothing told the end{after}",
        next_check="look at the log itself for what it says when this alarm clears, and compare it with the pattern; "
        "see whether another output shows it gone; then raise these again",
    )


def _not_told(case: Case, link: str, numbers: Sequence[int]) -> Cause:
    promise = _promise(case, link)
    up = [n for n in numbers if case.stimulus(n).timed_by]
    proof = f"; a reference point proves that it was up: {alarms(case, up)}" if up else ""
    return Cause(
        kind=CauseKind.OBSERVATION,
        code="silence-proves-nothing",
        text=f"nothing was told on link {link}, and silence there proves nothing: {promise}",
        evidence=f"no word of {pairs(case, numbers)}{proof}",
        next_check=f"if it is so, declare in link {link} that it promises every change, with its longest delay; see "
        "that something comes after the end of the window, a heartbeat for instance, as proof that the path is alive",
        equals=(*dict.fromkeys(_untold(case, n) for n in numbers if case.is_loud(n)), LOST_ON_THE_WAY),
        deciding="the same alarm raised once more, with something told after it",
    )


LOST_ON_THE_WAY: Final = Equal(
    kind=CauseKind.TRANSPORT, code="messages-lost", text="it was sent, and got lost on the way"
)


def _untold(case: Case, number: int) -> Equal:
    """That nothing was told because there was nothing to tell."""
    code = "line-not-printed" if case.spots[case.results[number].point].block.is_text else "point-silent"
    return Equal(kind=CauseKind.ADDRESS, code=code, text="the alarm is not sent there at all")


def _promise(case: Case, link: str) -> str:
    spec = case.site.links[link]
    if not isinstance(spec, TextLink | BacnetLink | MqttLink) or not spec.promises_every_change:
        return "it does not promise every change"
    if spec.longest_delay_ns is None:
        return "it promises every change, but not how soon"
    return f"its last sign of life, less its longest delay of {time_text(spec.longest_delay_ns)}, came too early"


def _told_too_close(case: Case, link: str, numbers: Sequence[int]) -> Cause:
    spec = case.site.links[link]
    delay = spec.longest_delay_ns if isinstance(spec, TextLink | BacnetLink | MqttLink) else None
    known = "nobody declared how late" if delay is None else f"up to {time_text(delay)} late, as declared"
    settle = (
        "declare the longest delay of this path" if delay is None else "declare a shorter longest delay if it has one"
    )
    return Cause(
        kind=CauseKind.TIME,
        code="limit-within-bounds",
        text=f"what was told on link {link} came {known}, so these changes cannot be timed closely enough",
        evidence=series(f"{pair_text(case.results[n])}: {case.results[n].reason}" for n in numbers),
        next_check=f"{settle}; hold the alarm for longer than that delay; or set a limit that can be proven",
        equals=in_doubt(case, numbers),
        deciding="the same alarm held for several times that delay" if in_doubt(case, numbers) else "",
    )


_OR_NOT: Final = (
    Equal(kind=CauseKind.TIME, code="later-than-search", text="it comes too late, and was not waited for"),
    Equal(kind=CauseKind.ADDRESS, code="point-silent", text="the alarm is not sent there at all"),
)


def _between_polls(case: Case, link: str, numbers: Sequence[int]) -> Cause:
    gaps = [gap for n in numbers if (gap := case.results[n].widest_gap_ns) is not None]
    lasted = [
        elapsed(case.stimulus(n).raised, cleared).hi
        for n in numbers
        if (cleared := case.stimulus(n).cleared) is not None and cleared.hi < FOREVER
    ]
    up = [n for n in numbers if case.stimulus(n).timed_by]
    proof = f"; a reference point proves that it was up: {alarms(case, up)}" if up else ""
    short = f"; shortest time up: {time_text(min(lasted))}" if lasted else ""
    widest = f"the widest gap between samples was {time_text(max(gaps))}" if gaps else "a gap has no end"
    needed = min([*lasted, *(case.sketches[case.results[n].point].hold.on_ns for n in numbers)])
    return Cause(
        kind=CauseKind.TIME,
        code="between-polls",
        text=f"link {link} is polled too slowly for these alarms: they may have come and gone between two polls",
        evidence=f"{widest}{short}{proof}; open because of it: {pairs(case, numbers)}",
        next_check=f"poll link {link} so often that no gap exceeds {time_text(max(1, needed))}, or hold the alarm "
        "longer, and raise these again; a point that holds its alarm longer than it lasts should declare its hold",
        equals=_OR_NOT,
        deciding="the same alarm held for longer than the widest gap",
    )


def _straddles(case: Case, link: str, numbers: Sequence[int]) -> Cause:
    told = series(f"{pair_text(case.results[n])}: {case.results[n].reason}" for n in numbers)
    return Cause(
        kind=CauseKind.TIME,
        code="limit-within-bounds",
        text=f"a limit lies inside the bounds within which link {link} can be timed",
        evidence=told,
        next_check="shorten the poll period as far as the evidence says, name a reference point that is polled "
        "faster, or set a limit that can be proven",
        equals=in_doubt(case, numbers),
        deciding="the same alarm held for longer, and read more often" if in_doubt(case, numbers) else "",
    )


def _never_released(case: Case, link: str, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.OBSERVATION,
        code="never-released",
        text=f"what was shown on link {link} was never released (cleared, acknowledged or reset), so that it goes back "
        "to normal was not tested",
        evidence=f"no such step was done: {pairs(case, numbers)}",
        next_check="acknowledge, clear or reset it in the plan, and raise it again",
    )


def _acknowledged_early(case: Case, link: str, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.OBSERVATION,
        code="acknowledged-early",
        text=f"acknowledged before it had to show on link {link}: not showing is neither pass nor fail",
        evidence=f"acknowledged too soon: {pairs(case, numbers)}",
        next_check="wait with the acknowledge until the longest appears-within limit has passed, and raise it again",
    )


def _masked(case: Case, name: str, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.OBSERVATION,
        code="point-held",
        text=f"{point(case, name)} is shared, and another alarm held it",
        evidence=series(f"{pair_text(case.results[n])}: {case.results[n].reason}" for n in numbers),
        next_check="raise these alarms one at a time, each only after the point went off again",
        equals=in_doubt(case, numbers),
        deciding="the same alarm raised alone" if in_doubt(case, numbers) else "",
    )


def _was_on(case: Case, name: str, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.OBSERVATION,
        code="on-before-raise",
        text=f"{point(case, name)} was on before the raise: an alarm that is really up, one left over, or an inverted "
        "point",
        evidence=f"the last sample before the raise was on: {pairs(case, numbers)}",
        next_check="find out what holds it on, bring it back to normal, and raise these again",
    )


def _ambiguous(case: Case, name: str, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.OBSERVATION,
        code="raises-too-close",
        text=f"what showed at {point(case, name)} can belong to one raise as well as to another",
        evidence=f"two ways of pairing are equally good: {pairs(case, numbers)}",
        next_check="raise these alarms further apart than their search limits",
    )


def _too_early(case: Case, link: str, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.OBSERVATION,
        code="no-sample-before",
        text=f"link {link} gave no sample before the raise, so whether the point was off is not known",
        evidence=f"not ready: {pairs(case, numbers)}",
        next_check="wait until every link has answered before raising, and raise these again",
    )


def _no_samples(case: Case, link: str, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.OBSERVATION,
        code="window-not-sampled",
        text=f"link {link} gave no sample in the windows of these alarms",
        evidence=f"no sample between raise and end of window: {pairs(case, numbers)}",
        next_check="listen until the end of the window, poll more often, and raise these again",
    )


def _not_read(case: Case, link: str, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.OBSERVATION,
        code="point-not-read",
        text=f"these points of link {link} were not read at all in this run",
        evidence=f"no sample: {listed(point(case, case.results[n].point) for n in numbers)}",
        next_check="check that the device is up and answers for these addresses; an exception answer names an address "
        "that it does not have",
    )


def _crashed(case: Case, name: str, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.OBSERVATION,
        code="checker-crashed",
        text=f"the judge of {point(case, name)} crashed: a fault of farend, not of the site",
        evidence=f"{pairs(case, numbers)}; the traceback is in the judgement",
        next_check="report the traceback together with the record, which can be judged again when it is mended",
    )


def _other(case: Case, name: str, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.MEANING,
        code="no-known-pattern",
        text=f"no known pattern explains what {point(case, name)} did",
        evidence=series(f"{pair_text(case.results[n])}: {case.results[n].reason}" for n in numbers),
        next_check="look at the timeline of this point beside its reference point, and raise it alone once more",
    )
