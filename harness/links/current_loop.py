"""Failure of a current loop as the trace of one point: its current in a failure range, for the persistence. Pure.

The point is on from the instant at which the current has been in the range for the persistence (NAMUR NE 43: 4 s, as
given in trade literature) until it leaves the range. With P the persistence, so much is certain:

- Read out of the range in [asked, told]: off then, and still off at asked + P, however soon the current came back.
- Read in the range again and again, from a reading told at t on: on from t + P, as long as it was in the range all the
  while. Between two readings it was, where the gap is no longer than the shortest off time of the point: here the
  shortest time for which the current ever leaves the range. After a longer gap the persistence begins anew.
- No onset lies between two readings out of the range that are at most P apart.

Everything between is left out, which widens the bounds by itself: unknown rather than a failure that never lasted.
"""

from __future__ import annotations

import numpy as np

from harness.core.current_loop import is_failure
from harness.core.places import BacnetPlace, CurrentLoop, ModbusPlace, Place
from harness.core.trace import Flags, Instants, Trace

States = np.ndarray[tuple[int], np.dtype[np.int8]]
"""1 in the range, 0 out of it, -1 not told by this reading."""


def lasting_loop(place: Place) -> CurrentLoop | None:
    """The loop of a place whose state takes the persistence; None for every other place."""
    if isinstance(place, ModbusPlace | BacnetPlace) and place.loop is not None and is_failure(place.on_when):
        return place.loop
    return None


def failure_trace(
    point: str, persistence_ns: int, shortest_off_ns: int, asked: Instants, told: Instants, states: States
) -> Trace:
    """The trace from readings in their order: ``asked``, ``told``, ``states`` are (n,), and neither bound goes back."""
    tells = states >= 0
    asked, told, within = asked[tells], told[tells], states[tells] > 0
    out = np.flatnonzero(~within)
    still_off = _still_off(persistence_ns, asked, told, out)
    from_ns, lasted = _lasted(persistence_ns, shortest_off_ns, asked, told, within)
    lo = np.concatenate((asked[out], still_off, from_ns, asked[lasted]))
    hi = np.concatenate((told[out], still_off, from_ns, told[lasted]))
    on = np.arange(len(lo)) >= len(out) + len(still_off)
    sealed = np.zeros(len(lo), dtype=np.bool_)
    sealed[: len(out)] = _close(persistence_ns, asked, told, out)
    sealed[len(out) : len(out) + len(still_off)] = True
    order = np.lexsort((hi, lo))  # the order of the readings: neither bound ever goes back
    return Trace.from_states(point, lo[order], hi[order], on[order], sealed=sealed[order])


def _still_off(persistence_ns: int, asked: Instants, told: Instants, out: Instants) -> Instants:
    """Instants at which it is off, whatever the current did since it was last read out of the range."""
    if not len(out):
        return np.zeros(0, dtype=np.int64)
    until = asked[out] + persistence_ns
    next_out = np.append(asked[out[1:]], np.iinfo(np.int64).max)
    next_told = np.append(told, told[-1])[out + 1]
    fits = (until >= told[out]) & (until < next_out) & (until <= told[-1]) & (asked[out] < next_told)
    found: Instants = until[fits]
    return found


def _close(persistence_ns: int, asked: Instants, told: Instants, out: Instants) -> Flags:
    """For each reading out of the range, whether the one before it is so near that it cannot have failed between."""
    near = np.zeros(len(out), dtype=np.bool_)
    near[1:] = told[out[1:]] - asked[out[:-1]] <= persistence_ns
    return near


def _lasted(
    persistence_ns: int, shortest_off_ns: int, asked: Instants, told: Instants, within: Flags
) -> tuple[Instants, Instants]:
    """Instants from which it is surely on, and the indices of the readings that saw it so."""
    begins = within.copy()
    begins[1:] &= ~(within[:-1] & (told[1:] - asked[:-1] <= shortest_off_ns))
    inside = np.flatnonzero(within)
    firsts = np.flatnonzero(begins)
    if not len(inside):
        return np.zeros(0, dtype=np.int64), inside
    since = told[firsts][np.cumsum(begins)[inside] - 1] + persistence_ns
    on = asked[inside] >= since
    return np.unique(since[on]), inside[on]


class Lasting:
    """The same for a screen, one reading after the other: what is certain at each of them."""

    def __init__(self, persistence_ns: int, shortest_off_ns: int) -> None:
        self._persistence_ns = persistence_ns
        self._shortest_off_ns = shortest_off_ns
        self._since_ns: int | None = None
        self._asked_ns = 0
        self._out_asked_ns: int | None = None

    def take(self, within: bool | None, asked_ns: int, told_ns: int) -> bool | None:  # noqa: FBT001  # a state, not a switch
        """Whether the loop has failed, by this reading and those before; None where that is not certain."""
        if within is None:
            return None
        if not within:
            self._since_ns, self._out_asked_ns = None, asked_ns
            return False
        if self._since_ns is None or told_ns - self._asked_ns > self._shortest_off_ns:
            self._since_ns = told_ns
        self._asked_ns = asked_ns
        if asked_ns >= self._since_ns + self._persistence_ns:
            return True
        is_young = self._out_asked_ns is not None and told_ns <= self._out_asked_ns + self._persistence_ns
        return False if is_young else None
