"""Single points that stayed silent while nothing else came on instead."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Final

from harness.core.model import Cause, CauseKind, Equal
from harness.core.places import ModbusPlace, MqttPlace, TextPlace, ValueType
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import MISSING, Finding
from harness.correlate.causes.observation import LOST_ON_THE_WAY
from harness.correlate.causes.offsets import contrary
from harness.correlate.causes.words import alarms, block, pairs, point, times
from harness.correlate.relate import DEAD_BLOCKS
from harness.correlate.wording import time_text


def silent_points(case: Case) -> Iterator[Finding]:
    """Points that missed their alarm while nothing else came on instead: one cause a point."""
    groups: dict[str, list[int]] = defaultdict(list)
    for number in case.opened(*MISSING):
        groups[case.results[number].point].append(number)
    for name, numbers in groups.items():
        shown = [n for n in case.by_point[name] if case.results[n].onset is not None]
        kind, code, text, check = _silent(case, name, numbers, never=not shown)
        up = [n for n in numbers if case.stimulus(n).timed_by]
        proof = f"; it was up by {point(case, case.stimulus(up[0]).timed_by)}" if up else ""
        works = f"; the point did show {alarms(case, shown)}" if shown else ""
        told = f"missed {times(len(numbers))} and nothing else came on instead: {pairs(case, numbers)}"
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
