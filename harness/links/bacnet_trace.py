"""Notifications of one BACnet object as the trace of one point. Pure functions.

What must arrive by a notification is never taken from a poll: a value that is read proves nothing of the path that
tells it. The Event_State read when a link comes up is where a chain of events begins. Silence means no change where the
path promises every one, up to the last proof that it was alive: for a subscription, that the device lists it, and has
ever since it was asked for; for events, that the device did not restart. A device that can say neither is taken for
alive while it answers polls, and that is an assumption.

A notification that came in by p places its change in [first byte - D, p], with D the longest delay of the link. Without
D, the lower bound is that of the change before, or the moment of subscribing. The first value after subscribing is a
state; where a subscription was lost, nothing since its last sign of life is sealed, and until the next notification
nothing is claimed. Clauses are those of ASHRAE 135.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from harness.core.instants import NS_PER_S
from harness.core.links import BacnetLink, CovKind
from harness.core.model import Point
from harness.core.places import Arrival, BacnetPlace, ObjectPart, ObjectType
from harness.core.trace import Trace
from harness.links import bacnet_values
from harness.links.bacnet_messages import (
    ASK_THE_SITE,
    LATE_ANSWER,
    NOT_KNOWN,
    NOTIFY_ACK,
    RESTART_MIN_NS,
    BacnetMessage,
    EventNotice,
    Gap,
    LifeSign,
    ObjectId,
    Reporting,
    Subscription,
    SubscriptionStep,
    ValueChange,
    decode,
    object_words,
)
from harness.links.bacnet_values import OBJECT_BYTES, ObjectReading
from harness.links.base import AnyBlock, LinkState, ObjectBlock
from harness.links.heard import ALL, Sorted, heard_of
from harness.links.seen import Message, Polls
from harness.links.source import Source

_Instants = np.ndarray[tuple[int], np.dtype[np.int64]]
_ANALOG: Final = (ObjectType.ANALOG_INPUT, ObjectType.ANALOG_VALUE)

_NONE: Final[_Instants] = np.zeros(0, dtype=np.int64)

RETRANSMITTED_WITHIN_NS: Final = 30 * NS_PER_S
"""A device repeats a confirmed notification until it is confirmed: Number_Of_APDU_Retries times after APDU_Timeout
each, 12 s to 24 s as devices are usually set (from memory)."""

RETRANSMITTED_WITHIN: Final = 128
"""Invoke ids come round after 256: one seen so recently is still the same request."""


def state_told(place: BacnetPlace, message: BacnetMessage) -> bool | None:
    """Whether a message says that the place is on; None where it says nothing of it."""
    mine = (place.object_type, place.instance)
    if place.arrives is Arrival.COV and isinstance(message, ValueChange) and message.object == mine:
        return bacnet_values.is_on(place, message.reading)
    if place.arrives is Arrival.EVENT and isinstance(message, EventNotice) and message.object == mine:
        return None if message.notify_type == NOTIFY_ACK else _event_is_on(place, message.to_state)
    return None


def reader(place: BacnetPlace) -> Callable[[bytes], bool | None] | None:
    """How the messages of its link are read for a place; None where it is polled."""
    if place.arrives is Arrival.POLL:
        return None
    return lambda data: state_told(place, decode(data))


def _event_is_on(place: BacnetPlace, event_state: int) -> bool | None:
    """An Event_State as on or off. Fault hides whether the alarm is up (13.2.2.1: it takes precedence)."""
    if event_state == bacnet_values.FAULT:
        return True if place.part is ObjectPart.FAULT else None
    return bacnet_values.is_alarm(place, event_state)


def bacnet_trace(
    point: str,
    place: BacnetPlace,
    spec: BacnetLink,
    source: Source,
    blocks: Sequence[AnyBlock],
    start_ns: int,
    end_ns: int,
) -> Trace:
    """The trace of ``point`` from the notifications of its link between ``start_ns`` and ``end_ns``."""
    heard = heard_of(source)
    polls = [(it, heard.polls(it.id)) for it in blocks if isinstance(it, ObjectBlock)]
    reading = _Reading(place, spec, [it for _, it in polls if len(it)])
    reading.read_states = _read_states(place, polls)
    happened = heard.once(
        ("happened", spec.name, start_ns, end_ns), lambda: _by_object(_in_order(heard, spec.name, start_ns, end_ns))
    )
    for happening in happened.about((place.object_type, place.instance)):
        reading.take(happening)
    return reading.trace(point, end_ns)


def _by_object(happened: list[_Happening]) -> Sorted[_Happening]:
    """What names an object concerns that one (None: one that farend does not read), everything else every one."""
    return Sorted(happened, (getattr(what, "object", ALL) for _, _, what in happened))


@dataclass(frozen=True, slots=True)
class _ReadStates:
    """Wherever an object's state was read: ``asked`` and ``told`` (n,) int64 in order of asking, ``on`` (n,)."""

    asked: _Instants
    told: _Instants
    on: np.ndarray[tuple[int], np.dtype[np.bool_]]

    def first_from(self, since_ns: int, *, off: bool = False) -> tuple[int, int, bool] | None:
        """(asked, told, on) of the first that was asked at or after an instant; with ``off`` the first that was off."""
        at = int(np.searchsorted(self.asked, since_ns))
        if off:
            later = np.flatnonzero(~self.on[at:])
            at = at + int(later[0]) if len(later) else len(self.asked)
        return None if at == len(self.asked) else (int(self.asked[at]), int(self.told[at]), bool(self.on[at]))


