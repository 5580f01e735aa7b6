"""Cases on a small grid of instants: a hidden true world, evidence that it could have given, and what is expected.

A case is drawn from the truth outwards: the true trace and true stimulus times first, then for every sample the true
instant at which it was held and bounds around it, then a hold and seals that the truth keeps. So every case
has at least one consistent world. :func:`wild_cases` draws evidence without any truth behind it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from hypothesis import strategies as st
from hypothesis.strategies import DrawFn, SearchStrategy

from harness.core.behaviours import release_choices
from harness.core.errors import Origin
from harness.core.instants import Bounds
from harness.core.model import Behaviour, Expectation, Hold, Limits, Step, Stimulus
from harness.core.trace import Trace

ORIGIN = Origin(file="points.csv", line=2)
RELEASED = (Behaviour.FOLLOWS, Behaviour.UNTIL_ACKNOWLEDGED, Behaviour.LATCHED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One sample: state, bounds, whether it is itself the change, whether the time before it is sealed.

    ``at``: the true instant at which it was held, -1 where there is no truth.
    """

    on: bool
    lo: int
    hi: int
    edge: bool = False
    sealed: bool = False
    at: int = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """Everything that a judge is given, and the truth behind it: on-times [onset, end), and the true steps.

    ``true_steps``: silenced, freed (acknowledged, or reset where that is what releases it) and cleared.
    """

    samples: tuple[Sample, ...]
    stimulus: Stimulus
    expectation: Expectation
    hold: Hold
    next_raise: int | None = None
    next_other: int | None = None
    true_on: tuple[bool, ...] = ()
    true_raised: int = -1
    true_steps: tuple[int | None, int | None, int | None] = (None, None, None)

    @property
    def trace(self) -> Trace:
        """The samples as the judge gets them."""
        return trace_of(self.samples)


def trace_of(samples: tuple[Sample, ...]) -> Trace:
    """A trace of samples in their order."""
    return Trace.from_states(
        "p",
        np.array([it.lo for it in samples], dtype=np.int64),
        np.array([it.hi for it in samples], dtype=np.int64),
        np.array([it.on for it in samples], dtype=np.bool_),
        edge=np.array([it.edge for it in samples], dtype=np.bool_),
        sealed=np.array([it.sealed for it in samples], dtype=np.bool_) if any(it.sealed for it in samples) else None,
    )


def expectation_of(behaviour: Behaviour, limits: Limits, released_by: Step = Step.ACKNOWLEDGE) -> Expectation:
    """One row of a point map."""
    return Expectation(
        key="a@p",
        alarm="a",
        point="p",
        behaviour=behaviour,
        limits=limits,
        released_by=released_by,
        origin=ORIGIN,
    )


def stimulus_of(
    raised: Bounds,
    freed: Bounds | None,
    cleared: Bounds | None,
    released_by: Step,
    silenced: Bounds | None = None,
) -> Stimulus:
    """One stimulus of alarm ``a``; what frees a latched point is acknowledging or resetting."""
    by_reset = released_by is Step.RESET
    return Stimulus(
        id="1",
        alarm="a",
        raised=raised,
        silenced=silenced,
        acknowledged=None if by_reset else freed,
        reset=freed if by_reset else None,
        cleared=cleared,
    )


