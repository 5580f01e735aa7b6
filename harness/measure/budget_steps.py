"""What one step on the way of an alarm does to its latency, and to for how long it shows. Pure; exact where it can be.

Seconds as rational numbers throughout. Where a site declares a range of a time, three cases are worked out: the usual
(the middle, as if it were always so), and bounds for the slowest and the quickest that the range allows. A step takes
lengths with their chances, as they come out of the step before; what does not show any more is left out, so that the
chances add up to that of being seen. Every poll is taken to run at a random phase of its own; two that are locked to
each other break all of this, for each phase then gives a chance of 0 or 1 (``phase_lock``).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import Enum, unique
from fractions import Fraction
from math import floor
from typing import Final, Protocol

Lengths = Mapping[Fraction, Fraction]
"""How long it shows, with the chance of each; each above 0."""

ZERO: Final = Fraction(0)
HELD: Final = Fraction(10**9)
"""Held until somebody acknowledges it: longer than any poll."""
NANOSECOND: Final = Fraction(1, 10**9)


@unique
class Case(Enum):
    """Which end of the declared ranges is taken, for everything at once."""

    SLOWEST = "slowest"
    USUAL = "usual"
    QUICKEST = "quickest"


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """A time that lies between two; ``usual`` is their middle where nothing better is known."""

    least: Fraction = ZERO
    usual: Fraction = ZERO
    most: Fraction = ZERO

    @classmethod
    def between(cls, least: Fraction, most: Fraction) -> Range:
        """With the middle for the usual."""
        return cls(least=least, usual=(least + most) / 2, most=most)

    @classmethod
    def exactly(cls, it: Fraction) -> Range:
        """Always the same."""
        return cls(least=it, usual=it, most=it)

    @property
    def width(self) -> Fraction:
        """From the least to the most."""
        return self.most - self.least

    def __add__(self, other: Range) -> Range:
        return Range(least=self.least + other.least, usual=self.usual + other.usual, most=self.most + other.most)

    def of(self, case: Case) -> Fraction:
        """The time in one case: of a delay or a period the slowest is the longest."""
        return {Case.SLOWEST: self.most, Case.USUAL: self.usual, Case.QUICKEST: self.least}[case]


NOTHING: Final = Range()


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """What shows for this length (for longer than it, where ``longer``) is seen for certain behind a step."""

    length: Fraction = ZERO
    longer: bool = True

    def before(self, added: Fraction) -> Need:
        """The same where so much is taken away on the way (added, where negative): never below any length at all."""
        length = self.length + added
        return Need(length=length, longer=self.longer) if length > 0 else Need()


class Step(Protocol):
    """One step. ``latency``: what it adds for an alarm that stays."""

    @property
    def latency(self) -> Range: ...

    def after(self, lengths: Lengths, case: Case) -> Lengths:
        """For how long it shows behind the step."""

    def needs(self, need: Need) -> Need | None:
        """How long it has to show before the step for ``need`` behind it, in the slowest case; None: never certain."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Delay:
    """Shows later. In the slowest case the onset comes late and the end early, in the quickest the other way about."""

    time: Range

    @property
    def latency(self) -> Range:
        return self.time

    def after(self, lengths: Lengths, case: Case) -> Lengths:
        sign = {Case.SLOWEST: -1, Case.USUAL: 0, Case.QUICKEST: 1}[case]
        return each(lengths, lambda length: length + sign * self.time.width)

    def needs(self, need: Need) -> Need | None:
        return need.before(self.time.width)


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """Every change is told, within a time: nothing is too short."""

    time: Range

    @property
    def latency(self) -> Range:
        return self.time

    def after(self, lengths: Lengths, case: Case) -> Lengths:  # noqa: ARG002 - as for every step
        return lengths

    def needs(self, need: Need) -> Need | None:
        return need


