"""Reconciles an alarm history with what was raised: the ways of reading it that differ least, and what they agree on.

Pure. A clock that was set once in between is believed only where both of its offsets rest on several raises of their
own and it explains more than it costs; or one raise and one real alarm would make up a clock that was never set.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Final

from harness.core.instants import NS_PER_S, Bounds
from harness.measure.alarm_history import (
    HOUR_NS,
    Clock,
    EntryFound,
    Found,
    History,
    Need,
    Reconciled,
    Regime,
    Simulated,
    SimulatedFound,
)
from harness.measure.clock_offset import peaks
from harness.measure.reading_history import Reader, Reading

AGREEING_MIN: Final = 2
"""So many times have to agree before a clock that nobody read counts as known: one would agree with anything."""

STEP_RAISES_MIN: Final = 3
"""So many raises have to be found on each side of a time at which the clock was set."""

STEP_COST: Final = 2
"""A clock that was set costs as much as one alarm missing and one that nobody raised."""

READ_MAX: Final = 2_000
"""So many offsets are tried, the likeliest first. Beyond it, what was found is not taken to be the best."""

STEP_OFFSETS_MAX: Final = 12
"""Of so many offsets, those that explain most, every two are tried as before and after the clock was set."""

FURTHER_PAIRS_MAX: Final = 200_000
"""In a longer history nobody looks for a clock that is further off than was said: it would take minutes."""

HOUR_SLACK_NS: Final = 5 * NS_PER_S
"""A clock that goes to and from daylight-saving time is set by an hour, known as well as its offsets are."""


def reconcile(simulated: Sequence[Simulated], history: History, clock: Clock, run: Bounds) -> Reconciled:
    """Compare. ``simulated`` in the order of raising; ``run``: when the test began and ended."""
    if any(later.at.lo < sooner.at.lo for sooner, later in pairwise(simulated)):
        raise ValueError("reconcile: expected the simulated alarms in the order of raising")
    if not simulated:
        return _untold(simulated, history, "nothing was raised, so there is nothing to reconcile")
    reader = Reader(simulated, history, clock, run)
    best, is_whole = _best(reader, simulated, history, clock, run)
    if not is_whole:
        why = f"more than {READ_MAX} offsets of its clock fit; give a history of the day of the test only"
        return _untold(simulated, history, why)
    cost = best[0].cost
    if cost:
        further = _further(simulated, history, clock, run, cost)
        if further:
            return _untold(simulated, history, further)
    common = _common(best)
    if not clock.is_known and all(_agreeing(it) < AGREEING_MIN for it in best):
        common = _doubted(common, "the offset of its clock rests on one entry alone; read it (--clock-off)")
    elif not clock.is_known and any(_is_far(it, run) for it in best):
        common = _doubted(
            common,
            f"its clock would be {offset_words(best[0].regimes[0].offset)}, further off than the test was long, so "
            "these may be the entries of another test; read the clock, and say how far it is off (--clock-off)",
        )
    timeless = sum(entry.written_ns is None for entry in history.raised)
    return replace(common, differs=cost > timeless)  # each of these may be one that seems to be missing


def _agreeing(reading: Reading) -> int:
    return sum(regime.agreeing for regime in reading.regimes)


def _best(
    reader: Reader, simulated: Sequence[Simulated], history: History, clock: Clock, run: Bounds
) -> tuple[list[Reading], bool]:
    """Every reading that differs least; and whether all that could be as good were tried."""
    tried, is_whole = _single(reader, simulated, clock.within)
    least = min(it.cost for it in tried)
    best = [it for it in tried if it.cost == least]
    if least > STEP_COST:
        wide = Bounds(clock.within.lo - HOUR_NS - HOUR_SLACK_NS, clock.within.hi + HOUR_NS + HOUR_SLACK_NS)
        wider = Reader(simulated, history, replace(clock, within=wide), run)
        stepped = list(_stepped(wider, simulated, clock.within, wide))
        least_stepped = min((it.cost for it in stepped), default=least)
        if least_stepped + STEP_COST < least:
            return [wider.with_clears(it) for it in stepped if it.cost == least_stepped], is_whole
    return [reader.with_clears(it) for it in best], is_whole


def _timed_pairs(reader: Reader, simulated: Sequence[Simulated], within: Bounds) -> list[tuple[int, Bounds]]:
    """The offsets within a range, each with the alarm that has to be there and has an entry that fits it."""
    return [
        (one, common)
        for one, pairs in enumerate(reader.pairs)
        if simulated[one].is_timed and simulated[one].need is Need.MUST
        for _, shift in pairs
        if (common := shift.meet(within)) is not None
    ]


def _single(reader: Reader, simulated: Sequence[Simulated], within: Bounds) -> tuple[list[Reading], bool]:
    """Readings by one offset, and whether none was left out that could be as good.

    So many alarms as have an entry at an offset is the most that can be found with it, so those are tried first.
    """
    needed = sum(it.need is Need.MUST for it in simulated)
    untimed = sum(it.need is Need.MUST and not it.is_timed for it in simulated)
    nearest = min(max(0, within.lo), within.hi)
    offsets = peaks(_timed_pairs(reader, simulated, within)) or [(0, nearest)]
    tried: list[Reading] = []
    least = needed + len(reader.pairs)
    for number, (most, offset) in enumerate(sorted(offsets, key=lambda it: (-it[0], abs(it[1]), it[1]))):
        if tried and needed - most - untimed > least:
            break
        if number >= READ_MAX:
            return tried, False
        tried.append(reader.read([(0, offset)]))
        least = min(least, tried[-1].cost)
    return tried, True


def _stepped(reader: Reader, simulated: Sequence[Simulated], within: Bounds, wide: Bounds) -> Iterator[Reading]:
    """Readings by two offsets of which each explains several raises; ``wide``: how far a set clock may be off."""
    pairs = _timed_pairs(reader, simulated, wide)
    likeliest = sorted(peaks(pairs), key=lambda it: (-it[0], abs(it[1]), it[1]))[:STEP_OFFSETS_MAX]
    offsets = [offset for count, offset in likeliest if count >= STEP_RAISES_MIN]
    fits = {
        offset: [any(offset in shift for _, shift in reader.pairs[one]) for one in range(len(simulated))]
        for offset in offsets
    }
    for before in offsets:
        for after in offsets:
            if before == after or not _may_be_set(before, after, within):
                continue
            for since in _best_splits(fits[before], fits[after]):
                reading = reader.read([(0, before), (since, after)])
                if min(reading.raises) >= STEP_RAISES_MIN:
                    yield reading


def _may_be_set(before: int, after: int, within: Bounds) -> bool:
    """Both offsets are as near as a clock may be off, or one is, and the other an hour from it."""
    if before in within and after in within:
        return True
    is_hour = abs(abs(after - before) - HOUR_NS) <= HOUR_SLACK_NS
    return is_hour and (before in within or after in within)


def _best_splits(before: Sequence[bool], after: Sequence[bool]) -> Iterator[int]:
    """From which number on the second offset holds, so that most fit; every such number that makes a difference."""
    found = sum(after)
    counts = [found]
    for first, second in zip(before, after, strict=True):
        found += first - second
        counts.append(found)
    most = max(counts)
    return (since for since in range(1, len(before)) if counts[since] == most)


# --- what several readings have in common ----------------------------------------------------------


def _common(best: Sequence[Reading]) -> Reconciled:
    """What all of them say; where they differ, it cannot be told."""
    first = best[0]
    simulated = [
        found[0]
        if len({it.found for it in found}) == 1
        else SimulatedFound(found=Found.UNTOLD, reason="several ways of reading the history are equally good")
        for found in zip(*(it.simulated for it in best), strict=True)
    ]
    return Reconciled(
        simulated=tuple(simulated),
        entries=tuple(_same(found) for found in zip(*(it.entries for it in best), strict=True)),
        clears=tuple(_same(found) for found in zip(*(it.clears for it in best), strict=True)),
        regimes=_regimes(best) or first.regimes,
    )


def _same(found: Sequence[EntryFound]) -> EntryFound:
    if len({it.found for it in found}) == 1:
        return found[0]
    return EntryFound(found=Found.UNTOLD, reason="several ways of reading the history are equally good")


def _regimes(best: Sequence[Reading]) -> tuple[Regime, ...]:
    """The clock by all of them, where they agree on when it was set: from the least to the greatest offset."""
    if len({len(it.regimes) for it in best}) > 1:
        return ()
    return tuple(
        Regime(
            since=min(it.since for it in column),
            offset=Bounds(min(it.offset.lo for it in column), max(it.offset.hi for it in column)),
            agreeing=min(it.agreeing for it in column),
        )
        for column in zip(*(it.regimes for it in best), strict=True)
    )


def _is_far(reading: Reading, run: Bounds) -> bool:
    """Whether its clock is off by more than the test was long: then all of it may be the same test at another time.

    Two tests of one controller do not overlap, so entries that are nearer are not those of another one.
    """
    return all(min(abs(it.offset.lo), abs(it.offset.hi)) > run.width and 0 not in it.offset for it in reading.regimes)


def _doubted(common: Reconciled, why: str) -> Reconciled:
    """What rests on a clock that nobody knows cannot be told: one entry agrees with any clock, for one."""
    found = (Found.MATCHED, Found.TWICE, Found.FOREIGN)
    return replace(
        common,
        simulated=tuple(_UNTOLD if it.found in found else it for it in common.simulated),
        entries=tuple(_UNTOLD_ENTRY if it.found in found else it for it in common.entries),
        clears=tuple(_UNTOLD_ENTRY if it.found in found else it for it in common.clears),
        why_untold=why,
    )


_UNTOLD: Final = SimulatedFound(found=Found.UNTOLD)
_UNTOLD_ENTRY: Final = EntryFound(found=Found.UNTOLD)


def _further(simulated: Sequence[Simulated], history: History, clock: Clock, run: Bounds, cost: int) -> str:
    """Whether a clock that is off by more than was taken explains more: then nothing can be told. '' where not.

    Also where somebody read the clock: ahead and behind are easily mixed up.
    """
    if len(simulated) * (len(history.raised) + len(history.cleared)) > FURTHER_PAIRS_MAX:
        return ""
    reader = Reader(simulated, history, clock.anyhow, run)
    tried, _ = _single(reader, simulated, clock.anyhow.within)
    better = [it for it in tried if it.cost < cost and _agreeing(it) >= AGREEING_MIN]
    if not better:
        return ""
    reading = min(better, key=lambda it: (it.cost, abs(it.regimes[0].offset.lo)))
    found = sum(it.found is Found.MATCHED for it in reading.simulated)
    return (
        f"with its clock {offset_words(reading.regimes[0].offset)}, {found} of {len(simulated)} simulated alarms would "
        "be in the history, more than with a clock that is nearer; read the clock, and if it is so far off, say so "
        "(--clock-off, or --clock-within)"
    )


def _untold(simulated: Sequence[Simulated], history: History, why: str) -> Reconciled:
    return Reconciled(
        simulated=(_UNTOLD,) * len(simulated),
        entries=(_UNTOLD_ENTRY,) * len(history.raised),
        clears=(_UNTOLD_ENTRY,) * len(history.cleared),
        why_untold=why,
    )


def offset_words(offset: Bounds) -> str:
    """``2 min 58 s to 3 min 02 s ahead``, ``behind by at most ...``: in whole seconds, outwards."""
    low, high = offset.lo // NS_PER_S, -(-offset.hi // NS_PER_S)
    if low >= 0:
        return f"{_seconds(low)} to {_seconds(high)} ahead"
    if high <= 0:
        return f"{_seconds(-high)} to {_seconds(-low)} behind"
    return f"between {_seconds(-low)} behind and {_seconds(high)} ahead"


def _seconds(seconds: int) -> str:
    hours, minutes, rest = seconds // 3600, seconds % 3600 // 60, seconds % 60
    parts = [f"{hours // 24} d"] * (hours >= 48)
    hours = hours % 24 if hours >= 48 else hours
    parts += [f"{hours} h"] * (hours > 0) + [f"{minutes} min"] * (minutes > 0)
    return " ".join([*parts, f"{rest} s"]) if rest or not parts else " ".join(parts)