def in_words(
    evidence: str,
    *,
    behaviour: Behaviour = Behaviour.FOLLOWS,
    raised: tuple[int, int] = (3, 3),
    freed: tuple[int, int] | None = None,
    cleared: tuple[int, int] | None = None,
    silenced: tuple[int, int] | None = None,
    within: int | None = None,
    visible: int | None = None,
    gone: int | None = None,
    dwell: int = 0,
    search: int = 5,
    settle: int = 0,
    leak: int = 1,
    hold: tuple[int, int] = (4, 4),
    next_raise: int | None = None,
    next_other: int | None = None,
    released_by: Step = Step.ACKNOWLEDGE,
) -> Drawn:
    """A case from words: ``off 1-2, on 5`` are polls, ``!`` marks a message that is the change, ``~`` a seal."""
    samples = []
    for word in filter(None, evidence.split(", ")):
        state, span = word.rstrip("!~").split(" ")
        lo, _, hi = span.partition("-")
        samples.append(
            Sample(on=state == "on", lo=int(lo), hi=int(hi or lo), edge="!" in word, sealed="~" in word),
        )
    return Drawn(
        samples=tuple(samples),
        stimulus=stimulus_of(
            Bounds(*raised),
            None if freed is None else Bounds(*freed),
            None if cleared is None else Bounds(*cleared),
            released_by,
            None if silenced is None else Bounds(*silenced),
        ),
        expectation=expectation_of(
            behaviour,
            Limits(
                appears_within_ns=within,
                visible_for_ns=visible,
                gone_within_ns=gone,
                dwell_ns=dwell,
                search_ns=search,
                settle_ns=settle,
                leak_ns=leak,
            ),
            released_by,
        ),
        hold=Hold(on_ns=hold[0], off_ns=hold[1]),
        next_raise=next_raise,
        next_other=next_other,
    )


