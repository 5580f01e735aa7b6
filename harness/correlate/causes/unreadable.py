"""What was told and could not be read, or is missing by its number, where a result lacks just that word."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

from harness.core.instants import FOREVER
from harness.core.links import TextLink
from harness.core.model import Cause, CauseKind, Equal
from harness.core.unreadable import Unreadable
from harness.core.verdicts import Verdict
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import MISSING, Finding
from harness.correlate.causes.words import pairs, points, series


def unreadable(case: Case) -> Iterator[Finding]:
    """One cause a link and kind: messages lost, payloads or lines that came in broken."""
    if not case.evidence.unreadable:
        return
    groups: dict[tuple[str, bool], list[int]] = defaultdict(list)
    seen: dict[tuple[str, bool], dict[Unreadable, None]] = defaultdict(dict)
    for number in case.opened(*MISSING, Verdict.NOT_OBSERVED, Verdict.UNRESOLVED, Verdict.MASKED):
        found = _of_result(case, number)
        if case.is_loud(number) and found:
            key = case.link_of(case.results[number].point), any(it.is_lost for it in found)
            groups[key].append(number)
            seen[key].update(dict.fromkeys(found))
    for (link, is_lost), numbers in groups.items():
        yield Finding(cause=_cause(case, link, numbers, list(seen[link, is_lost]), is_lost=is_lost),
                      results=tuple(numbers))  # fmt: skip


def _of_result(case: Case, number: int) -> list[Unreadable]:
    """What could not be read of the point of a result from its raise until it is raised again.

    A lost message shows only by the next one of its topic, and half a line only by what it runs into.
    """
    result, demand = case.results[number], case.demand(number)
    link, until = case.link_of(result.point), demand.begin_max
    if isinstance(case.site.links.get(link), TextLink):  # a line may be of any alarm: so none that came much later
        ends = [demand.search_end_hi, *(it.hi for it in (demand.deadline,) if it is not None)]
        until = min(until, max(ends) + demand.limits.settle_ns)
    return [
        it
        for it in case.evidence.unreadable
        if it.link == link and it.point in ("", result.point) and demand.raised.lo <= it.at.hi <= min(until, FOREVER)
    ]


def _cause(case: Case, link: str, numbers: Sequence[int], seen: Sequence[Unreadable], *, is_lost: bool) -> Cause:
    told = f"{series(it.what for it in seen)}; open because of it: {pairs(case, numbers)}"
    if is_lost:
        return Cause(
            kind=CauseKind.TRANSPORT,
            code="messages-lost",
            text=f"messages got lost on the way to link {link}: {points(case, numbers)}",
            evidence=told,
            next_check="look at the connection between the controller and the broker, at the quality of service that "
            "it publishes with, and at how many messages it keeps while that is down; then raise these again",
        )
    if isinstance(case.site.links.get(link), TextLink):
        return Cause(
            kind=CauseKind.TRANSPORT,
            code="line-broken",
            text=f"lines of link {link} came in broken, or say something that no pattern expects: "
            f"{points(case, numbers)}",
            evidence=told,
            next_check="look at the raw lines: a half line points to speed, handshake or a full buffer, a whole one in "
            "other words to the pattern; then raise these again",
            equals=(
                Equal(
                    kind=CauseKind.ADDRESS,
                    code="line-not-printed",
                    text="this line belongs to something else, and the alarm is not printed or in other words",
                ),
            ),
            deciding="the paper or the log of the controller itself: does the line of this alarm stand there",
        )
    return Cause(
        kind=CauseKind.TRANSPORT,
        code="payload-unreadable",
        text=f"payloads on link {link} cannot be read: {points(case, numbers)}",
        evidence=told,
        next_check="look at the payload as the broker has it: is it cut, or of another form than the site file says; "
        "then raise these again",
    )
