"""What a device was told not to say: nobody entered farend as a recipient, or its Time_Delay holds an alarm back."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence

from harness.core.instants import elapsed
from harness.core.model import Cause, CauseKind, Equal
from harness.core.verdicts import Verdict
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import MISSING, Finding
from harness.correlate.causes.words import listed, pair_text, pairs, points, series
from harness.correlate.reasons import from_zero
from harness.correlate.wording import span_text, time_text


def not_notified(case: Case) -> Iterator[Finding]:
    """Rows that were not run because their device was never told to notify farend."""
    by_link: dict[str, list[int]] = defaultdict(list)
    for n in case.opened(Verdict.NOT_RUN):
        if case.results[n].point in case.evidence.not_run:
            by_link[case.link_of(case.results[n].point)].append(n)
    for link, numbers in by_link.items():
        why = series(case.evidence.not_run[case.results[n].point] for n in numbers)
        yield Finding(
            cause=Cause(
                kind=CauseKind.OBSERVATION,
                code="not-a-recipient",
                text=f"the device of link {link} does not send these events to farend, so nothing is judged of them: "
                f"{points(case, numbers)}",
                evidence=why,
                next_check="ask whoever keeps the device to enter farend in the Recipient_List of the notification "
                "class for the time of the test, and test these again; farend does not write itself in",
                equals=_of_another_class(case, link, numbers),
                deciding="the Notification_Class that this object should have, by the device's list"
                if _of_another_class(case, link, numbers)
                else "",
            ),
            results=tuple(numbers),
        )


def _of_another_class(case: Case, link: str, numbers: Sequence[int]) -> tuple[Equal, ...]:
    """Where these objects have another Notification_Class than most of their device: that may be what is wrong."""
    mine = {case.results[n].point for n in numbers}
    of = {name: it.notification_class for name, it in case.evidence.objects.items()
          if case.link_of(name) == link and it.notification_class is not None}  # fmt: skip
    usual = Counter(number for name, number in of.items() if name not in mine).most_common(1)
    own = {of[name] for name in mine if name in of}
    if not usual or not own or usual[0][0] in own:
        return ()
    text = f"it has notification class {listed(map(str, sorted(own)))}, and most of its device {usual[0][0]}"
    return (Equal(kind=CauseKind.IDENTITY, code="wrong-class", text=text),)


def held_back(case: Case) -> Iterator[Finding]:
    """Alarms that were up for less time than the device's Time_Delay: filtered by design (ASHRAE 135, 13.3)."""
    by_link: dict[str, list[int]] = defaultdict(list)
    for n in case.opened(*MISSING):
        stimulus, delay = case.stimulus(n), case.evidence.delays.get(case.results[n].point, 0)
        if delay and stimulus.cleared is not None and elapsed(stimulus.raised, stimulus.cleared).hi < delay:
            by_link[case.link_of(case.results[n].point)].append(n)
    for link, numbers in by_link.items():
        yield Finding(cause=_filtered(case, link, numbers), results=tuple(numbers))
    slow = [n for n in case.opened(Verdict.LATE, *MISSING) if _delay_alone_is_too_long(case, n)]
    if slow:
        told = [at for at in sorted(case.open_strays) if any(_is_late_word_of(case, at, n) for n in slow)]
        yield Finding(cause=_too_slow(case, slow), results=tuple(slow), strays=tuple(told))


def _filtered(case: Case, link: str, numbers: Sequence[int]) -> Cause:
    delays = listed(time_text(case.evidence.delays[case.results[n].point]) for n in numbers)
    told = (
        f"{pair_text(case.results[n])}: up for "
        f"{span_text(from_zero(elapsed(case.stimulus(n).raised, case.stimulus(n).cleared or case.stimulus(n).raised)))}"
        for n in numbers
    )
    return Cause(
        kind=CauseKind.TIME,
        code="filtered-by-design",
        text=f"filtered by design: the alarm cleared before the Time_Delay of its object on link {link} had passed, "
        f"and a device that conforms to ASHRAE 135, 13.3 does not notify it: {points(case, numbers)}",
        evidence=f"Time_Delay as read from the device: {delays}; {series(told)}",
        next_check="shorten Time_Delay below the shortest time for which the alarm lasts, or latch it in the "
        "controller; if such alarms need not arrive, say quiet in the point map",
    )


def _delay_alone_is_too_long(case: Case, number: int) -> bool:
    delay, limit = case.evidence.delays.get(case.results[number].point, 0), case.demand(number).limits.appears_within_ns
    return limit is not None and delay > limit


def _is_late_word_of(case: Case, at: int, number: int) -> bool:
    """True of what came on at the point of a result by its Time_Delay after the raise, too late to belong to it."""
    stray, result = case.strays[at], case.results[number]
    delay = case.evidence.delays.get(result.point, 0)
    return stray.point == result.point and elapsed(case.stimulus(number).raised, stray.onset).hi >= delay


def _too_slow(case: Case, numbers: Sequence[int]) -> Cause:
    delays = listed(time_text(case.evidence.delays[case.results[n].point]) for n in numbers)
    return Cause(
        kind=CauseKind.TIME,
        code="time-delay",
        text="the Time_Delay of the object alone is longer than the time within which the alarm has to appear: "
        f"{points(case, numbers)}",
        evidence=f"Time_Delay as read from the device: {delays}; too late because of it: {pairs(case, numbers)}",
        next_check="shorten Time_Delay in the device, or allow for it in the point map",
    )