@dataclass(frozen=True, slots=True, kw_only=True)
class Poll:
    """Read every ``period``, and held until it is read again; ``answer``: from a reading until it is there.

    Where the period is known within bounds only, the slowest and the quickest case are bounds that hold for every
    period between, and for periods that vary: of a gap g it is met with min(1, d/g), and what was seen is held for at
    least max(g, d - g), since the first reading comes within a gap of the onset, and the next after the end.
    """

    period: Range
    answer: Range = NOTHING

    @property
    def latency(self) -> Range:
        # The value is of some instant between question and answer: at the least it is just read, at the most it was
        # missed by as little as may be.
        return Range(usual=self.period.usual / 2 + self.answer.usual / 2, most=self.period.most + self.answer.most)

    def after(self, lengths: Lengths, case: Case) -> Lengths:
        if case is Case.USUAL:
            return sampled(lengths, self.period.usual)
        # What was read shows as much later as its answer took, each time another while.
        sign = -1 if case is Case.SLOWEST else 1
        return each(self._read(lengths, case), lambda it: max(NANOSECOND, it + sign * self.answer.width))

    def _read(self, lengths: Lengths, case: Case) -> Lengths:
        if not self.period.width:
            return sampled(lengths, self.period.usual)
        met = self.period.of(case)
        held: dict[Fraction, Fraction] = {}
        for length, chance in lengths.items():
            image = self._least_image(length) if case is Case.SLOWEST else length + self.period.most
            held[image] = held.get(image, ZERO) + chance * min(Fraction(1), length / met)
        return held

    def _least_image(self, length: Fraction) -> Fraction:
        least, most = self.period.least, self.period.most
        return max(length - most, least * max(1, length // most))

    def needs(self, need: Need) -> Need | None:
        least, most = self.period.least, self.period.most
        need = need.before(self.answer.width) if need.length else need
        samples = -(-need.length // least)
        if need.longer and samples * least == need.length:
            samples += 1
        enough = Need(length=samples * most, longer=False)
        if not self.period.width or samples == 1 or need.length + most >= enough.length:
            return enough
        return Need(length=need.length + most, longer=need.longer)


@dataclass(frozen=True, slots=True, kw_only=True)
class OnDelay:
    """Shows only once it has been there for ``on``, and goes ``off`` after it has gone: Time_Delay, Time_Delay_Normal.

    ASHRAE 135, 13.3: a condition has to last for the time delay. What lasts just as long may do or not, and is not
    counted as seen.
    """

    on: Fraction
    off: Fraction

    @property
    def latency(self) -> Range:
        return Range.exactly(self.on)

    def after(self, lengths: Lengths, case: Case) -> Lengths:  # noqa: ARG002 - as for every step
        return each(lengths, lambda length: length - self.on + self.off if length > self.on or not self.on else ZERO)

    def needs(self, need: Need) -> Need | None:
        lasting = need.before(self.on - self.off)
        return lasting if lasting.length > self.on else Need(length=self.on)


@dataclass(frozen=True, slots=True, kw_only=True)
class Dwell:
    """Holds on for a time after it has gone."""

    time: Fraction

    @property
    def latency(self) -> Range:
        return NOTHING

    def after(self, lengths: Lengths, case: Case) -> Lengths:  # noqa: ARG002 - as for every step
        return each(lengths, lambda length: length + self.time)

    def needs(self, need: Need) -> Need | None:
        return need.before(-self.time)


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnLength:
    """Shows for a time of its own, however long the alarm lasts: a pulse, or HELD until it is acknowledged."""

    length: Fraction = HELD

    @property
    def latency(self) -> Range:
        return NOTHING

    def after(self, lengths: Lengths, case: Case) -> Lengths:  # noqa: ARG002 - as for every step
        return each(lengths, lambda _: self.length)

    def needs(self, need: Need) -> Need | None:
        enough = self.length > need.length or (self.length == need.length and not need.longer)
        return Need() if enough else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Noticed:
    """A person reports it within a time. What shows for ``surely`` is noticed; of less nobody can say.

    ``surely``: HELD where the person has to walk there, and finds only what is held.
    """

    surely: Fraction
    time: Range

    @property
    def latency(self) -> Range:
        return self.time

    def after(self, lengths: Lengths, case: Case) -> Lengths:
        if case is Case.QUICKEST:
            return lengths
        return {length: chance for length, chance in lengths.items() if length >= self.surely}

    def needs(self, need: Need) -> Need | None:
        return Need(length=max(self.surely, need.length), longer=False)


def each(lengths: Lengths, change: Callable[[Fraction], Fraction]) -> Lengths:
    """Every length changed; what comes to nothing is left out, and what comes to the same is put together."""
    changed: dict[Fraction, Fraction] = {}
    for length, chance in lengths.items():
        new = change(length)
        if new > 0:
            changed[new] = changed.get(new, ZERO) + chance
    return changed


def sampled(lengths: Lengths, period: Fraction) -> Lengths:
    """For how long a poll of this period holds what it saw, with the chance of each length; what was missed is left.

    A length d is met by k = floor(d/p) polls, or by one more with the chance of the fraction that is left, and held for
    a period each. Derived from the uniform phase.
    """
    after: dict[Fraction, Fraction] = {}
    for length, chance in lengths.items():
        samples = floor(length / period)
        more = length / period - samples
        for count, part in ((samples, 1 - more), (samples + 1, more)):
            if count and part:
                after[count * period] = after.get(count * period, ZERO) + chance * part
    return after
