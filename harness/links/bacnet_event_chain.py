"""A chain of events of a BACnet object: each tells what it comes from, and the first begins at a state that was read.

That the alarm is up has to be told, where it was not up at first: what was only read is no event.
"""

from __future__ import annotations

from harness.core.places import Arrival, BacnetPlace
from harness.links.bacnet_alive import Alive
from harness.links.bacnet_known import Known
from harness.links.bacnet_read_states import ReadStates
from harness.links.bacnet_states import event_is_on


class EventChain:
    """What events say beyond the state that each tells; what follows of it is entered in ``known``."""

    def __init__(self, place: BacnetPlace, known: Known, alive: Alive) -> None:
        self._place = place
        self._known = known
        self._alive = alive

    def begin(self, read: ReadStates, until_ns: int) -> None:
        """The Event_State as it was first read since the link came up: from there on events tell every change."""
        it = self._known
        if it.is_known or it.up_ns is None or self._place.arrives is not Arrival.EVENT:
            return
        first = read.first_from(it.up_ns, off=bool(it.samples.hi))
        if first is None or first[1] > until_ns:
            return
        asked_ns, told_ns, on = first
        if it.samples.hi and asked_ns <= it.samples.hi[-1]:
            asked_ns = it.samples.hi[-1] + 1
        if asked_ns > told_ns:
            return
        it.samples.add(asked_ns, told_ns, on=on, edge=False, sealed=False)
        it.on, it.is_known, it.is_whole = on, True, it.is_promised
        self._alive.from_ns, it.begun_by_poll = told_ns, True

    def begin_anew(self, from_state: int, lo: int) -> None:
        """Where an event comes from a fault, that hid the alarm until then, and what was known is from before.

        The state that was read when the link came up may be that behind an event which was still on its way, and was
        read too early to be what was before it.
        """
        it, before = self._known, event_is_on(self._place, from_state)
        was_read_behind = it.begun_by_poll and before is not it.on and it.samples.hi[-1] >= lo
        if before is not None and not was_read_behind:
            return
        if it.begun_by_poll:
            it.samples.take_back()
        it.is_known = it.is_whole = it.begun_by_poll = False

    def reach_back(self, from_state: int | None, lo: int) -> None:
        """A change that may lie before the poll that read the state before it: then so does that state.

        Where it is the first that was told since the link came up, of a path that tells every change, it says that it
        was so all the while.
        """
        it = self._known
        if it.begun_by_poll and it.samples.lo:
            says_so = from_state is not None and event_is_on(self._place, from_state) is it.on
            up_ns = it.since_up(lo)
            if says_so and it.samples.hi[-1] >= lo and up_ns is not None:
                it.samples.lo[-1] = it.samples.hi[-1] = up_ns
            it.samples.lo[-1] = min(it.samples.lo[-1], lo - 1)
        it.begun_by_poll = False

    def check_from(self, from_state: int, lo: int, hi: int, *, on: bool) -> None:
        """An event says what was before it: where that is not what was known, one was not told."""
        it, before = self._known, event_is_on(self._place, from_state)
        if before is None or before is on or (it.is_known and before is it.on):
            return
        up_ns = None if it.is_known else it.since_up(lo)
        it.is_whole = False
        if up_ns is not None:
            it.add(up_ns, up_ns, on=before, edge=False)
            return
        it.add(min(it.change_lo, lo), hi, on=before, edge=False)
        it.is_whole = False