@st.composite
def limits_of(draw: DrawFn, most: int) -> Limits:
    """Limits up to ``most`` each; each may be absent."""
    within = draw(st.none() | st.integers(0, most))
    return Limits(
        appears_within_ns=within,
        visible_for_ns=draw(st.none() | st.integers(1, most)),
        gone_within_ns=draw(st.none() | st.integers(0, most)),
        dwell_ns=draw(st.integers(0, most // 2)),
        search_ns=(within or 0) + draw(st.integers(0, most)),
        settle_ns=draw(st.integers(0, most)),
        leak_ns=draw(st.integers(1, most)),
    )


@st.composite
def _fitted(draw: DrawFn, limits: Limits, true_on: tuple[bool, ...], raised: int, release: int | None) -> Limits:
    """Limits close to what the true sighting does, a little wider or a little tighter."""
    after = [t for t in range(raised + 1, len(true_on)) if true_on[t]]
    if not after:
        return limits
    onset = after[0]
    while onset > 0 and true_on[onset - 1]:
        onset -= 1
    end = next((t for t in range(onset, len(true_on)) if not true_on[t]), len(true_on))
    slack = st.integers(-1, 3)
    within = max(0, onset - raised + draw(slack))
    from_release = end - (onset if release is None else release) - (0 if release is None else limits.dwell_ns)
    return replace(
        limits,
        appears_within_ns=None if limits.appears_within_ns is None else within,
        visible_for_ns=None if limits.visible_for_ns is None else max(1, end - onset - draw(slack)),
        gone_within_ns=None if limits.gone_within_ns is None else max(0, from_release + draw(slack)),
        search_ns=within + draw(st.integers(0, 2)),
    )


@st.composite
def _around(draw: DrawFn, at: int, first: int, last: int, most: int) -> Bounds:
    """Bounds around ``at`` within [first, last], at most ``most`` to either side."""
    lo = at - draw(st.integers(0, min(most, at - first)))
    return Bounds(lo, at + draw(st.integers(0, min(most, last - at))))


@st.composite
def _steps(draw: DrawFn, first: int, last: int, width: int) -> tuple[int, Bounds, list[tuple[int, Bounds] | None]]:
    """True instant and bounds of the raise; of what frees it, the clearing, the silence: None where not done."""
    raised = draw(st.integers(first, last - 1) | st.integers(first, (first + last) // 2))
    bounds = draw(_around(raised, first, last - 1, width))
    done: list[tuple[int, Bounds] | None] = []
    overlapping = draw(st.integers(0, 4)) == 0
    for _ in range(3):
        earliest = raised if overlapping else bounds.hi
        if draw(st.integers(0, 4)) == 0:
            done.append(None)
            continue
        at = draw(st.integers(earliest, last))
        done.append((at, draw(_around(at, first if overlapping else bounds.hi, last, width))))
    return raised, bounds, done


@st.composite
def _true_trace(draw: DrawFn, instants: int, raised: int) -> tuple[bool, ...]:
    """One sighting shortly behind the raise, or two, or anything with few changes."""
    shape = draw(st.integers(0, 3))
    if shape <= 1:
        onset = raised + draw(st.integers(0, 3))
        end = onset + draw(st.integers(1, 8))
        return tuple(onset <= t < end for t in range(instants))
    if shape == 2:
        cuts = [max(1, raised - 1 + draw(st.integers(0, 3)))]
        for _ in range(3):
            cuts.append(cuts[-1] + draw(st.integers(1, 4)))
        return tuple(cuts[0] <= t < cuts[1] or cuts[2] <= t < cuts[3] for t in range(instants))
    changes = draw(st.sets(st.integers(1, instants - 1), max_size=4))
    on, found = draw(st.integers(0, 3)) == 0, []
    for t in range(instants):
        on ^= t in changes
        found.append(on)
    return tuple(found)


@st.composite
def _samples(draw: DrawFn, true_on: tuple[bool, ...], first: int, last: int, most: int, width: int) -> list[Sample]:
    """Samples that the truth could have given: polls one after the other, or messages and states in any mixture."""
    polled, dense = draw(st.booleans()), draw(st.booleans())
    if dense:
        width = draw(st.integers(0, min(1, width)))
        lost = draw(st.sets(st.integers(first, last), max_size=2))
        instants = [t for t in range(first, last + 1) if t not in lost]
    else:
        instants = sorted(draw(st.lists(st.integers(first, last), max_size=most)))
    if not polled:
        changes = [t for t in range(first, last + 1) if true_on[t] != true_on[t - 1]]
        kept = [t for t in changes if draw(st.integers(0, 3))]
        extra = draw(st.integers(0, max(0, most - len(kept))))
        instants = sorted([*instants[:extra], *kept])
    samples: list[Sample] = []
    told_before, at_before = first, -1
    for at in instants:
        lowest = told_before if polled else first
        if at < lowest:
            continue  # the poll before was not told yet
        bounds = draw(_around(at, lowest, last, width))
        is_change = true_on[at] != true_on[at - 1] and at != at_before and bool(draw(st.integers(0, 3)))
        new_run = not samples or samples[-1].on != true_on[at]
        edge = not polled and is_change and new_run
        onsets = [t for t in range(at_before + 1, at + 1) if true_on[t] and not true_on[t - 1]] if samples else [at]
        is_sealed = not polled and not [t for t in onsets if not (edge and t == at)] and draw(st.booleans())
        samples.append(Sample(on=true_on[at], lo=bounds.lo, hi=bounds.hi, edge=edge, sealed=is_sealed, at=at))
        told_before, at_before = bounds.hi, at
    return samples


def shortest_unsampled(true_on: tuple[bool, ...], placed: list[int], *, state: bool) -> int:
    """How long the shortest run of ``state`` without a sample lasts that lies wholly inside; 99 where there is none."""
    cuts = [0, *(t for t in range(1, len(true_on)) if true_on[t] != true_on[t - 1]), len(true_on)]
    inner = list(pairwise(cuts))[1:-1]
    lengths = [b - a for a, b in inner if true_on[a] == state and not any(a <= x < b for x in placed)]
    return min(lengths, default=99)


def released_by_of(behaviour: Behaviour) -> SearchStrategy[Step]:
    """Everything that a row of this behaviour may be released by; a row that says nothing has the default."""
    return st.sampled_from(tuple(dict.fromkeys((Step.ACKNOWLEDGE, *release_choices(behaviour)))))


Drawing = tuple[int, Bounds] | None


def _release(
    behaviour: Behaviour, released_by: Step, freed: Drawing, cleared: Drawing, silenced: Drawing
) -> int | None:
    """The true release, None where there is none."""
    by_person = [it[0] for it in (freed, silenced if released_by is Step.SILENCE else None) if it is not None]
    match behaviour:
        case Behaviour.FOLLOWS:
            early = by_person if released_by is Step.SILENCE else []
            return min([*early, *([] if cleared is None else [cleared[0]])], default=None)
        case Behaviour.UNTIL_ACKNOWLEDGED:
            return min(by_person, default=None)
        case Behaviour.LATCHED:
            return None if freed is None or cleared is None else max(freed[0], cleared[0])
        case Behaviour.PULSE | Behaviour.QUIET:
            return None


@st.composite
def cases(
    draw: DrawFn,
    first: int = 1,
    last: int = 9,
    most: int = 4,
    samples_max: int = 7,
    width: int = 2,
    behaviours: tuple[Behaviour, ...] = tuple(Behaviour),
) -> Drawn:
    """Cases with a hidden true world. Samples and stimulus lie in [first, last]; ``most``: the largest limit."""
    behaviour = draw(st.sampled_from(behaviours))
    released_by = draw(released_by_of(behaviour))
    raised, raised_bounds, (freed, cleared, silenced) = draw(_steps(first, last, width))
    true_on = draw(_true_trace(last + 2 + 3 * most, raised))
    samples = draw(_samples(true_on, first, last, samples_max, width))
    placed = [it.at for it in samples]
    limits = draw(limits_of(most))
    if draw(st.booleans()):
        release = _release(behaviour, released_by, freed, cleared, silenced)
        limits = draw(_fitted(limits, true_on, raised, release))
    shortest_on = shortest_unsampled(true_on, placed, state=True)
    shortest_off = shortest_unsampled(true_on, placed, state=False)
    hold = Hold(
        on_ns=min(draw(st.integers(1, most)), shortest_on), off_ns=min(draw(st.integers(1, most)), shortest_off)
    )
    return Drawn(
        samples=tuple(samples),
        stimulus=stimulus_of(raised_bounds, _bounds(freed), _bounds(cleared), released_by, _bounds(silenced)),
        expectation=expectation_of(behaviour, replace(limits, leak_ns=min(limits.leak_ns, shortest_on)), released_by),
        hold=hold,
        next_raise=draw(st.none() | st.integers(raised_bounds.hi + 1, last + most)),
        next_other=draw(st.none() | st.integers(raised_bounds.hi + 1, last + most)),
        true_on=true_on,
        true_raised=raised,
        true_steps=(_instant(silenced), _instant(freed), _instant(cleared)),
    )


def _instant(step: Drawing) -> int | None:
    return None if step is None else step[0]


def _bounds(step: Drawing) -> Bounds | None:
    return None if step is None else step[1]


@st.composite
def wild_cases(draw: DrawFn, first: int = 1, last: int = 9, most: int = 4, samples_max: int = 7) -> Drawn:
    """Cases whose samples were drawn at random: there may be no consistent world."""
    behaviour = draw(st.sampled_from(tuple(Behaviour)))
    _, raised, (freed, cleared, silenced) = draw(_steps(first, last, 2))
    instants = sorted(draw(st.lists(st.integers(first, last), max_size=2 * samples_max)))
    samples: list[Sample] = []
    for lo, hi in zip(instants[::2], instants[1::2], strict=False):
        on, edge, sealed = draw(st.booleans()), draw(st.integers(0, 3)) == 0, draw(st.integers(0, 3)) == 0
        samples.append(Sample(on=on, lo=lo, hi=hi, edge=edge, sealed=sealed))
    released_by = draw(released_by_of(behaviour))
    return Drawn(
        samples=tuple(samples),
        stimulus=stimulus_of(raised, _bounds(freed), _bounds(cleared), released_by, _bounds(silenced)),
        expectation=expectation_of(behaviour, draw(limits_of(most)), released_by),
        hold=Hold(on_ns=draw(st.integers(1, most)), off_ns=draw(st.integers(1, most))),
        next_raise=draw(st.none() | st.integers(raised.hi + 1, last + most)),
        next_other=draw(st.none() | st.integers(raised.hi + 1, last + most)),
    )


def all_cases() -> SearchStrategy[Drawn]:
    """Both kinds of cases."""
    return cases() | wild_cases()
