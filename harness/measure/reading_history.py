"""One way of reading an alarm history: by one offset of its clock, or by two where it was set in between. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from harness.core.instants import Bounds
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
from harness.measure.history_pairs import Pairs, pairs_of
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
        self.pairs: Pairs = pairs_of([(it.alarm, it.at) for it in simulated], history.raised, clock)
        """For each simulated alarm, the entries that may be its own, and the offsets with which they are."""
        self._clear_pairs = pairs_of([(it.alarm, _cleared(it, run)) for it in simulated], history.cleared, clock)
        timeless = [number for number, entry in enumerate(history.raised) if entry.written_ns is None]
        self._timeless = [[it for it in timeless if one.alarm in history.raised[it].alarms] for one in simulated]

    def read(self, offsets: Sequence[tuple[int, int]]) -> Reading:
        """By these offsets: (number of the simulated alarm from which it holds, offset in ns), the first from 0 on."""
        first = [Bounds.exactly(offset) for _, offset in offsets]
        since = [number for number, _ in offsets]
        _, matched = self._matching(since, first)
        regimes = self._regimes(offsets, matched)
        matching, matched = self._matching(since, [regime.offset for regime in regimes])
        regimes = self._regimes(offsets, matched)
        entries = self._entries(matching, matched, regimes)
        simulated = self._found(matching, matched, entries)
        return Reading(
            regimes=regimes,
            simulated=simulated,
            entries=tuple(found for found, _ in entries),
            clears=(),
            missing=sum(
                self._simulated[it].need is Need.MUST and it not in matched for it in range(len(self._simulated))
            ),
            extra=sum(found.found in (Found.TWICE, Found.FOREIGN) for found, _ in entries),
            raises=tuple(
                sum(self._simulated[it].is_timed and self._regime_of(it, since) == number for it in matched)
                for number in range(len(offsets))
            ),
        )

    def with_clears(self, reading: Reading) -> Reading:
        """The same with what is to say of the cleared entries, which does not decide between readings."""
        return replace(reading, clears=tuple(self._clears(reading.regimes)))

    def _matching(self, since: Sequence[int], offsets: Sequence[Bounds]) -> tuple[Matching, dict[int, int]]:
        """The best matching by these offsets. What times the clock has to fit their middle, which fits all of them.

        What came along says little of the clock, and may fit any of them; the middle is preferred.
        """
        edges = []
        for one in self._order:
            offset = offsets[self._regime_of(one, since)]
            near = [number for number, shift in self.pairs[one] if _middle(offset) in shift]
            far = [number for number, shift in self.pairs[one] if shift.touches(offset) and number not in near]
            edges.append(near + ([] if self._simulated[one].is_timed else far) + self._timeless[one])
        matching = best_matching(edges)
        return matching, {self._order[left]: right for left, right in matching.right_of.items()}

    def _regime_of(self, one: int, since: Sequence[int]) -> int:
        return max(number for number, begun in enumerate(since) if one >= begun)

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
            common = next((both for _, shift in self._clear_pairs[one] if (both := shift.meet(offset))), None)
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
            else self._left_over(number, matched, regimes)
            for number, entry in enumerate(self._history.raised)
        ]

    def _left_over(
        self, number: int, matched: dict[int, int], regimes: Sequence[Regime]
    ) -> tuple[EntryFound, list[int]]:
        entry = self._history.raised[number]
        times = self._times(entry, regimes)
        if entry.written_ns is None:
            return EntryFound(found=Found.UNTOLD, reason="its time cannot be read"), []
        if not any(time.touches(self._run) for time, _ in times):
            return EntryFound(found=Found.OUTSIDE), []
        if not any(span.lo <= time.lo and time.hi <= span.hi for time, span in times):
            return EntryFound(found=Found.UNTOLD, reason="at the edge of the test, or where the clock was set"), []
        held = self._as_own(number, matched, regimes) or self._held(entry, matched, [time for time, _ in times])
        if held:
            names = ", ".join(self._simulated[it].stimulus for it in held)
            return EntryFound(found=Found.TWICE, reason=f"one more entry while {names} was raised"), held
        return EntryFound(found=Found.FOREIGN), []

    def _as_own(self, number: int, matched: dict[int, int], regimes: Sequence[Regime]) -> list[int]:
        """The simulated alarms that have an entry already, and could just as well have this one."""
        since = [regime.since for regime in regimes]
        return sorted(
            one
            for one in matched
            for entry, shift in self.pairs[one]
            if entry == number and _middle(regimes[self._regime_of(one, since)].offset) in shift
        )

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
        edges = [
            [number for number, shift in pairs if any(shift.touches(regime.offset) for regime in regimes)]
            for pairs in self._clear_pairs
        ]
        left_of = best_matching(edges).left_of
        for number, entry in enumerate(self._history.cleared):
            if number in left_of:
                yield EntryFound(found=Found.MATCHED)
            elif any(span.lo <= time.lo and time.hi <= span.hi for time, span in self._times(entry, regimes)):
                yield EntryFound(found=Found.UNTOLD, reason="it cleared, and nothing of this test explains it")
            else:
                yield EntryFound(found=Found.OUTSIDE)


def _cleared(one: Simulated, run: Bounds) -> Bounds:
    """When it cleared, as far as that is known: at some time while the test went on."""
    if one.cleared is None:
        return Bounds(one.at.lo, max(one.at.lo, run.hi))
    return Bounds(one.cleared.lo, max(one.cleared.lo, min(one.cleared.hi, run.hi)))


def _middle(offset: Bounds) -> int:
    return (offset.lo + offset.hi) // 2
