"""One way of reading an alarm history: by one offset of its clock, or by two where it was set in between. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from harness.core.instants import FOREVER, Bounds
from harness.measure.alarm_history import (
    Clock,
    Entry,
    EntryFound,
    Found,
    History,
    Need,
    Regime,
    Simulated,
    SimulatedFound,
)
from harness.measure.clock_offset import agreed
from harness.measure.matching import Matching, best_matching

_NEED_FIRST = {Need.MUST: 0, Need.MAY: 2, Need.OPTIONAL: 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What the history says if its clock was so. ``missing`` and ``extra``: how many, for certain; ``raises``: how many
    raises were found in each regime.
    """

    regimes: tuple[Regime, ...]
    simulated: tuple[SimulatedFound, ...]
    entries: tuple[EntryFound, ...]
    clears: tuple[EntryFound, ...]
    missing: int
    extra: int
    raises: tuple[int, ...]

    @property
    def cost(self) -> int:
        """How much differs."""
        return self.missing + self.extra


class Reader:
    """Reads one history by any offsets.

    ``simulated`` stand in the order of raising; ``run``: when the test began and ended.
    """

    def __init__(self, simulated: Sequence[Simulated], history: History, clock: Clock, run: Bounds) -> None:
        self._simulated = simulated
        self._history = history
        self._clock = clock
        self._run = run
        # What has to be there, and is known in time, is matched first, and so never given up for anything else.
        self._order = sorted(
            range(len(simulated)), key=lambda it: (_NEED_FIRST[simulated[it].need] + (not simulated[it].is_timed), it)
        )
        of: dict[str, list[int]] = {}
        for number, entry in enumerate(history.raised):
            for alarm in entry.alarms:
                of.setdefault(alarm, []).append(number)
        self.pairs: list[list[tuple[int, Bounds]]] = [
            [
                (number, shift)
                for number in of.get(one.alarm, ())
                if (shift := clock.shifts(history.raised[number], one.at)) is not None
            ]
            for one in simulated
        ]
        """For each simulated alarm, the entries that may be its own, and the offsets with which they are."""
        self._timeless = [
            [number for number in of.get(one.alarm, ()) if history.raised[number].written_ns is None]
            for one in simulated
        ]

    def read(self, offsets: Sequence[tuple[int, int]]) -> Reading:
        """By these offsets: (number of the simulated alarm from which it holds, offset in ns), the first from 0 on."""
        by = [self._offset_at(number, offsets) for number in range(len(self._simulated))]
        edges = [
            [number for number, shift in self.pairs[one] if by[one] in shift] + self._timeless[one]
            for one in self._order
        ]
        matching = best_matching(edges)
        matched = {self._order[left]: right for left, right in matching.right_of.items()}
        regimes = self._regimes(offsets, matched)
        entries = self._entries(matching, matched, regimes)
        simulated = self._found(matching, matched, entries)
        return Reading(
            regimes=regimes,
            simulated=simulated,
            entries=tuple(found for found, _ in entries),
            clears=tuple(self._clears(regimes)),
            missing=sum(
                self._simulated[it].need is Need.MUST and it not in matched for it in range(len(self._simulated))
            ),
            extra=sum(found.found in (Found.TWICE, Found.FOREIGN) for found, _ in entries),
            raises=tuple(
                sum(self._simulated[it].is_timed and by[it] == offset for it in matched) for _, offset in offsets
            ),
        )

    def _offset_at(self, number: int, offsets: Sequence[tuple[int, int]]) -> int:
        return next(offset for since, offset in reversed(offsets) if number >= since)

    def _regimes(self, offsets: Sequence[tuple[int, int]], matched: dict[int, int]) -> tuple[Regime, ...]:
        """The bounds in which all that was matched agrees, and how many times agree."""
        found = []
        for number, (since, offset) in enumerate(offsets):
            until = offsets[number + 1][0] if number + 1 < len(offsets) else len(self._simulated)
            shifts = [
                shift
                for one, right in matched.items()
                if since <= one < until and self._simulated[one].is_timed
                for entry, shift in self.pairs[one]
                if entry == right
            ]
            common = agreed(shifts) or Bounds.exactly(offset)
            clears = self._agreeing_clears([one for one in matched if since <= one < until], common)
            found.append(Regime(since=since, offset=common, agreeing=len(shifts) + clears))
        return tuple(found)

    def _agreeing_clears(self, matched: Iterable[int], offset: Bounds) -> int:
        """How many cleared entries agree with these offsets and with each other: further witnesses of the clock."""
        found = 0
        for one in sorted(matched):
            it = self._simulated[one]
            if not it.is_timed or it.cleared is None or it.cleared.is_open_above:
                continue
            shifts = (
                self._clock.shifts(entry, it.cleared) for entry in self._history.cleared if it.alarm in entry.alarms
            )
            common = next((both for shift in shifts if shift is not None and (both := shift.meet(offset))), None)
            if common is not None:
                found, offset = found + 1, common
        return found

    # --- entries --------------------------------------------------------------------------------------

    def _times(self, entry: Entry, regimes: Sequence[Regime]) -> list[tuple[Bounds, Bounds]]:
        """When it may have been, by each regime, and the times for which that one can hold."""
        found = []
        for number, regime in enumerate(regimes):
            begin, end = self._run.lo, self._run.hi
            if number:
                begin = self._simulated[regime.since].at.hi
            if number + 1 < len(regimes):
                end = self._simulated[regimes[number + 1].since - 1].at.lo
            found.append((self._clock.times(entry, regime.offset), Bounds(min(begin, end), max(begin, end))))
        return found

    def _entries(
        self, matching: Matching, matched: dict[int, int], regimes: Sequence[Regime]
    ) -> list[tuple[EntryFound, list[int]]]:
        """What is to say of each entry, and of one too many: the simulated alarms that have one already."""
        return [
            (EntryFound(found=Found.MATCHED), [])
            if number in matching.left_of
            else self._left_over(entry, matched, self._times(entry, regimes))
            for number, entry in enumerate(self._history.raised)
        ]

    def _left_over(
        self, entry: Entry, matched: dict[int, int], times: Sequence[tuple[Bounds, Bounds]]
    ) -> tuple[EntryFound, list[int]]:
        if entry.written_ns is None:
            return EntryFound(found=Found.UNTOLD, reason="its time cannot be read"), []
        if not any(time.touches(self._run) for time, _ in times):
            return EntryFound(found=Found.OUTSIDE), []
        if not any(span.lo <= time.lo and time.hi <= span.hi for time, span in times):
            return EntryFound(found=Found.UNTOLD, reason="at the edge of the test, or where the clock was set"), []
        held = self._held(entry, matched, [time for time, _ in times])
        if held:
            names = ", ".join(self._simulated[it].stimulus for it in held)
            return EntryFound(found=Found.TWICE, reason=f"one more entry while {names} was raised"), held
        return EntryFound(found=Found.FOREIGN), []

    def _held(self, entry: Entry, matched: dict[int, int], times: Iterable[Bounds]) -> list[int]:
        """The simulated alarms of this name that were raised then, and have an entry already."""
        found = []
        for one in matched:
            it = self._simulated[one]
            until = self._run.hi if it.cleared is None or it.cleared.is_open_above else it.cleared.hi
            held = Bounds(it.at.lo, max(it.at.hi, until))
            if it.alarm in entry.alarms and any(time.touches(held) for time in times):
                found.append(one)
        return sorted(found)

    # --- simulated alarms -----------------------------------------------------------------------------

    def _found(
        self, matching: Matching, matched: dict[int, int], entries: Sequence[tuple[EntryFound, list[int]]]
    ) -> tuple[SimulatedFound, ...]:
        made: dict[int, SimulatedFound] = {}
        for one, right in matched.items():
            if self._history.raised[right].written_ns is None:
                made[one] = SimulatedFound(found=Found.UNTOLD, reason="the time of its entry cannot be read")
            else:
                made[one] = SimulatedFound(found=Found.MATCHED, entry=right)
        for _, held in entries:
            if held:
                self._twice(held, matched, made)
        for left, others in matching.exchangeable.items():
            one = self._order[left]
            it = self._simulated[one]
            group = sorted(self._order[other] for other in others)
            if it.need is Need.OPTIONAL:
                made[one] = SimulatedFound(found=Found.NOT_EXPECTED)
            elif it.need is Need.MAY:
                made[one] = SimulatedFound(found=Found.UNTOLD, reason=f"no entry of it: {it.doubt}")
            elif len(group) == 1:
                made[one] = SimulatedFound(found=Found.MISSING)
            else:
                names = ", ".join(self._simulated[other].stimulus for other in group)
                for other in group:
                    made[other] = SimulatedFound(found=Found.UNTOLD, reason=f"one of {names} is missing")
        return tuple(made[one] for one in range(len(self._simulated)))

    def _twice(self, held: Sequence[int], matched: dict[int, int], made: dict[int, SimulatedFound]) -> None:
        """Whichever of ``held`` an entry too many is of, one of them has two."""
        if len(held) == 1:
            made[held[0]] = SimulatedFound(found=Found.TWICE, entry=matched[held[0]])
            return
        names = ", ".join(self._simulated[one].stimulus for one in held)
        for one in held:
            if made[one].found is Found.MATCHED:
                made[one] = SimulatedFound(found=Found.UNTOLD, reason=f"one of {names} is twice in the history")

    # --- cleared entries ------------------------------------------------------------------------------

    def _clears(self, regimes: Sequence[Regime]) -> Iterable[EntryFound]:
        """Cleared entries are not counted; but one that nothing explains tells of an alarm that was not simulated."""
        edges: list[list[int]] = []
        for one in self._simulated:
            since = one.at.lo
            until = FOREVER if one.cleared is None else one.cleared.hi
            time = Bounds(since if one.cleared is None else one.cleared.lo, max(since, until))
            edges.append(
                [
                    number
                    for number, entry in enumerate(self._history.cleared)
                    if one.alarm in entry.alarms
                    and any(self._clock.times(entry, regime.offset).touches(time) for regime in regimes)
                ]
            )
        left_of = best_matching(edges).left_of
        for number, entry in enumerate(self._history.cleared):
            if number in left_of:
                yield EntryFound(found=Found.MATCHED)
            elif any(span.lo <= time.lo and time.hi <= span.hi for time, span in self._times(entry, regimes)):
                yield EntryFound(found=Found.UNTOLD, reason="it cleared, and nothing of this test explains it")
            else:
                yield EntryFound(found=Found.OUTSIDE)
