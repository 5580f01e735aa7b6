"""Bets that a length of alarm is lost more often than is allowed, for ``shortest_shown``. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log, log1p
from typing import Final

from harness.core.instants import FOREVER

STAKES: Final = (0.1, 0.3, 0.6, 0.9, 0.99)
"""Of the player's fortune, on each try; a fifth of what he has at first is played at each."""


@dataclass(slots=True)
class LossBets:
    """Against "``share`` or more are shown", on all tries of one length. Won at a fortune of exp(``wanted``), for good.

    ``shortest_ns``: the shortest that any of the tries may have been held.
    """

    share: float
    wanted: float
    shortest_ns: int = FOREVER
    shown: int = 0
    tries: int = 0
    is_won: bool = False

    def take(self, shortest_ns: int, *, is_lost: bool) -> None:
        """One more try; what is not known to be lost counts as shown."""
        self.shortest_ns = min(self.shortest_ns, shortest_ns)
        self.tries += 1
        if is_lost:
            self.is_won = self.is_won or self.fortune >= self.wanted
        else:
            self.shown += 1

    @property
    def fortune(self) -> float:
        """Its logarithm: a loss pays share/(1 - share) on the stake, anything else takes the stake."""
        gain = self.share / (1.0 - self.share)
        lost = self.tries - self.shown
        logs = [lost * log1p(it * gain) + self.shown * log1p(-it) for it in STAKES]
        top = max(logs)
        return top + log(sum(exp(it - top) for it in logs) / len(STAKES))