def _read_states(place: BacnetPlace, polls: Iterable[tuple[ObjectBlock, Polls]]) -> _ReadStates:
    """Of all blocks that read the object. What does not tell whether the alarm is up is left out."""
    mine = (place.object_type, place.instance)
    asked, told, on = [_NONE], [_NONE], [_NONE]
    for block, seen in polls:
        if mine not in block.objects or not len(seen):
            continue
        index = block.objects.index(mine)
        known: dict[bytes, int] = {}
        states = []
        for payload in seen.payloads:
            octets = payload[index * OBJECT_BYTES : (index + 1) * OBJECT_BYTES]
            if octets not in known:
                is_on = _state_read(place, bacnet_values.unpack(octets, 0))
                known[octets] = -1 if is_on is None else int(is_on)
            states.append(known[octets])
        lengths = np.diff(np.append(seen.starts, len(seen)))
        every = np.repeat(np.array(states, dtype=np.int64), lengths)
        asked.append(seen.asked[every >= 0])
        told.append(seen.told[every >= 0])
        on.append(every[every >= 0])
    columns = [np.concatenate(it) for it in (asked, told, on)]
    order = np.lexsort(columns[::-1])
    return _ReadStates(columns[0][order], columns[1][order], columns[2][order] != 0)


def _state_read(place: BacnetPlace, reading: ObjectReading) -> bool | None:
    """What a poll says of what should have been told."""
    if place.arrives is not Arrival.EVENT:
        return bacnet_values.is_on(place, reading)
    return None if reading.event_state is None else _event_is_on(place, reading.event_state)


def _may_turn_untold(place: BacnetPlace, reading: ObjectReading, increment: float | None) -> bool:
    """Whether an analog value can come to the other side of a limit by less than the COV_Increment (13.1), untold.

    Where the increment is not known, it may be any.
    """
    if place.object_type not in _ANALOG or place.part is not ObjectPart.PRESENT_VALUE or reading.value is None:
        return False
    if increment is None:
        return True
    on = bacnet_values.is_on(place, reading)
    ends = (math.nextafter(reading.value + way * increment, reading.value) for way in (-1, 1))
    return increment > 0 and any(bacnet_values.is_on(place, replace(reading, value=end)) is not on for end in ends)


