"""What was not seen because nobody was looking: links that were down, polls without an answer."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

from harness.core.instants import Bounds
from harness.core.links import BacnetLink, ModbusLink
from harness.core.model import Cause, CauseKind, Equal
from harness.core.verdicts import Verdict
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import Finding
from harness.correlate.causes.unseen import unseen
from harness.correlate.causes.words import listed, pairs, points, times
from harness.correlate.evidence import BlindTime
from harness.correlate.wording import time_text

SPANS_MAX: Final = 64
"""So many blind times of one window are looked at; a window with more is as blind as one with these."""


@dataclass(slots=True, kw_only=True)
class _Blind:
    """The blind times of one link in order, and the longest end so far, so that a search begins late."""

    spans: list[BlindTime] = field(default_factory=list)
    reach: list[int] = field(default_factory=list)

    def during(self, window: Bounds) -> list[BlindTime]:
        """The first of those that touch the window."""
        found: list[BlindTime] = []
        for at in range(bisect_left(self.reach, window.lo), len(self.spans)):
            it = self.spans[at]
            if it.span.lo > window.hi or len(found) >= SPANS_MAX:
                break
            if it.span.hi >= window.lo:
                found.append(it)
        return found


def blind_windows(case: Case) -> Iterator[Finding]:
    """Unknown results that lack samples where the link was blind: one cause a link and kind of blindness."""
    if not case.evidence.blind:
        return
    blind = _by_link(case)
    groups: dict[tuple[str, bool], list[int]] = defaultdict(list)
    seen: dict[tuple[str, bool], dict[BlindTime, None]] = defaultdict(dict)
    for number in case.opened(Verdict.NOT_OBSERVED, Verdict.UNRESOLVED, Verdict.MASKED):
        link = case.link_of(case.results[number].point)
        if link not in blind:
            continue
        touching = [it for window in unseen(case, number) for it in blind[link].during(window)]
        if touching:
            key = link, any(_is_down(case, it) for it in touching)
            groups[key].append(number)
            seen[key].update(dict.fromkeys(touching))
    for (link, down), numbers in groups.items():
        spans = [it for it in seen[link, down] if not down or _is_down(case, it)]
        yield Finding(cause=_cause(case, link, numbers, spans, down=down), results=tuple(numbers))


def blind_references(case: Case) -> Iterator[Finding]:
    """Unknown results whose stimulus could not be timed closely, since its reference point was not seen just then."""
    blind = _by_link(case)
    groups: dict[str, list[int]] = defaultdict(list)
    seen: dict[str, dict[BlindTime, None]] = defaultdict(dict)
    for number in case.opened(Verdict.UNRESOLVED, Verdict.MASKED):
        timed = case.stimulus(number)
        if not timed.timed_by:
            continue
        link = case.link_of(timed.timed_by)
        steps = [timed.raised, *([] if timed.cleared is None else [timed.cleared])]
        touching = [it for step in steps for it in blind[link].during(step)] if link in blind else []
        if touching:
            groups[link].append(number)
            seen[link].update(dict.fromkeys(touching))
    for link, numbers in groups.items():
        whys = listed((it.why for it in seen[link]), 3)
        yield Finding(
            cause=Cause(
                kind=CauseKind.TRANSPORT,
                code="reference-not-seen",
                text=f"the reference points on link {link} were not seen when these alarms came or went, so their "
                f"times are not known closely: {whys}",
                evidence=f"{times(len(seen[link]))} without an answer just then; open because of it: "
                f"{pairs(case, numbers)}",
                next_check=f"restore link {link}, or lower its request rate; then raise these again",
            ),
            results=tuple(numbers),
        )


_SUBSCRIPTION: Final = "subscription of "
"""How the blind time of one object's COV subscription is named."""

_REFUSED: Final = " refused: "
"""How its step is named where the device answers that it takes none."""

ANOTHER_DEVICE: Final = (
    Equal(
        kind=CauseKind.IDENTITY,
        code="duplicate-instance",
        text="another device with the same device instance answers at this address, and it is not the one that shows "
        "the alarms",
    ),
)

_NOT_HERE: Final = (
    Equal(kind=CauseKind.ADDRESS, code="wrong-table", text="these addresses are in the other table of their width"),
    Equal(kind=CauseKind.IDENTITY, code="wrong-unit", text="it is another unit that answers at this address"),
)


def _cause(case: Case, link: str, numbers: Sequence[int], spans: Sequence[BlindTime], *, down: bool) -> Cause:
    whys = listed((why for why, _ in Counter(it.why for it in spans).most_common()), 3)
    longest = time_text(max(it.span.width for it in spans))
    evidence = (
        f"link {link} was blind {times(len(spans))} in these windows, for up to {longest}: {whys}; unknown because of "
        f"it: {pairs(case, numbers)}"
    )
    if all("exception" in it.why for it in spans):
        foreign = all("exception 01" in it.why or "exception 02" in it.why for it in spans)
        return Cause(
            kind=CauseKind.TRANSPORT,
            code="reads-refused",
            text=f"the device of link {link} answers these reads with {whys}: {points(case, numbers)}",
            evidence=evidence,
            next_check="look up these addresses in the device's list: are they there, and is what feeds them running; "
            "then raise these again",
            equals=_NOT_HERE if foreign else (),
            deciding="what the device answers for the other table (`probe around` in the site file reads it), and what "
            "stands at the address that is set in it"
            if foreign
            else "",
        )
    if all(it.why.startswith(_SUBSCRIPTION) and _REFUSED in it.why for it in spans):
        return Cause(
            kind=CauseKind.TRANSPORT,
            code="subscription-refused",
            text=f"the device of link {link} takes no subscription: {whys}",
            evidence=evidence,
            next_check="look in the device for how many subscriptions it keeps and who holds them; subscribe to less, "
            "or have these objects polled",
            equals=ANOTHER_DEVICE,
            deciding="what the device at this address calls itself (Object_Name, Model_Name), and whether anything in "
            "it changes while an alarm is up",
        )
    if all(it.why.startswith(_SUBSCRIPTION) for it in spans):
        return Cause(
            kind=CauseKind.TRANSPORT,
            code="subscription-lost",
            text=f"the device of link {link} forgot what was subscribed to in these windows: {whys}",
            evidence=evidence,
            next_check="look in the device for how many subscriptions it keeps and whether it restarted; then raise "
            "these again",
        )
    if down:
        return Cause(
            kind=CauseKind.TRANSPORT,
            code="link-down",
            text=f"link {link} was not observed in these windows: {whys}",
            evidence=evidence,
            next_check=f"restore link {link} (cable, power, address, other clients of the device), then raise these "
            "again",
        )
    return Cause(
        kind=CauseKind.TRANSPORT,
        code="polls-failed",
        text=f"polls of link {link} got no usable answer in these windows: {whys}",
        evidence=evidence,
        next_check=f"check what else polls the device of link {link}, lower the request rate or lengthen the timeout, "
        "then raise these again",
    )


def _is_down(case: Case, it: BlindTime) -> bool:
    """True of a blind time longer than one poll that failed."""
    spec = case.site.links.get(it.link)
    return not isinstance(spec, ModbusLink | BacnetLink) or it.span.width > spec.timeout_ns + spec.poll_period_ns


def _by_link(case: Case) -> dict[str, _Blind]:
    found: dict[str, _Blind] = defaultdict(_Blind)
    for it in sorted(case.evidence.blind, key=lambda it: (it.link, it.span.lo, it.span.hi, it.why)):
        of = found[it.link]
        of.spans.append(it)
        of.reach.append(max(it.span.hi, of.reach[-1] if of.reach else it.span.hi))
    return found
