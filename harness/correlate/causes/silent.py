"""Single points that stayed silent, and nothing that came on instead fits their alarm each time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Final

from harness.core.instants import Bounds
from harness.core.links import PersonLink
from harness.core.model import Cause, CauseKind, Equal
from harness.core.places import ModbusPlace, MqttPlace, TextPlace, ValueType
from harness.core.verdicts import Verdict
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import MISSING, Finding
from harness.correlate.causes.observation import LOST_ON_THE_WAY
from harness.correlate.causes.offsets import contrary
from harness.correlate.causes.words import after, alarms, block, listed, pairs, point, series, times, where
from harness.correlate.relate import DEAD_BLOCKS
from harness.correlate.wording import time_text


def silent_points(case: Case) -> Iterator[Finding]:
    """Points that missed their alarm while nothing that fits it came on instead: one cause a point."""
    groups: dict[str, list[int]] = defaultdict(list)
    for number in case.opened(*MISSING):
        groups[case.results[number].point].append(number)
    for name, numbers in groups.items():
        if any(case.results[n].verdict is Verdict.CROSSED for n in numbers):
            yield Finding(cause=_elsewhere(case, name, numbers), results=tuple(numbers))
            continue
        shown = [n for n in case.by_point[name] if case.results[n].onset is not None]
        kind, code, text, check = _silent(case, name, numbers, never=not shown)
        up = [n for n in numbers if case.stimulus(n).timed_by]
        proof = f"; it was up by {point(case, case.stimulus(up[0]).timed_by)}" if up else ""
        works = f"; the point did show {alarms(case, shown)}" if shown else ""
        told = f"missed {times(len(numbers))} and {_instead(case, numbers)}: {pairs(case, numbers)}"
        yield Finding(
            cause=Cause(
                kind=kind,
                code=code,
                text=text,
                evidence=f"{told}{proof}{works}",
                next_check=check,
                equals=_silent_equals(case, name, code),
                deciding="the point itself, and all that is beside it, read without a pause while the alarm is raised "
                "alone"
                if code in (*_UNSEEN, "line-not-printed")
                else "",
            ),
            results=tuple(numbers),
        )


def _instead(case: Case, numbers: Sequence[int]) -> str:
    """What else came on after these raises, which does not fit their alarm; a person reports only what is asked for."""
    if isinstance(case.site.links[case.link_of(case.results[numbers[0]].point)], PersonLink):
        return "no other sign was reported instead"
    seen = [_came_on(case, n, where(case, it), it.onset) for n in numbers for it in case.own(n)]
    return f"what else came on does not fit it ({series(seen)})" if seen else "nothing else came on instead"


def _came_on(case: Case, number: int, place: str, onset: Bounds) -> str:
    return f"{place} {after(case, number, onset)} after {case.results[number].stimulus}"


def _elsewhere(case: Case, name: str, numbers: Sequence[int]) -> Cause:
    """Missed while another point came on instead, but not each time, or not as the alarm should."""
    here, names = point(case, name), alarms(case, numbers)
    astray = [(n, it.elsewhere, it.onset) for n in numbers if (it := case.results[n]).elsewhere]
    places = listed(point(case, elsewhere) for _, elsewhere, _ in astray)
    told = series(_came_on(case, n, at, onset) for n, at, onset in astray if onset is not None)
    alone = f", and nothing that fits {times(len(numbers) - len(astray))}" if len(numbers) > len(astray) else ""
    return Cause(
        kind=CauseKind.ADDRESS,
        code="wrong-bit",
        text=f"{here} does not show {names}: it may be sent to {places} instead, which came on without doing what "
        f"{names} did",
        evidence=f"missed {times(len(numbers))}: {pairs(case, numbers)}; came on instead: {told}{alone}",
        next_check=f"compare the row of {names} in the device's list with the point map; raise {names} alone and watch "
        "both places",
        equals=(_NOT_SENT,),
        deciding=f"{names} raised alone, and held for longer",
    )


_NOT_SENT: Final = Equal(
    kind=CauseKind.ADDRESS,
    code="point-silent",
    text="the alarm is not sent there at all, and what came on elsewhere has another reason",
)
_UNSEEN: Final = ("point-silent", "value-never-on")
_TOO_LATE: Final = Equal(
    kind=CauseKind.TIME,
    code="later-than-search",
    text="it comes later than the search limit, and was not waited for",
)


def _silent_equals(case: Case, name: str, code: str) -> tuple[Equal, ...]:
    """What else leaves a point silent: a flash that its declared hold rules out, a place that nobody reads, a hop."""
    if code == "line-not-printed":
        return (_TOO_LATE,)
    if code not in _UNSEEN:
        return ()
    hold = time_text(case.site.points[name].hold.on_ns)
    text = f"it shows for less than {hold}, its shortest time on, and so between the polls"
    found = [
        Equal(kind=CauseKind.MEANING, code="drops-early", text=text),
        _TOO_LATE,
        Equal(kind=CauseKind.ADDRESS, code="wrong-bit", text="it is sent to a place that was not read"),
    ]
    if code == "value-never-on":
        found.append(Equal(kind=CauseKind.ADDRESS, code="point-silent", text="the alarm is not sent there"))
    of = case.spots[name].block
    if _others_astray(case, name):
        text = f"all of {block(of)} is moved by one place, of which not every place is read"
        found.append(Equal(kind=CauseKind.ADDRESS, code="address-off-by-one", text=text))
    still = _still_beside(case, name)
    if still:
        text = "the device goes on answering old values here too, as it does beside it"
        found.append(Equal(kind=CauseKind.IDENTITY, code=still, text=text))
    if isinstance(case.site.points[name].place, MqttPlace):
        found.append(LOST_ON_THE_WAY)
    before = case.site.before(case.link_of(name))
    if before:
        text = f"it fell between the polls of the hop, which asks {before[0]} too seldom"
        found.append(Equal(kind=CauseKind.TIME, code="hop-polls-slowly", text=text))
    return tuple(found)


def _still_beside(case: Case, name: str) -> str:
    """The code of the cause by which another block of the same unit does not live; '' where there is none."""
    of = case.spots[name].block
    for number, cause in case.cause_of.items():
        other = case.spots[case.results[number].point].block
        if cause.code in DEAD_BLOCKS and (other.link, other.unit) == (of.link, of.unit):
            return cause.code
    return ""


def _others_astray(case: Case, name: str) -> bool:
    """True where no other place of the same block really worked: then nothing says that only this one is moved."""
    of = case.spots[name].block
    return not contrary(case, of, 1) and any(spot.block == of for other, spot in case.spots.items() if other != name)


def _silent(case: Case, name: str, numbers: Sequence[int], *, never: bool) -> tuple[CauseKind, str, str, str]:
    """Kind, code, text and next check for a point that stayed silent."""
    place, here, names = case.site.points[name].place, point(case, name), alarms(case, numbers)
    if isinstance(place, TextPlace):
        return (
            CauseKind.ADDRESS,
            "line-not-printed",
            f"no line that fits {here}: this text is not printed, or is printed in other words",
            "read the printed line of this alarm and compare it with the pattern, character by character",
        )
    if isinstance(place, ModbusPlace) and place.value_type not in (ValueType.BIT, ValueType.BITS) and never:
        return (
            CauseKind.DECODING,
            "value-never-on",
            (
                f"the value at {here} never counted as on: its type, word order, scale or threshold is wrong, or the "
                "device does not send this alarm there"
            ),
            "read the raw registers while the alarm is up and compare them with what the point map expects",
        )
    return (
        CauseKind.ADDRESS,
        "point-silent",
        f"{here} does not show {names}: the device does not send it there, or sends it to a place that was not read",
        (
            f"compare the row of {names} in the device's list with the point map; watch the addresses around it while "
            "raising it again"
        ),
    )
