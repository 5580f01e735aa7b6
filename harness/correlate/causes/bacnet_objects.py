"""What BACnet objects themselves say is wrong: out of service, events not enabled, flooded, reads that are stale."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Final

from harness.core.model import Behaviour, Cause, CauseKind, Equal
from harness.core.objects import ObjectSays
from harness.core.places import Arrival, BacnetPlace
from harness.core.verdicts import VerdictClass
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import Finding
from harness.correlate.causes.words import listed, pair_text, points, series

FLOOD_A_SECOND: Final = 20
"""More notifications of one object in one second tell no alarm, which has a few changes (common practice, no source).
"""

Thing = tuple[str, str]
"""Link, and the object in words."""


def objects(case: Case) -> Iterator[Finding]:
    """One cause an object, by however many ways its alarm arrives; one a link where its reads are stale."""
    by_thing: dict[Thing, list[str]] = defaultdict(list)
    for name, says in case.evidence.objects.items():
        by_thing[case.link_of(name), says.name].append(name)
    for (link, _), names in by_thing.items():
        says = case.evidence.objects[names[0]]
        numbers = sorted(n for name in names for n in case.by_point.get(name, ()) if n in case.open)
        strays = [at for at in sorted(case.open_strays) if case.strays[at].point in names]
        if says.out_of_service is not None:
            out = [n for n in numbers if _while_out(case, n, says)]
            if out:
                yield Finding(cause=_out_of_service(case, link, says, out), results=tuple(out), strays=tuple(strays))
        elif says.most_in_a_second >= FLOOD_A_SECOND and (numbers or strays):
            told = [n for n in numbers if _arrives(case, case.results[n].point) is not Arrival.POLL]
            told_strays = [at for at in strays if _arrives(case, case.strays[at].point) is not Arrival.POLL]
            if told or told_strays:
                cause = _flood(case, link, says, told, len(told_strays))
                yield Finding(cause=cause, results=tuple(told), strays=tuple(told_strays))
        elif says.tells_alarms is False:
            silent = [n for n in numbers if _arrives(case, case.results[n].point) is Arrival.EVENT]
            if silent:
                yield Finding(cause=_disabled(case, link, says, silent), results=tuple(silent))
    yield from _stale(case)


def _arrives(case: Case, point: str) -> Arrival | None:
    place = case.site.points[point].place
    return place.arrives if isinstance(place, BacnetPlace) else None


def _while_out(case: Case, number: int, says: ObjectSays) -> bool:
    """True where the object was out of service in the window in which the result needed it."""
    demand = case.demand(number)
    return (
        says.out_of_service is not None
        and says.out_of_service.lo <= demand.onset_hi
        and says.out_of_service.hi >= demand.raised.lo
    )


def _out_of_service(case: Case, link: str, says: ObjectSays, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.MEANING,
        code="out-of-service",
        text=f"{says.name} of link {link} is out of service, so its value does not come from the alarm: "
        f"{points(case, numbers)}",
        evidence=f"its Status_Flags said so while these were raised (ASHRAE 135, 12: Present_Value is then decoupled "
        f"from the input): {series(pair_text(case.results[n]) for n in numbers)}",
        next_check="ask whoever keeps the device why Out_Of_Service is set; have it put back, and raise these again",
    )


def _flood(case: Case, link: str, says: ObjectSays, numbers: Sequence[int], strays: int) -> Cause:
    open_ = "; not told apart: " + listed((pair_text(case.results[n]) for n in numbers), 3) if numbers else ""
    beside = f"; {strays} sightings that nothing raised explains" if strays else ""
    return Cause(
        kind=CauseKind.TRANSPORT,
        code="notification-flood",
        text=f"{says.name} of link {link} is notified again and again, old states among new ones",
        evidence=f"up to {says.most_in_a_second} notifications of it within one second{beside}{open_}",
        next_check="look in the device for what makes it notify without a change (a program, a COV increment of 0, a "
        "contact that chatters), and for a second recipient entry",
    )


def _disabled(case: Case, link: str, says: ObjectSays, numbers: Sequence[int]) -> Cause:
    return Cause(
        kind=CauseKind.MEANING,
        code="events-disabled",
        text=f"{says.name} of link {link} notifies nobody that its alarm is up: its Event_Enable has no to-offnormal",
        evidence="Event_Enable as read from the device (ASHRAE 135, 13.2); no event came: "
        f"{series(pair_text(case.results[n]) for n in numbers)}",
        next_check="ask whoever keeps the device to enable the transitions of this object, and raise these again",
    )


def _stale(case: Case) -> Iterator[Finding]:
    """Reads of a device that do not show what its own notifications told in time."""
    for link in dict.fromkeys(case.link_of(name) for name in case.evidence.objects):
        proofs = [(n, fresh) for n in case.by_link.get(link, ()) if n in case.open
                  and (fresh := _fresh_sibling(case, n)) is not None]  # fmt: skip
        if not proofs or any(_shows_by_reads(case, n) for n in case.by_link[link]):
            continue
        read = [n for n in case.by_link[link] if n in case.open and _is_read_and_loud(case, n)]
        # What was told and what was read exclude each other: so nothing is claimed of what was told either.
        told = [n for n in case.by_link[link] if n in case.open and n not in read and _is_unknown_object(case, n)]
        strays = [
            at for at in sorted(case.open_strays)
            if case.link_of(case.strays[at].point) == link and _arrives(case, case.strays[at].point) is Arrival.POLL
        ]  # fmt: skip
        yield Finding(
            cause=_stale_cause(case, link, proofs, read), results=tuple(sorted({*read, *told})), strays=tuple(strays)
        )


def _is_unknown_object(case: Case, number: int) -> bool:
    result = case.results[number]
    return result.point in case.evidence.objects and result.verdict.verdict_class is VerdictClass.UNKNOWN


def _is_read_and_loud(case: Case, number: int) -> bool:
    return _arrives(case, case.results[number].point) is Arrival.POLL and case.is_loud(number)


def _shows_by_reads(case: Case, number: int) -> bool:
    result = case.results[number]
    return _is_read_and_loud(case, number) and result.verdict.verdict_class is VerdictClass.PASS


def _fresh_sibling(case: Case, number: int) -> int | None:
    """The result of the same stimulus that the same object told in time, where this one was read."""
    result = case.results[number]
    says = case.evidence.objects.get(result.point)
    if says is None or not _is_read_and_loud(case, number):
        return None
    if case.rows[result.expectation].behaviour is not Behaviour.FOLLOWS:
        return None
    for n in case.by_stimulus[result.stimulus]:
        other = case.results[n]
        same = case.evidence.objects.get(other.point)
        is_told = _arrives(case, other.point) in (Arrival.COV, Arrival.EVENT)
        is_same = (
            same is not None and same.name == says.name and case.link_of(other.point) == case.link_of(result.point)
        )
        if is_same and is_told and other.verdict.verdict_class is not VerdictClass.FAIL and other.onset is not None:
            return n
    return None


def _stale_cause(case: Case, link: str, proofs: Sequence[tuple[int, int]], read: Sequence[int]) -> Cause:
    told = series(
        f"{pair_text(case.results[n])} was {case.results[n].verdict} as read, and came as told at "
        f"{case.results[fresh].point}"
        for n, fresh in proofs
    )
    return Cause(
        kind=CauseKind.TIME,
        code="stale-reads",
        text=f"reads of the device of link {link} find old values, while its notifications are fresh: a cache, or a "
        f"gateway that refreshes what is read too seldom: {points(case, read)}",
        evidence=f"{told}; no alarm showed in time by reads",
        next_check="look for the refresh or cache time of the device, and read an object again while its alarm is held "
        "for longer than that",
        equals=(
            Equal(
                kind=CauseKind.MEANING,
                code="point-silent",
                text="what is read is another property or object than what is told",
            ),
        )
        if len({case.results[n].point for n, _ in proofs}) == 1
        else (),
        deciding="hold the alarm for a minute: an old value follows, and another object never does",
    )
