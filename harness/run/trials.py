"""What many trials of one alarm are to show: a claim that is decided early, or the shortest alarm that shows.

Both are entered into the record before anything is raised, so that they are worked out anew from it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import inf
from typing import Any, Final

from harness.core.errors import UsageError
from harness.measure.proportions import CONFIDENCE, trials_needed
from harness.measure.sequential import Rule, curtailed, ratio_rule
from harness.measure.shortest_shown import ShortestShown
from harness.record.header import Json
from harness.report.measured_words import percent
from harness.run.order import Item
from harness.run.steering import ClaimSteering, ShortestSteering, Steering

CLAIM_EVENT: Final = "claim"
SEARCH_EVENT: Final = "search"
TRIALS_MAX: Final = 100_000
"""Of a claim: at ten seconds each that takes eleven days."""


@dataclass(frozen=True)
class Claim:
    """At least ``share`` of the trials of each output pass, with ``confidence``, in at most ``trials_max`` trials.

    ``misses_allowed``: so many may fail of a plan with a fixed number of trials, which is left as soon as the rest
    cannot change it. ``good``: the share that passes at a good output; then Wald's sequential test decides.
    """

    share: float
    trials_max: int
    confidence: float = CONFIDENCE
    misses_allowed: int = 0
    good: float | None = None

    def __post_init__(self) -> None:
        if self.good is not None and not self.share < self.good < 1.0:
            raise UsageError(
                f"--good {percent(self.good)}: expected more than the claim of {percent(self.share)}, and less than "
                "all; a rule cannot tell two shares apart that are the same"
            )
        if self.good is not None and self.confidence <= 0.5:
            raise UsageError(
                f"--confidence {percent(self.confidence)} with --good {percent(self.good)}: expected more than 50 %; "
                "a rule that errs as often as a coin decides nothing"
            )
        if self._longest > TRIALS_MAX:
            raise UsageError(
                f"claim of {percent(self.share)} with {self.misses_allowed} misses allowed: expected one that takes at "
                f"most {TRIALS_MAX:,} trials; claim less, or allow fewer misses"
            )

    @property
    def _longest(self) -> float:
        """How many trials it takes at the most."""
        if self.good is not None:
            return self.trials_max
        try:
            return trials_needed(self.share, misses_allowed=self.misses_allowed, confidence=self.confidence)
        except OverflowError:
            return inf

    @cached_property
    def rule(self) -> Rule:
        """What decides; its error rates hold."""
        if self.good is None:
            return curtailed(self.share, misses_allowed=self.misses_allowed, confidence=self.confidence)
        error = 1.0 - self.confidence
        return ratio_rule(
            good=1.0 - self.good,
            bad=1.0 - self.share,
            wrongly_refuted=error,
            wrongly_proven=error,
            trials_max=self.trials_max,
        )

    @property
    def needed(self) -> int:
        """The least number of trials that can prove it."""
        if self.good is None:
            return trials_needed(self.share, misses_allowed=self.misses_allowed, confidence=self.confidence)
        return next((at + 1 for at, up_to in enumerate(self.rule.proven_up_to) if up_to >= 0), self.trials_max + 1)

    def to_data(self) -> dict[str, Json]:
        """For the record."""
        return {
            "share": self.share,
            "trials_max": self.trials_max,
            "confidence": self.confidence,
            "misses_allowed": self.misses_allowed,
            "good": self.good,
        }

    @classmethod
    def of(cls, data: Mapping[str, Any]) -> Claim:
        """From the record."""
        return cls(**data)

    def steering(self, items: Sequence[Item]) -> Steering:
        """What stops the trials early."""
        return ClaimSteering(rule=self.rule, keys=tuple(dict.fromkeys(row.key for it in items for row in it.loud)))


@dataclass(frozen=True)
class Search:
    """The shortest alarm of which each output shows at least ``share``, in at most ``tries_max`` tries for each."""

    share: float
    longest_ns: int
    shortest_ns: int
    tries_max: int
    confidence: float = CONFIDENCE

    def __post_init__(self) -> None:
        try:
            _ = self.search
        except (ValueError, OverflowError) as exc:
            raise UsageError(f"search for the shortest alarm: {exc}") from exc

    @property
    def search(self) -> ShortestShown:
        """The rule of the search."""
        return ShortestShown(
            share=self.share,
            confidence=self.confidence,
            longest_ns=self.longest_ns,
            shortest_ns=self.shortest_ns,
            tries_max=self.tries_max,
        )

    def to_data(self) -> dict[str, Json]:
        """For the record."""
        return {
            "share": self.share,
            "longest_ns": self.longest_ns,
            "shortest_ns": self.shortest_ns,
            "tries_max": self.tries_max,
            "confidence": self.confidence,
        }

    @classmethod
    def of(cls, data: Mapping[str, Any]) -> Search:
        """From the record."""
        return cls(**data)

    def steering(self, items: Sequence[Item]) -> Steering:
        """What says how long the next one is held."""
        points = tuple(dict.fromkeys(row.point for it in items for row in it.loud))
        return ShortestSteering(search=self.search, points=points)
