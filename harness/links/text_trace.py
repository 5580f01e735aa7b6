"""Printed lines as the trace of one point. Pure functions.

The point is on from its raised line to its cleared line; what the log said before the link was up is unknown to it,
and it counts as off at the moment of subscribing. A message that came in by p places its change in [first byte - D,
p], with D the longest delay of the link. Without D, the lower bound is that of the change before, or the moment of
subscribing.

A line that is sent again, byte for byte, is no event where the pattern finds a running number in it (a group named
``seq``); without one it may be a second event of the same second, and counts.

A *break* is a time after which the log may have said more than was read: the link was down, or a line did not
arrive as text. No gap with a break in it is sealed, and until its next line nothing is claimed of the point.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from itertools import accumulate

from harness.core.links import TextLink
from harness.core.places import TextPlace
from harness.core.trace import Trace
from harness.links.base import LinkState
from harness.links.heard import ALL, Sorted
from harness.links.seen import Dropped, Message, StateChange
from harness.links.text_lines import Message as Said
from harness.links.text_lines import MessageKind, compile_place, decode_line, is_garbled
from harness.links.text_search import Lines
from harness.links.told_samples import ToldSamples


def text_trace(
    point: str,
    place: TextPlace,
    spec: TextLink,
    lines: Sequence[Message],
    states: Sequence[StateChange],
    start_ns: int,
    end_ns: int,
    dropped: Sequence[Dropped] = (),
) -> Trace:
    """The trace of ``point`` from the lines of its link between ``start_ns`` and ``end_ns``.

    ``lines``, ``states`` and ``dropped`` are those of the whole link, each in the order in which it came. Empty where
    the link was never up.
    """
    return TextLog(spec, lines, states, start_ns, end_ns, dropped).trace(point, place)


class TextLog:
    """The lines of one link between two instants, looked through once for all of its points."""

    def __init__(
        self,
        spec: TextLink,
        lines: Sequence[Message],
        states: Sequence[StateChange],
        start_ns: int,
        end_ns: int,
        dropped: Sequence[Dropped] = (),
    ) -> None:
        """As :func:`text_trace`."""
        self._spec = spec
        self._subscribed = _subscribed(states, start_ns, end_ns)
        if self._subscribed is None:
            return
        since = self._subscribed
        self._breaks = _breaks(states, dropped, since)
        kept = [line for line in lines if since <= line.last_ns <= end_ns]
        # A garbled line, and the first one after a break, concern every point; any other one those that it is about.
        garbled = [is_garbled(line.data, spec.encoding) for line in kept]
        passed = [bisect_right(self._breaks, line.last_ns) for line in kept]
        most = [0, *accumulate(passed, max)]
        broken = set(self._breaks)
        concerns = [
            ALL if bad or now > before or line.last_ns in broken else None
            for line, bad, now, before in zip(kept, garbled, passed, most, strict=False)
        ]
        self._lines = Sorted(kept, concerns, (not bad for bad in garbled))
        self._texts = Lines([decode_line(line.data, spec.encoding) for line in kept])

    def trace(self, point: str, place: TextPlace) -> Trace:
        """The trace of one point."""
        if self._subscribed is None:
            return ToldSamples().trace(point)
        patterns = compile_place(place, self._spec.encoding)
        mine = self._lines.at(self._texts.candidates(patterns))
        return _Reading(point, place, self._spec, self._subscribed, self._breaks).read(mine)


def _subscribed(states: Sequence[StateChange], start_ns: int, end_ns: int) -> int | None:
    """The first instant from ``start_ns`` on at which the link was up; None where it never was."""
    up = False
    for change in states:
        if change.at_ns > end_ns:
            break
        if up and change.at_ns > start_ns:
            return start_ns
        up = change.state is LinkState.UP
        if up and change.at_ns >= start_ns:
            return change.at_ns
    return start_ns if up else None


def _breaks(states: Iterable[StateChange], dropped: Iterable[Dropped], subscribed: int) -> list[int]:
    """Instants after which more may have been said than was read, in order.

    Of what one read brought, nobody knows any more whether a line was before what was lost or behind it: so each of
    them is twice in the list, and the second time behind all that came with it.
    """
    down = [change.at_ns for change in states if change.state is LinkState.DOWN and change.at_ns >= subscribed]
    found = down + [drop.at_ns for drop in dropped if drop.at_ns >= subscribed]
    return sorted([*found, *(at_ns + 1 for at_ns in found)])


class _Reading:
    """One pass over the lines of a link, for one point."""

    def __init__(self, point: str, place: TextPlace, spec: TextLink, subscribed: int, breaks: list[int]) -> None:
        self._point = point
        self._patterns = compile_place(place, spec.encoding)
        self._momentary = place.cleared is None
        self._spec = spec
        self._subscribed = subscribed
        self._breaks = breaks
        self._broken_before = 0
        self._samples = ToldSamples()
        self._on = False
        self._known = True  # False from a break until the next line of this point
        self._whole = spec.promises_every_change  # no break since the last sample
        self._any = False  # whether any line of this point was read
        self._change_lo = subscribed
        self._alive_ns: int | None = None
        self._last_numbered = b""

    def read(self, lines: Iterable[Message]) -> Trace:
        self._samples.add(self._subscribed, self._subscribed, on=False, edge=False, sealed=False)
        for line in lines:
            self._pass_breaks(line.last_ns)
            message = self._patterns.match(line.data)
            if message is not None and not self._is_again(message, line):
                self._take(message.kind, line)
            elif message is None and is_garbled(line.data, self._spec.encoding):
                self._break()
                continue
            self._alive_ns = line.first_ns
        self._prove_off()
        return self._samples.trace(self._point)

    def _is_again(self, said: Said, line: Message) -> bool:
        """True of a line that is, byte for byte and with its running number, the last one of the point: sent again."""
        is_again = "seq" in said.groups and line.data == self._last_numbered
        self._last_numbered = line.data
        return is_again

    def _pass_breaks(self, until_ns: int) -> None:
        """Breaks up to a line that came in by ``until_ns``; one at the same instant came before it, and behind it."""
        passed = bisect_right(self._breaks, until_ns)
        if passed > self._broken_before or (passed and self._breaks[passed - 1] == until_ns):
            self._broken_before = passed
            self._break()

    def _break(self) -> None:
        self._prove_off()
        self._alive_ns = None
        self._whole = False
        self._known = self._momentary  # a momentary point is off between its lines, whatever was lost

    def _prove_off(self) -> None:
        """What came in last proves that whatever changed before (its arrival - D) was told.

        Only of a point that is off: a cleared line that is missing leaves the end open. Only behind the last
        sample: the change of that one may lie as late as its upper bound.
        """
        delay = self._spec.longest_delay_ns
        silence_tells = self._spec.promises_every_change and self._known and not self._on
        if self._alive_ns is None or delay is None or not silence_tells:
            return
        proven = self._alive_ns - delay
        if proven > self._samples.hi[-1]:
            self._add(proven, proven, on=False, edge=False)

    def _take(self, kind: MessageKind, line: Message) -> None:
        if kind is MessageKind.ACKNOWLEDGED:
            return
        delay = self._spec.longest_delay_ns
        lo = self._change_lo + 1 if delay is None else line.first_ns - delay
        lo, hi = min(lo, line.last_ns), line.last_ns
        self._reach_back(lo)
        if kind is MessageKind.RAISED:
            # While it is on, and where it may be on unseen, a raised line is a state: perhaps a retransmission.
            edge = not self._on and self._known
            self._add(lo, hi, on=True, edge=edge)
            if self._momentary:
                self._add(lo + 1, hi + 1, on=False, edge=True)
        else:
            if not self._on:
                self._add_untold_onset(lo, hi)
            self._add(lo, hi, on=False, edge=True)
        self._known = self._any = True

    def _add_untold_onset(self, lo: int, hi: int) -> None:
        """A cleared line of a point that was not told to be on: it was, at some instant before.

        Where nothing was told of it since subscribing, it may have been on already: then nothing is known before.
        """
        self._whole = False
        if self._any:
            self._add(min(self._change_lo + 1, hi), hi, on=True, edge=False)
        else:
            self._samples = ToldSamples()
            self._add(min(self._subscribed, lo), hi, on=True, edge=False)

    def _add(self, lo: int, hi: int, *, on: bool, edge: bool) -> None:
        self._samples.add(lo, hi, on=on, edge=edge, sealed=self._whole)
        if on != self._on:
            self._change_lo = max(self._change_lo, lo)
        self._on = on
        self._whole = self._spec.promises_every_change

    def _reach_back(self, lo: int) -> None:
        """A change told within D after subscribing may lie before it: then so does the instant at which it was off."""
        if not self._any:
            self._samples.lo[0] = min(self._samples.lo[0], lo - 1)
