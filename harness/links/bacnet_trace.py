"""Notifications of one BACnet object as the trace of one point. Pure functions.

What must arrive by a notification is never taken from a poll: a value that is read proves nothing of the path that
tells it. The Event_State read when a link comes up is where a chain of events begins (``bacnet_event_chain``). Silence
means no change where the path promises every one, up to the last proof that it was alive (``bacnet_alive``).

A notification that came in by p places its change in [first byte - D, p], with D the longest delay of the link. Without
D, the lower bound is that of the change before, or the moment of subscribing. The first value after subscribing is a
state; where a subscription was lost, nothing since its last sign of life is sealed, and until the next notification
nothing is claimed (``bacnet_known``). Clauses are those of ASHRAE 135.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from harness.core.instants import NS_PER_S
from harness.core.links import BacnetLink, CovKind
from harness.core.places import Arrival, BacnetPlace
from harness.core.trace import Trace
from harness.links.bacnet_alive import Alive, Lost
from harness.links.bacnet_event_chain import EventChain
from harness.links.bacnet_happened import Down, Happening, Up, by_object, in_order
from harness.links.bacnet_known import Known
from harness.links.bacnet_messages import (
    NOTIFY_ACK,
    BacnetMessage,
    EventNotice,
    Gap,
    LifeSign,
    Reporting,
    Subscription,
    SubscriptionStep,
    ValueChange,
    decode,
)
from harness.links.bacnet_read_states import NOTHING_READ, read_states
from harness.links.bacnet_states import may_turn_untold, state_told
from harness.links.base import AnyBlock, ObjectBlock
from harness.links.heard import heard_of
from harness.links.seen import Polls
from harness.links.source import Source

RETRANSMITTED_WITHIN_NS: Final = 30 * NS_PER_S
"""A device repeats a confirmed notification until it is confirmed: Number_Of_APDU_Retries times after APDU_Timeout
each, 12 s to 24 s as devices are usually set (from memory)."""

RETRANSMITTED_WITHIN: Final = 128
"""Invoke ids come round after 256: one seen so recently is still the same request."""


def reader(place: BacnetPlace) -> Callable[[bytes], bool | None] | None:
    """How the messages of its link are read for a place; None where it is polled."""
    if place.arrives is Arrival.POLL:
        return None
    return lambda data: state_told(place, decode(data))


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
    reading.read_states = read_states(place, polls)
    happened = heard.once(
        ("happened", spec.name, start_ns, end_ns), lambda: by_object(in_order(heard, spec.name, start_ns, end_ns))
    )
    for happening in happened.about((place.object_type, place.instance)):
        reading.take(happening)
    return reading.trace(point, end_ns)


class _Reading:
    """One pass over what happened on a link, for one place."""

    def __init__(self, place: BacnetPlace, spec: BacnetLink, polls: Sequence[Polls]) -> None:
        self.read_states = NOTHING_READ
        self._place = place
        self._mine = (place.object_type, place.instance)
        self._delay_ns = spec.longest_delay_ns
        # A datagram that is lost is noticed only where the device waits for its confirmation.
        is_confirmed = place.arrives is not Arrival.COV or spec.cov is CovKind.CONFIRMED
        is_promised = spec.promises_every_change and is_confirmed
        self._known = Known(is_promised=is_promised, delay_ns=spec.longest_delay_ns)
        self._alive = Alive(place, polls)
        self._events = EventChain(place, self._known, self._alive)
        self._confirmed = _Confirmed()
        self._increment: float | None = None
        self._turns_untold = False
        """Whether what was told last may have changed since by too little to be told."""

    def take(self, happening: Happening) -> None:
        """The next thing that happened."""
        first_ns, last_ns, what = happening
        match what:
            case Up():
                self._known.came_up(last_ns)
                self._alive.came_up(last_ns)
            case Down():
                self._break(last_ns)
            case Gap():
                self._break(what.since_ns, last_ns)
            case LifeSign():
                self._break_where(self._alive.looked(what, first_ns, is_known=self._known.is_known))
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
                        self._known.promises_less()

    def trace(self, point: str, end_ns: int) -> Trace:
        """All of it as a trace."""
        self._events.begin(self.read_states, end_ns)
        self._prove(end_ns)
        self._known.samples.unseal_contradicted(self.read_states)
        return self._known.samples.trace(point)

    # --- what was lost, and what shows that nothing was -------------------------------------------------

    def _break(self, since_ns: int, known_ns: int | None = None) -> None:
        """Something may have been lost since then. ``known_ns``: when that was known, where that was later."""
        self._events.begin(self.read_states, since_ns)
        self._prove(since_ns)
        self._known.lost(since_ns, since_ns if known_ns is None else known_ns)

    def _break_where(self, lost: Lost | None) -> None:
        if lost is not None:
            self._break(*lost)

    def _prove(self, until_ns: int) -> None:
        """Silence is proven up to the last proof of life that was known by then."""
        self._known.prove(lambda: self._alive.proven_ns(until_ns))

    def _subscription(self, it: Subscription, first_ns: int, last_ns: int) -> None:
        match it.step:
            case SubscriptionStep.ASKED:
                self._break(first_ns)
                self._alive.not_kept()
                self._known.floor_ns = self._known.change_lo = self._alive.from_ns = first_ns
            case SubscriptionStep.RENEWING:
                if not self._known.is_promised:
                    # The value that answers it is a state, and need not have been told as a change.
                    self._known.is_known = False
            case SubscriptionStep.LOST:
                self._break(last_ns if it.since_ns is None else it.since_ns, last_ns)
                self._alive.not_kept()
            case SubscriptionStep.ENDED:
                self._break(last_ns)
                self._alive.not_kept()
            case SubscriptionStep.KEPT:
                self._break_where(self._alive.kept(last_ns))
            case SubscriptionStep.REFUSED:
                pass

    # --- what was told --------------------------------------------------------------------------------------

    def _notice(self, it: ValueChange | EventNotice, first_ns: int, last_ns: int) -> None:
        if isinstance(it, EventNotice) is not (self._place.arrives is Arrival.EVENT):
            return  # told by the other way, of which nothing is asked here
        known = self._known
        if it.invoke is None:
            known.promises_less()
        on = state_told(self._place, it)
        if on is None:
            if not (isinstance(it, EventNotice) and it.notify_type == NOTIFY_ACK):
                # It changed to what tells neither (a fault, out of service): what it was told to be, it is no more.
                self._break(first_ns - (self._delay_ns or 0), last_ns)
            return
        self._events.begin(self.read_states, first_ns)
        if self._confirmed.is_retransmitted(it, last_ns):
            if on is not known.on:
                self._break(first_ns)  # which of the two it is cannot be told: nothing is claimed of it
            return
        self._prove(first_ns)
        lo = self._lowest(it, first_ns, last_ns)
        from_state = it.from_state if isinstance(it, EventNotice) else None
        if from_state is not None:
            self._events.begin_anew(from_state, lo)
        self._events.reach_back(from_state, lo)
        if from_state is not None:
            self._events.check_from(from_state, lo, last_ns, on=on)
        edge = known.is_known and on is not known.on and not self._turns_untold
        if not known.is_known:
            lo = known.floor_ns if self._delay_ns is None else lo
        known.add(min(lo, last_ns), last_ns, on=on, edge=edge)
        self._turns_untold = isinstance(it, ValueChange) and may_turn_untold(self._place, it.reading, self._increment)
        known.is_whole = known.is_whole and not self._turns_untold

    def _lowest(self, it: ValueChange | EventNotice, first_ns: int, last_ns: int) -> int:
        """Before which instant the change that is told cannot have been."""
        lo = self._known.change_lo + 1 if self._delay_ns is None else first_ns - self._delay_ns
        if self._delay_ns is None or isinstance(it, ValueChange):
            # A value that was subscribed to is told from then on; an event needs none of it.
            lo = max(lo, self._known.floor_ns)
        return min(lo, last_ns)


class _Confirmed:
    """The confirmed requests of a device, by their invoke id."""

    def __init__(self) -> None:
        self._seen: dict[int, tuple[int, int, BacnetMessage]] = {}
        self._number = 0

    def is_retransmitted(self, it: ValueChange | EventNotice, last_ns: int) -> bool:
        """Whether the same confirmed request came a short while ago, and nothing else under its invoke id since."""
        if it.invoke is None:
            return False
        self._number += 1
        before = self._seen.get(it.invoke)
        self._seen[it.invoke] = (last_ns, self._number, it)
        if before is None or before[2] != it:
            return False
        at_ns, number, _ = before
        return last_ns - at_ns <= RETRANSMITTED_WITHIN_NS and self._number - number <= RETRANSMITTED_WITHIN
