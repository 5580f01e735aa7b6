"""The shortest alarm that an output reliably shows: which length to try next, and what the tries prove. Pure.

The chance to be shown is taken never to fall as the alarm is held longer. Nothing else is assumed of it, and the
lengths may be chosen in any way by what came before. Three stages:

1. *Looking.* The lengths are halved, on a logarithmic scale, down to neighbours a factor STEP apart: a length that
   was shown a few times in a row goes on to a shorter one, and one that was lost to a longer one. Proves nothing.
2. *Proving* that a length is shown often enough, with tries of its own, so that it does not matter how the length was
   found. With n tries and m of them not shown, n and m as stated before the first: were the chance below ``share``,
   that would come out with a chance of at most P(X <= m; n, 1 - share), the exact binomial bound behind Clopper,
   Pearson, *Biometrika* 26 (1934) 404, and for m = 0 the success run share^n. Where it does not come out, a longer
   length is tried with half of the error that is left: all attempts together then err no more often than was allowed.
3. *Proving* that a shorter length is lost too often, by betting: were the chance ``share`` or more, the fortune of a
   player who bets on losses would not grow on average, and would reach 1/error with a chance of at most error, however
   long he plays (Ville; Waudby-Smith, Ramdas, *J. R. Statist. Soc. B* 86 (2024) 1). The k-th length that is looked at
   has the part 1/(k (k + 1)) of the error.

Both findings hold together with the stated confidence. A try of which nobody can tell whether it was shown counts
against either: as not shown in 2, as shown in 3. Where an alarm was not held for exactly as long as was asked, a
finding stands for the longest that it may have been held in 2, and for the shortest in 3.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum, unique
from functools import cache
from math import ceil, log
from typing import Final

from harness.core.instants import Bounds
from harness.measure.loss_bets import LossBets
from harness.measure.proportions import CONFIDENCE, trials_needed

STEP: Final = 1.1
"""Lengths closer together than this factor are not told apart."""
LOST_PART: Final = 0.2
"""Of the error, for what is said to be lost: a loss weighs much more than a sighting, so little is enough."""
MISSES: Final = (0.8, 0.1, 0.05, 0.03, 0.02)
"""Of the error of one attempt, for a proof with no miss, with one, and so on."""
LOOKS: Final = 25
"""So many tries at the most are spent on proving that a length is lost too often, before a shorter one is tried."""
_PLAYED_MAX: Final = 1000
"""Tries: to play more of them through only for a forecast takes longer than anybody waits."""
RUINED: Final = 10
"""Nor is it gone on with when the player has lost all but one in so many."""


@unique
class Answer(StrEnum):
    """What became of one try."""

    SHOWN = "shown"
    LOST = "not shown"
    UNKNOWN = "cannot be told"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One try: ``held_ns`` as was asked for, ``held`` as it was (None: exactly so), which the answer must not affect.

    Where ``held`` is open at an end, nothing can be told of the try.
    """

    held_ns: int
    answer: Answer
    held: Bounds | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """``held_ns``: the length that it is about. ``shown`` of ``tries`` there were shown for certain."""

    held_ns: int
    shown: int
    tries: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """``reliable_ns``: held so long or longer, at least ``share`` are shown. ``lost_ns``: so long or shorter, fewer.

    None: not proven of any length that was tried. Both hold together with ``confidence``. ``tries``: all, of which
    ``unknown`` could not be told. ``is_over``: no further try was wanted.

    What proves nothing, but says where to go on: ``longest``, the longest length that was tried; ``hopeful``, the
    shortest that was shown every time, like all longer ones, of those that are shorter than ``reliable``.
    """

    reliable: Proof | None
    lost: Proof | None
    tries: int
    unknown: int
    share: float
    confidence: float
    is_over: bool
    longest: Proof | None = None
    hopeful: Proof | None = None
    tries_left: int = 0
    """That were not used."""

    @property
    def reliable_ns(self) -> int | None:
        """The shortest length that is proven to be shown often enough."""
        return self.reliable.held_ns if self.reliable else None

    @property
    def lost_ns(self) -> int | None:
        """The longest length that is proven to be lost too often."""
        return self.lost.held_ns if self.lost else None


@dataclass(slots=True)
class _Course:
    """What the tries so far have come to. ``shown``: by length, how often for certain, and of how many."""

    tries: int = 0
    unknown: int = 0
    bets: dict[int, LossBets] = field(default_factory=dict)
    shown: dict[int, tuple[int, int]] = field(default_factory=dict)
    reliable: Proof | None = None