def unreachable_points(source: Source, points: Iterable[Point]) -> dict[str, str]:
    """Points whose alarm must arrive by an event, of devices that send farend none: why, by the name of the point.

    Where that could not be found out, their silence proves nothing either. An event that came all the same says more
    than a Recipient_List that was read.
    """
    events = [it for it in points if isinstance(it.place, BacnetPlace) and it.place.arrives is Arrival.EVENT]
    found: dict[str, str] = {}
    for link in dict.fromkeys(it.link for it in events):
        denied: dict[ObjectId, str] = {}
        came: set[ObjectId | None] = set()
        for _, message in decoded_of(source, link):
            if isinstance(message, EventNotice):
                came.add(message.object)
            elif isinstance(message, Reporting) and not message.is_recipient:
                what = NOT_KNOWN if message.is_recipient is None else ASK_THE_SITE
                denied[message.object] = f"{what}; {message.why}"
            elif isinstance(message, Reporting):
                denied.pop(message.object, None)
        for point in events:
            place = point.place
            mine = (place.object_type, place.instance) if isinstance(place, BacnetPlace) else None
            if point.link == link and mine in denied and mine not in came:
                found[point.name] = denied[mine]
    return found


def held_back(source: Source, points: Iterable[Point]) -> dict[str, int]:
    """By the name of the point: for how long its object holds an event back (Time_Delay, 13.3), in ns; not where 0.

    Only of what arrives by events, and of Event_State and the flags that follow it; a value is not held back.
    """
    late = [it for it in points if isinstance(it.place, BacnetPlace) and _follows_event_state(it.place)]
    found: dict[str, int] = {}
    for link in dict.fromkeys(it.link for it in late):
        delays: dict[ObjectId, int] = {}
        for _, message in decoded_of(source, link):
            if isinstance(message, Reporting) and message.time_delay_ns:
                delays[message.object] = message.time_delay_ns
        for point in late:
            place = point.place
            if point.link == link and isinstance(place, BacnetPlace):
                delay_ns = delays.get((place.object_type, place.instance))
                if delay_ns:
                    found[point.name] = delay_ns
    return found


def _follows_event_state(place: BacnetPlace) -> bool:
    return place.arrives is Arrival.EVENT or place.part in (ObjectPart.EVENT_STATE, ObjectPart.IN_ALARM)


def unsubscribed_times(source: Source, link: str, end_ns: int) -> Iterator[tuple[int, int, str]]:
    """From when until when a subscription was lost or refused, and why; open ends are at ``end_ns``."""
    open_since: dict[ObjectId, tuple[int, str]] = {}
    for message, it in decoded_of(source, link):
        if not isinstance(it, Subscription):
            continue
        what = f"subscription of {object_words(it.object)} {it.step.value}: {it.why}"
        if it.step is SubscriptionStep.LOST:
            open_since.setdefault(it.object, (it.since_ns or message.first_ns, what))
        elif it.step is SubscriptionStep.REFUSED:
            open_since.setdefault(it.object, (message.first_ns, what))
        elif it.step is SubscriptionStep.KEPT and it.object in open_since:
            since_ns, why = open_since.pop(it.object)
            yield since_ns, max(since_ns, message.last_ns), why
    for since_ns, why in open_since.values():
        yield since_ns, max(since_ns, end_ns), why


@dataclass(frozen=True, slots=True)
class _Down:
    """The link went down, or something from the device could not be read."""


@dataclass(frozen=True, slots=True)
class _Up:
    """The link came up."""


_Happening = tuple[int, int, BacnetMessage | _Down | _Up]
"""Not before, not after, what."""


def _in_order(source: Source, link: str, start_ns: int, end_ns: int) -> list[_Happening]:
    """What happened on the link, by the instants at which it was known; of equal ones, what was lost comes first."""
    found: list[tuple[int, int, int, BacnetMessage | _Down | _Up]] = []
    for change in source.link_states(link):
        up = change.state is LinkState.UP
        found.append((change.at_ns, change.at_ns, 1 if up else 0, _Up() if up else _Down()))
    found += [(it.at_ns, it.at_ns, 0, _Down()) for it in source.dropped(link) if LATE_ANSWER not in it.what]
    found += [(it.last_ns, it.first_ns, 2, what) for it, what in decoded_of(source, link)]
    found.sort(key=lambda it: (it[0], it[2]))
    return [(first, last, what) for last, first, _, what in found if last <= end_ns and last >= start_ns]


