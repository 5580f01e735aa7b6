"""A judged record made ready for explaining: what is open, where something appeared, and what follows what.

Built once per judgement. Every index is by time or by place, so that a finder touches only what is near a result.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cached_property
from typing import Final

from harness.core.model import Behaviour, Cause, Expectation, Hold, Judgement, Site, Stimulus, Stray
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.again import Again
from harness.correlate.causes.findings import MISSING, Appearance, Finding
from harness.correlate.causes.raises import Raises
from harness.correlate.causes.spots import BITS_PER_REGISTER, Block, Spot, spot_of, spots_of
from harness.correlate.demand import Demand, demand_of
from harness.correlate.evidence import Evidence
from harness.correlate.outline import Outline, outline
from harness.correlate.relate import Crossing

NEAR_MAX: Final = 64
"""How many appearances are looked at for one result: the nearest ones; more would be coincidences."""


class Case:
    """What the finders share. ``open``: numbers of the failed and unknown results that no finding explains yet."""

    def __init__(
        self,
        site: Site,
        evidence: Evidence,
        sketches: Mapping[str, Outline],
        stimuli: Mapping[str, Stimulus],
        judgement: Judgement,
        crossings: Sequence[Crossing],
        again: Again,
    ) -> None:
        self.site = site
        self.evidence = evidence
        self.sketches = sketches
        self.stimuli = stimuli
        self.raises = Raises(site, stimuli.values())
        self.judgement = judgement
        self.results = judgement.results
        self.strays = judgement.strays
        self._crossings = crossings
        self._again = again
        self.open = {n for n, it in enumerate(self.results) if it.verdict.verdict_class is not VerdictClass.PASS}
        self.open_strays = set(range(len(self.strays)))
        self._used: set[Appearance] = set()
        self.cause_of: dict[int, Cause] = {}
        self.cause_of_stray: dict[int, Cause] = {}
        self._demands: dict[int, Demand] = {}
        self._neighbours: dict[Spot, Outline] | None = None

    def claim(self, finding: Finding) -> None:
        """What a finding explains is not looked at by later finders."""
        self.open.difference_update(finding.results)
        self.open_strays.difference_update(finding.all_strays)
        self._used.update(finding.seen)
        self.cause_of.update(dict.fromkeys(finding.results, finding.cause))
        self.cause_of_stray.update(dict.fromkeys(finding.all_strays, finding.cause))

    def opened(self, *verdicts: Verdict) -> list[int]:
        """Numbers of the open results with one of these verdicts, in order; of all without any."""
        return [n for n in sorted(self.open) if not verdicts or self.results[n].verdict in verdicts]

    def came_again(self) -> dict[int, Stray]:
        """By number of each open result: the sighting that may be the second onset of its alarm, or another's."""
        found = {n: self._again.get((self.results[n].stimulus, self.results[n].expectation)) for n in self.opened()}
        return {n: it for n, it in found.items() if it is not None}

    @cached_property
    def done(self) -> dict[str, Stimulus]:
        """Stimuli by id, as they were done; not as reference points time them."""
        return {it.id: it for it in self.evidence.stimuli}

    @cached_property
    def rows(self) -> dict[str, Expectation]:
        """Expectations by key."""
        return {row.key: row for row in self.site.expectations}

    @cached_property
    def shown_at(self) -> dict[str, tuple[str, ...]]:
        """For each point, the alarms that should show there, in the order of the point map; not those that must not."""
        found: dict[str, dict[str, None]] = {name: {} for name in self.site.points}
        for row in self.site.expectations:
            if row.behaviour is not Behaviour.QUIET:
                found[row.point][row.alarm] = None
        return {point: tuple(alarms) for point, alarms in found.items()}

    @cached_property
    def spots(self) -> dict[str, Spot]:
        """Where each point is."""
        return spots_of(self.site)

    @cached_property
    def points_at(self) -> dict[Spot, list[str]]:
        """The points at each place."""
        found: dict[Spot, list[str]] = defaultdict(list)
        for name, spot in self.spots.items():
            found[spot].append(name)
        return found

    def positions_of(self, block: Block, alarm: str) -> list[int]:
        """The positions in a block at which an alarm is expected."""
        return self._positions.get((block, alarm), [])

    @cached_property
    def _positions(self) -> dict[tuple[Block, str], list[int]]:
        found: dict[tuple[Block, str], list[int]] = defaultdict(list)
        for point, alarms in self.shown_at.items():
            spot = self.spots[point]
            for alarm in alarms:
                found[spot.block, alarm].append(spot.position)
        return found

    @cached_property
    def working(self) -> dict[Block, list[int]]:
        """For each block, in order, the positions at which an alarm showed as it should."""
        found: dict[Block, set[int]] = defaultdict(set)
        for it in self.results:
            if it.verdict in (Verdict.ON_TIME, Verdict.APPEARED):
                spot = self.spots[it.point]
                found[spot.block].add(spot.position)
        return {block: sorted(positions) for block, positions in found.items()}

    @property
    def neighbours(self) -> dict[Spot, Outline]:
        """What was read along, is not mapped and changed: its outline by place."""
        if self._neighbours is None:
            hold = Hold()
            self._neighbours = {spot_of(it.link, it.place): outline(it.trace, hold) for it in self.evidence.neighbours}
        return self._neighbours

    def missing(self) -> list[int]:
        """Numbers of the open results whose alarm was not seen at its own point, whether or not that proves a miss.

        With those for which it came on only when another alarm was raised, and may be that alarm's.
        """
        return [
            n
            for n in self.opened()
            if self.results[n].verdict in MISSING
            or (self.results[n].verdict is Verdict.UNRESOLVED and self.results[n].onset is None and self.is_loud(n))
            or n in self.displaced
        ]

    @cached_property
    def displaced(self) -> frozenset[int]:
        """Late results of unshared points whose onset comes after another raise, of an alarm that does not bring it."""
        return frozenset(n for n in self.opened() if self._is_displaced(n))

    def _is_displaced(self, number: int) -> bool:
        result = self.results[number]
        if result.onset is None or result.verdict in (*MISSING, Verdict.MASKED) or not self.is_loud(number):
            return False
        if len(self.shown_at[result.point]) != 1 or result.onset.lo < self.demand(number).raised.hi:
            return False
        newest = self.raises.latest(result.onset)[-1:]
        return any(it.alarm != result.alarm and result.alarm not in self.raises.brings(it.alarm) for it in newest)

    def is_loud(self, number: int) -> bool:
        """True unless the expectation of the result is ``quiet``."""
        return self.rows[self.results[number].expectation].behaviour is not Behaviour.QUIET

    def stimulus(self, number: int) -> Stimulus:
        """The stimulus of a result, timed by its reference point where there is one."""
        return self.stimuli[self.results[number].stimulus]

    def demand(self, number: int) -> Demand:
        """The demand behind a result."""
        found = self._demands.get(number)
        if found is None:
            result = self.results[number]
            row = self.rows[result.expectation]
            stimulus = self.stimuli[result.stimulus]
            found = demand_of(stimulus, row, self.raises.next_of(stimulus.id), self.raises.next_other(stimulus))
            self._demands[number] = found
        return found

    @cached_property
    def by_link(self) -> dict[str, list[int]]:
        """Numbers of all results by link, in their order."""
        found: dict[str, list[int]] = defaultdict(list)
        for number, it in enumerate(self.results):
            found[self.link_of(it.point)].append(number)
        return found

    @cached_property
    def by_point(self) -> dict[str, list[int]]:
        """Numbers of all results by point, in their order."""
        found: dict[str, list[int]] = defaultdict(list)
        for number, it in enumerate(self.results):
            found[it.point].append(number)
        return found

    @cached_property
    def by_stimulus(self) -> dict[str, list[int]]:
        """Numbers of all results by stimulus, in their order."""
        found: dict[str, list[int]] = defaultdict(list)
        for number, it in enumerate(self.results):
            found[it.stimulus].append(number)
        return found

    def link_of(self, point: str) -> str:
        """The link of a point."""
        return self.site.points[point].link

    @cached_property
    def appearances(self) -> dict[str, list[Appearance]]:
        """By link, everything that came on unexplained: strays, crossed and displaced ones, and unmapped places.

        In the order of their onsets.
        """
        found: dict[str, list[Appearance]] = defaultdict(list)
        for number, stray in enumerate(self.strays):
            found[self.link_of(stray.point)].append(self._of_stray(stray, number))
        for crossing in self._crossings:
            found[self.link_of(crossing.stray.point)].append(self._of_stray(crossing.stray, None))
        for number in sorted(self.displaced):
            it = self.results[number]
            if it.onset is not None and it.end is not None:
                shown = Appearance(spot=self.spots[it.point], point=it.point, onset=it.onset, end=it.end)
                found[self.link_of(it.point)].append(shown)
        for spot, sketch in self.neighbours.items():
            if not self._chatters(spot, sketch):
                found[spot.block.link] += _sightings(spot, sketch)
        for each in found.values():
            each.sort(key=lambda it: (it.onset.hi, it.onset.lo, it.spot, it.point))
        return found

    @cached_property
    def _missing_on(self) -> Counter[str]:
        return Counter(self.link_of(self.results[n].point) for n in self.missing())

    def _of_stray(self, stray: Stray, number: int | None) -> Appearance:
        return Appearance(
            spot=self.spots[stray.point], point=stray.point, onset=stray.onset, end=stray.end, stray=number
        )

    def _chatters(self, spot: Spot, sketch: Outline) -> bool:
        """True of a place that comes on more often than alarms were missed on its link: it shows something else."""
        return len(sketch.first) > self._missing_on[spot.block.link] + 1

    @cached_property
    def _appearances_at(self) -> dict[Spot, list[Appearance]]:
        found: dict[Spot, list[Appearance]] = defaultdict(list)
        for each in self.appearances.values():
            for it in each:
                found[it.spot].append(it)
        return found

    def left_by(self, spot: Spot, alarms: Iterable[str]) -> list[Appearance]:
        """What came on at a place after the raise of one of these alarms, or of one that brings one of them along."""
        wanted = frozenset(alarms)
        return [
            it
            for it in self._appearances_at.get(spot, ())
            if it not in self._used
            and any(
                one.alarm in wanted or not wanted.isdisjoint(self.raises.brings(one.alarm))
                for one in self.raises.latest(it.onset)
            )
        ]

    @cached_property
    def _onsets(self) -> dict[str, list[int]]:
        return {link: [it.onset.hi for it in each] for link, each in self.appearances.items()}

    def near(self, number: int, link: str | None = None) -> Iterator[Appearance]:
        """The unexplained appearances on a link, by default its own, in the search window of a result."""
        link = self.link_of(self.results[number].point) if link is None else link
        demand = self.demand(number)
        each = self.appearances.get(link, [])
        first = bisect_left(self._onsets.get(link, []), demand.raised.lo)
        for it in each[first : first + NEAR_MAX]:
            if it.onset.lo > demand.search_end_hi:
                break
            if it not in self._used:
                yield it

    def own(self, number: int) -> list[Appearance]:
        """Those of :meth:`near` that no later raise comes closer to."""
        mine = self.results[number].stimulus
        return [it for it in self.near(number) if any(one.id == mine for one in self.raises.latest(it.onset))]

    def readable_as(self, spot: Spot) -> list[Spot]:
        """The place itself, and for a whole register the bits of it that were seen to change."""
        bits = spot.block._replace(words=False)
        if not spot.block.words:
            return [spot]
        first = BITS_PER_REGISTER * spot.position
        return [spot, *(Spot(bits, at) for at in range(first, first + BITS_PER_REGISTER))]

    def shows_at(self, number: int, spot: Spot) -> bool:
        """True if something came on at a place in the search window of a result, explained or not."""
        demand = self.demand(number)
        sketches = [self.sketches[name] for name in self.points_at.get(spot, ())]
        if spot in self.neighbours:
            sketches.append(self.neighbours[spot])
        for sketch in sketches:
            for at in sketch.sightings_touching(demand.raised.lo, demand.search_end_hi):
                if sketch.onset_hi[at] >= demand.raised.lo:
                    return True
        return False


def _sightings(spot: Spot, sketch: Outline) -> Iterable[Appearance]:
    for at in range(len(sketch.first)):
        seen = sketch.sighting(at)
        if not seen.onset.is_open_below:
            yield Appearance(spot=spot, point="", onset=seen.onset, end=seen.end)


Finder = Callable[[Case], Iterable[Finding]]
"""Gives findings one by one; each is claimed before the next one is asked for."""