_Plan = Generator[int, Outcome, None]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShortestShown:
    """``share`` of the alarms have to be shown, proven with ``confidence``, between two lengths in ``tries_max`` tries.

    ValueError: numbers that are none, or too few tries to prove anything.
    """

    share: float
    confidence: float = CONFIDENCE
    longest_ns: int
    shortest_ns: int
    tries_max: int

    def __post_init__(self) -> None:
        for name, value in (("share", self.share), ("confidence", self.confidence)):
            if not 0.0 < value < 1.0:
                raise ValueError(f"{name}={value}: expected one between 0 and 1; write 0.95 for 95 %")
        if not 0 < self.shortest_ns <= self.longest_ns:
            raise ValueError(
                f"shortest_ns={self.shortest_ns}, longest_ns={self.longest_ns}: expected 0 < shortest <= longest"
            )
        if self.tries_max < self.tries_min:
            raise ValueError(
                f"tries_max={self.tries_max}: expected at least {self.tries_min}; "
                f"fewer cannot prove {self.share:g} with confidence {self.confidence:g}"
            )

    @property
    def tries_min(self) -> int:
        """With fewer tries nothing can be proven, even if every one of them is shown."""
        return self._needed(1)[0]

    @property
    def tries_for_shorter(self) -> int:
        """With fewer tries no length but the longest is proven: the rest would not be enough if a shorter one fails."""
        return self._two_proofs + 2 * self._enough

    @property
    def tries_usual(self) -> int:
        """How many it takes of an output that shows what is held for longer than the middle (on a logarithmic scale)
        between the longest and the shortest length, and nothing that is shorter; all of them where they are very many.
        """
        middle_ns = (self.longest_ns * self.shortest_ns) ** 0.5
        outcomes: list[Outcome] = []
        while (held_ns := self.next_ns(outcomes)) is not None:
            answer = Answer.SHOWN if held_ns >= middle_ns else Answer.LOST
            outcomes.append(Outcome(held_ns=held_ns, answer=answer))
            if len(outcomes) > _PLAYED_MAX:
                return self.tries_max
        return len(outcomes)

    def next_ns(self, outcomes: Sequence[Outcome]) -> int | None:
        """How long to hold the next one; None: there is nothing more to be found out. ``outcomes`` in order, all.

        Tries at lengths that were not asked for count as tries and prove nothing.
        """
        return self._followed(outcomes)[1]

    def finding(self, outcomes: Sequence[Outcome]) -> Finding:
        """What is proven so far."""
        course, wanted = self._followed(outcomes)
        won = [it for it in course.bets.values() if it.is_won]
        lost = max(won, key=lambda it: it.shortest_ns, default=None)
        return Finding(
            reliable=course.reliable,
            lost=Proof(held_ns=lost.shortest_ns, shown=lost.shown, tries=lost.tries) if lost else None,
            tries=course.tries,
            unknown=course.unknown,
            share=self.share,
            confidence=self.confidence,
            is_over=wanted is None,
            longest=_longest(course),
            hopeful=_hopeful(course, self._enough),
            tries_left=max(0, self.tries_max - course.tries),
        )

    def _followed(self, outcomes: Sequence[Outcome]) -> tuple[_Course, int | None]:
        course = _Course()
        plan = self._stages(course)
        wanted = next(plan, None)
        for one in outcomes:
            course.tries += 1
            told = one
            if one.held and (one.held.is_open_above or one.held.is_open_below):
                told = Outcome(held_ns=one.held_ns, answer=Answer.UNKNOWN)
            course.unknown += told.answer is Answer.UNKNOWN
            if wanted is None or told.held_ns != wanted:
                continue
            shortest_ns = told.held.lo if told.held else told.held_ns
            self._bets(course, wanted).take(shortest_ns, is_lost=told.answer is Answer.LOST)
            shown, tries = course.shown.get(wanted, (0, 0))
            course.shown[wanted] = (shown + (told.answer is Answer.SHOWN), tries + 1)
            try:
                wanted = plan.send(told)
            except StopIteration:
                wanted = None
        return course, wanted if course.tries < self.tries_max else None

    def _bets(self, course: _Course, held_ns: int) -> LossBets:
        at = len(course.bets) + 1
        error = LOST_PART * (1.0 - self.confidence) / (at * (at + 1))
        return course.bets.setdefault(held_ns, LossBets(share=self.share, wanted=-log(error)))

    def _needed(self, attempt: int) -> tuple[int, ...]:
        """Tries of the ``attempt``-th proof with no miss, with one, and so on."""
        return _needed(self.share, (1.0 - LOST_PART) * (1.0 - self.confidence) / 2**attempt)

    @property
    def _two_proofs(self) -> int:
        """Tries of a proof that fails only at its last, and of the one that is kept for the longest length."""
        return self._needed(1)[0] + self._needed(2)[0]

    @property
    def _enough(self) -> int:
        """Shown so often in a row, a length is good enough to go on from."""
        return max(3, ceil(0.5 / (1.0 - self.share)))

    def _stages(self, course: _Course) -> _Plan:
        seems_good_ns = yield from self._looking(course)
        tried_ns = yield from self._proving_shown(course, seems_good_ns)
        yield from self._proving_lost(course, tried_ns)

    def _looking(self, course: _Course) -> Generator[int, Outcome, int]:
        """Returns the shortest length that seems good."""
        lost_ns, good_ns = self.shortest_ns, self.longest_ns
        if not self._may_look(course) or not (yield from self._seems_good(good_ns)) or lost_ns == good_ns:
            return good_ns
        if self._may_look(course) and (yield from self._seems_good(lost_ns)):
            return lost_ns
        while good_ns > max(lost_ns * STEP, lost_ns + 1) and self._may_look(course):
            middle = max(lost_ns + 1, min(good_ns - 1, round((lost_ns * good_ns) ** 0.5)))
            if (yield from self._seems_good(middle)):
                good_ns = middle
            else:
                lost_ns = middle
        return good_ns

    def _may_look(self, course: _Course) -> bool:
        """Tries enough are left to prove something afterwards, at a shorter length where that can be afforded."""
        kept = self._two_proofs if self.tries_max >= self.tries_for_shorter else self.tries_min
        return course.tries + self._enough + kept <= self.tries_max

    def _seems_good(self, held_ns: int) -> Generator[int, Outcome, bool]:
        for _ in range(self._enough):
            outcome = yield held_ns
            if outcome.answer is not Answer.SHOWN:
                return False
        return True

    def _proving_shown(self, course: _Course, held_ns: int) -> Generator[int, Outcome, int]:
        """At this length, and where that fails at longer ones. Returns the last that was tried."""
        step, attempt = STEP, 1
        while course.tries + self._needed(attempt)[0] <= self.tries_max:
            until = self.tries_max - (self._needed(attempt + 1)[0] if held_ns < self.longest_ns else 0)
            if course.tries + self._needed(attempt)[0] > until:  # it is the last one: no length is safer than this
                held_ns, until = self.longest_ns, self.tries_max
            course.reliable = yield from self._attempt(course, held_ns, self._needed(attempt), until)
            if course.reliable or held_ns == self.longest_ns:
                break
            attempt += 1
            held_ns = min(self.longest_ns, max(held_ns + 1, ceil(held_ns * step)))
            step *= step
        return held_ns

    def _attempt(
        self, course: _Course, held_ns: int, needed: tuple[int, ...], until: int
    ) -> Generator[int, Outcome, Proof | None]:
        """Given up where it cannot come out by the try ``until``, or, if a longer length is left, where more are missed
        than is allowed.
        """
        misses = tries = longest = 0
        while misses < len(needed) and course.tries + needed[misses] - tries <= until:
            outcome = yield held_ns
            tries += 1
            longest = max(longest, outcome.held.hi if outcome.held else outcome.held_ns)
            misses += outcome.answer is not Answer.SHOWN
            if misses < len(needed) and tries >= needed[misses]:
                return Proof(held_ns=longest, shown=tries - misses, tries=tries)
            if course.bets[held_ns].is_won or (held_ns < self.longest_ns and misses > tries * (1.0 - self.share)):
                return None
        return None

    def _proving_lost(self, course: _Course, good_ns: int) -> _Plan:
        """From the longest length below ``good_ns`` that was lost at all, downwards."""
        held_ns = max((at for at, it in course.bets.items() if at <= good_ns and it.shown < it.tries), default=0)
        step = STEP**2
        while held_ns and not any(it.is_won and at >= held_ns for at, it in course.bets.items()):
            for _ in range(LOOKS):
                yield held_ns
                if course.bets[held_ns].is_won:
                    return
                if course.bets[held_ns].fortune < -log(RUINED):
                    break
            if held_ns == self.shortest_ns:
                return
            held_ns = max(self.shortest_ns, int(held_ns / step))
            step *= step


def _longest(course: _Course) -> Proof | None:
    at = max(course.shown, default=None)
    return None if at is None else Proof(held_ns=at, shown=course.shown[at][0], tries=course.shown[at][1])


def _hopeful(course: _Course, enough: int) -> Proof | None:
    found = None
    for at in sorted(course.shown, reverse=True):
        shown, tries = course.shown[at]
        if shown < tries:
            break
        if tries >= enough and (course.reliable is None or at < course.reliable.held_ns):
            found = Proof(held_ns=at, shown=shown, tries=tries)
    return found


@cache
def _needed(share: float, error: float) -> tuple[int, ...]:
    return tuple(
        trials_needed(share, misses_allowed=misses, confidence=1.0 - error * part) for misses, part in enumerate(MISSES)
    )