def decoded_of(source: Source, link: str) -> list[tuple[Message, BacnetMessage | _Down]]:
    """Every message of a link and what it says."""
    heard = heard_of(source)
    return heard.once(("decoded", link), lambda: [(it, _decoded(it)) for it in heard.messages(link)])


def _decoded(message: Message) -> BacnetMessage | _Down:
    try:
        return decode(message.data)
    except ValueError:
        return _Down()


@dataclass(slots=True)
class _Samples:
    """A trace in the making; ``add`` keeps the upper bounds strictly rising, which only ever widens them."""

    lo: list[int] = field(default_factory=list)
    hi: list[int] = field(default_factory=list)
    on: list[bool] = field(default_factory=list)
    edge: list[bool] = field(default_factory=list)
    sealed: list[bool] = field(default_factory=list)

    def add(self, lo: int, hi: int, *, on: bool, edge: bool, sealed: bool) -> None:
        self.lo.append(lo)
        self.hi.append(max(hi, self.hi[-1] + 1) if self.hi else hi)
        self.on.append(on)
        self.edge.append(edge)
        self.sealed.append(sealed)


class _Reading:
    """One pass over what happened on a link, for one place."""

    def __init__(self, place: BacnetPlace, spec: BacnetLink, polls: Sequence[Polls]) -> None:
        self._place = place
        self._spec = spec
        self._polls = polls
        self._mine = (place.object_type, place.instance)
        self.read_states = _ReadStates(_NONE, _NONE, _NONE != 0)
        self._samples = _Samples()
        self._increment: float | None = None
        self._on = False
        self._known = False
        """Whether the state is known: from the first value after subscribing until that is lost."""
        self._whole = False
        """Whether nothing can have been lost since the last sample."""
        self._turns_untold = False
        """Whether what was told last may have changed since by too little to be told."""
        self._floor = 0
        """The moment of subscribing: without D, no change that is told reaches further back."""
        self._change_lo = 0
        self._alive_from_ns = 0
        """Polls before it prove nothing: the subscription was not there, or the link was down."""
        self._up_ns: int | None = None
        self._unbroken = False
        """Whether nothing can have been lost since the link came up."""
        # A datagram that is lost is noticed only where the device waits for its confirmation.
        is_confirmed = place.arrives is not Arrival.COV or spec.cov is CovKind.CONFIRMED
        self._promised = spec.promises_every_change and is_confirmed
        self._begun_by_poll = False
        self._sign: LifeSign | None = None
        """What the device said of its life, since the link came up."""
        self._sign_ns = 0
        self._proofs: list[int] = []
        """When it was asked, wherever the answer shows that the path was alive."""
        self._kept_ns: int | None = None
        """When the subscription was confirmed; None where there is none."""
        self._invokes: dict[int, tuple[int, int, BacnetMessage]] = {}
        self._confirmed = 0

    def take(self, happening: _Happening) -> None:
        """The next thing that happened."""
        first_ns, last_ns, what = happening
        match what:
            case _Up():
                self._up(last_ns)
            case _Down():
                self._break(last_ns)
            case Gap():
                self._break(what.since_ns, last_ns)
            case LifeSign():
                self._lives(what, first_ns)
            case Subscription():
                if what.object == self._mine and self._place.arrives is Arrival.COV:
                    self._subscription(what, first_ns, last_ns)
            case ValueChange() | EventNotice():
                if what.object == self._mine:
                    self._notice(what, first_ns, last_ns)
            case Reporting():
                if what.object == self._mine:
                    self._increment = what.cov_increment
                    if what.is_confirmed is False and self._place.arrives is Arrival.EVENT:
                        self._promised = self._whole = False

    def trace(self, point: str, end_ns: int) -> Trace:
        """All of it as a trace."""
        self._begin_events(end_ns)
        self._prove(end_ns)
        self._unseal_contradicted()
        it = self._samples
        flags = [np.array(column, dtype=np.bool_) for column in (it.on, it.edge, it.sealed)]
        lo, hi = np.array(it.lo, dtype=np.int64), np.array(it.hi, dtype=np.int64)
        return Trace.from_states(point, lo, hi, flags[0], edge=flags[1], sealed=flags[2])

    # --- what was lost, and what shows that nothing was -------------------------------------------------

    def _up(self, at_ns: int) -> None:
        self._up_ns = self._alive_from_ns = at_ns
        self._floor = self._change_lo = max(at_ns, self._floor)
        self._known = self._whole = False
        self._unbroken = True
        self._sign, self._kept_ns = None, None

    def _break(self, since_ns: int, known_ns: int | None = None) -> None:
        """Something may have been lost since then: until the next notification nothing is claimed.

        ``known_ns``: when that was known; what was read before it may have changed since.
        """
        self._begin_events(since_ns)
        self._prove(since_ns)
        self._unseal(since_ns)
        self._known = self._whole = self._begun_by_poll = self._unbroken = False
        self._up_ns = (since_ns if known_ns is None else known_ns) if self._up_ns is not None else None

    def _unseal(self, since_ns: int) -> None:
        """Between samples since then something may have been lost after all; what then came need be no change."""
        for at in range(len(self._samples.hi) - 1, -1, -1):
            if self._samples.hi[at] <= since_ns:
                break
            self._samples.sealed[at] = self._samples.edge[at] = False

    def _unseal_contradicted(self) -> None:
        """A poll between two samples that read what was not told: something was lost, whatever the path promises."""
        it, read = self._samples, self.read_states
        lo, hi = np.array(it.lo, dtype=np.int64), np.array(it.hi, dtype=np.int64)
        behind = np.searchsorted(hi, read.asked, side="left")
        inside = (behind > 0) & (behind < len(hi))
        behind, told, on = behind[inside], read.told[inside], read.on[inside]
        untold = (told < lo[behind]) & (on != np.array(it.on, dtype=np.bool_)[behind - 1])
        for at in behind[untold].tolist():
            it.sealed[at] = it.edge[at] = False

    def _lives(self, sign: LifeSign, asked_ns: int) -> None:
        """The device said something of its life: where that shows that nothing was lost, silence is proven up to it."""
        before, before_ns = self._sign, self._sign_ns
        self._sign, self._sign_ns = sign, asked_ns
        if before is not None and before.restarted != sign.restarted:
            self._break(before_ns, asked_ns)
        elif self._is_listed():
            if self._kept_ns is not None and self._mine not in sign.missing and asked_ns >= self._kept_ns:
                self._proofs.append(asked_ns)
        elif before is not None:
            self._proofs.append(asked_ns)
        elif self._known and self._alive_from_ns < asked_ns - RESTART_MIN_NS:
            self._break(self._alive_from_ns, asked_ns)  # no look was before it: it may have restarted in between

    def _is_listed(self) -> bool:
        """Whether the list of subscriptions is what proves that this path lives."""
        return self._place.arrives is Arrival.COV and self._sign is not None and self._sign.lists

    def _renewed(self, last_ns: int) -> None:
        """Whether it was still there before the renewal is told by a look just before it, and by nothing later."""
        before_ns, self._kept_ns = self._kept_ns, last_ns
        if before_ns is None or not self._is_listed() or self._sign is None or self._sign.restarted is not None:
            return
        proven_ns = self._proofs[-1] if self._proofs else before_ns
        if last_ns - proven_ns > RESTART_MIN_NS:
            self._break(max(proven_ns, before_ns), last_ns)

    def _subscription(self, it: Subscription, first_ns: int, last_ns: int) -> None:
        match it.step:
            case SubscriptionStep.ASKED:
                self._break(first_ns)
                self._kept_ns = None
                self._floor = self._change_lo = self._alive_from_ns = first_ns
            case SubscriptionStep.RENEWING:
                if not self._promised:
                    # The value that answers it is a state, and need not have been told as a change.
                    self._known = False
            case SubscriptionStep.LOST:
                self._break(last_ns if it.since_ns is None else it.since_ns, last_ns)
                self._kept_ns = None
            case SubscriptionStep.ENDED:
                self._break(last_ns)
                self._kept_ns = None
            case SubscriptionStep.KEPT:
                self._renewed(last_ns)
            case SubscriptionStep.REFUSED:
                pass

    def _prove(self, until_ns: int) -> None:
        """The path was alive when the device was last asked: so whatever changed before (asked - D) was told."""
        delay = self._spec.longest_delay_ns
        if not (self._known and self._whole and self._promised) or delay is None:
            return
        if self._sign is not None and (self._is_listed() or self._sign.restarted is not None):
            at = bisect_right(self._proofs, until_ns)
            alive = self._proofs[at - 1] if at else 0
        else:
            alive = max((self._asked_before(it, until_ns) for it in self._polls), default=0)
        proven = alive - delay
        if alive >= self._alive_from_ns and self._samples.hi and proven > self._samples.hi[-1]:
            self._begun_by_poll = False
            self._samples.add(proven, proven, on=self._on, edge=False, sealed=True)

    def _asked_before(self, polls: Polls, until_ns: int) -> int:
        """When the last poll was asked that had been answered by then; 0 where none was."""
        at = int(np.searchsorted(polls.told, until_ns, side="right"))
        return int(polls.asked[at - 1]) if at else 0

    # --- what was told --------------------------------------------------------------------------------------

    def _begin_events(self, until_ns: int) -> None:
        """The Event_State as it was first read since the link came up: from there on events tell every change.

        That the alarm is up has to be told, where it was not up at first: what was only read is no event.
        """
        if self._known or self._up_ns is None or self._place.arrives is not Arrival.EVENT:
            return
        first = self.read_states.first_from(self._up_ns, off=bool(self._samples.hi))
        if first is None or first[1] > until_ns:
            return
        asked_ns, told_ns, on = first
        if self._samples.hi and asked_ns <= self._samples.hi[-1]:
            asked_ns = self._samples.hi[-1] + 1
        if asked_ns > told_ns:
            return
        self._samples.add(asked_ns, told_ns, on=on, edge=False, sealed=False)
        self._on, self._known, self._whole = on, True, self._promised
        self._alive_from_ns, self._begun_by_poll = told_ns, True

    def _notice(self, it: ValueChange | EventNotice, first_ns: int, last_ns: int) -> None:
        if isinstance(it, EventNotice) is not (self._place.arrives is Arrival.EVENT):
            return  # told by the other way, of which nothing is asked here
        if it.invoke is None:
            self._promised = self._whole = False
        on = state_told(self._place, it)
        if on is None:
            if not (isinstance(it, EventNotice) and it.notify_type == NOTIFY_ACK):
                # It changed to what tells neither (a fault, out of service): what it was told to be, it is no more.
                self._break(first_ns - (self._spec.longest_delay_ns or 0), last_ns)
            return
        self._begin_events(first_ns)
        if self._is_retransmitted(it, last_ns):
            if on is not self._on:
                self._break(first_ns)  # which of the two it is cannot be told: nothing is claimed of it
            return
        self._prove(first_ns)
        delay = self._spec.longest_delay_ns
        lo = self._change_lo + 1 if delay is None else first_ns - delay
        if delay is None or isinstance(it, ValueChange):
            lo = max(lo, self._floor)  # a value that was subscribed to is told from then on; an event needs none of it
        lo = min(lo, last_ns)
        if isinstance(it, EventNotice) and it.from_state is not None:
            self._begin_anew(it.from_state, lo)
        self._reach_back(lo, it)
        if isinstance(it, EventNotice) and it.from_state is not None:
            self._check_from(it.from_state, on, lo, last_ns)
        edge = self._known and on is not self._on and not self._turns_untold
        if not self._known:
            lo = self._floor if delay is None else lo
        self._add(min(lo, last_ns), last_ns, on=on, edge=edge)
        self._turns_untold = isinstance(it, ValueChange) and _may_turn_untold(self._place, it.reading, self._increment)
        self._whole = self._whole and not self._turns_untold

    def _begin_anew(self, from_state: int, lo: int) -> None:
        """Where an event comes from a fault, that hid the alarm until then, and what was known is from before.

        The state that was read when the link came up may be that behind an event which was still on its way, and was
        read too early to be what was before it.
        """
        before = _event_is_on(self._place, from_state)
        was_read_behind = self._begun_by_poll and before is not self._on and self._samples.hi[-1] >= lo
        if before is not None and not was_read_behind:
            return
        if self._begun_by_poll:
            it = self._samples
            for column in (it.lo, it.hi, it.on, it.edge, it.sealed):
                column.pop()
        self._known = self._whole = self._begun_by_poll = False

    def _reach_back(self, lo: int, it: ValueChange | EventNotice) -> None:
        """A change that may lie before the poll that read the state before it: then so does that state.

        Where it is the first that was told since the link came up, of a path that tells every change, it says that it
        was so all the while.
        """
        if self._begun_by_poll and self._samples.lo:
            before = it.from_state if isinstance(it, EventNotice) else None
            says_so = before is not None and _event_is_on(self._place, before) is self._on
            if says_so and self._samples.hi[-1] >= lo and self._is_since_up(lo):
                assert self._up_ns is not None  # noqa: S101 - held by _is_since_up
                self._samples.lo[-1] = self._samples.hi[-1] = self._up_ns
            self._samples.lo[-1] = min(self._samples.lo[-1], lo - 1)
        self._begun_by_poll = False

    def _check_from(self, from_state: int, on: bool, lo: int, last_ns: int) -> None:  # noqa: FBT001 - a state
        """An event says what was before it: where that is not what was known, one was not told."""
        before = _event_is_on(self._place, from_state)
        if before is None or before is on or (self._known and before is self._on):
            return
        if not self._known and self._is_since_up(lo):
            assert self._up_ns is not None  # noqa: S101 - held by _is_since_up
            self._whole = False
            self._add(self._up_ns, self._up_ns, on=before, edge=False)
            return
        self._whole = False
        self._add(min(self._change_lo, lo), last_ns, on=before, edge=False)
        self._whole = False

    def _is_since_up(self, lo: int) -> bool:
        """Whether what an event says of the time before it holds from the moment when the link came up.

        Where the path tells every change, nothing was lost since then, and this change came after it.
        """
        is_promised = self._promised and self._spec.longest_delay_ns is not None
        return is_promised and self._unbroken and self._up_ns is not None and self._up_ns < lo

    def _add(self, lo: int, hi: int, *, on: bool, edge: bool) -> None:
        self._samples.add(lo, hi, on=on, edge=edge, sealed=self._whole and self._known)
        if on is not self._on or not self._known:
            self._change_lo = max(self._change_lo, lo)
        self._on = on
        self._known = True
        self._whole = self._promised

    def _is_retransmitted(self, it: ValueChange | EventNotice, last_ns: int) -> bool:
        """Whether the same confirmed request came a short while ago, and nothing else under its invoke id since."""
        if it.invoke is None:
            return False
        self._confirmed += 1
        before = self._invokes.get(it.invoke)
        self._invokes[it.invoke] = (last_ns, self._confirmed, it)
        if before is None or before[2] != it:
            return False
        at_ns, number, _ = before
        return last_ns - at_ns <= RETRANSMITTED_WITHIN_NS and self._confirmed - number <= RETRANSMITTED_WITHIN
