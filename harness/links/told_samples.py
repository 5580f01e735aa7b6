"""The trace in the making of a point whose state is told unasked: messages, lines, notifications."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from harness.core.trace import Trace


@dataclass(slots=True)
class ToldSamples:
    """Columns of a trace; ``add`` keeps the upper bounds strictly rising, which only ever widens them."""

    lo: list[int] = field(default_factory=list)
    hi: list[int] = field(default_factory=list)
    on: list[bool] = field(default_factory=list)
    edge: list[bool] = field(default_factory=list)
    sealed: list[bool] = field(default_factory=list)

    def add(self, lo: int, hi: int, *, on: bool, edge: bool, sealed: bool) -> None:
        """One more."""
        self.lo.append(lo)
        self.hi.append(max(hi, self.hi[-1] + 1) if self.hi else hi)
        self.on.append(on)
        self.edge.append(edge)
        self.sealed.append(sealed)

    def trace(self, point: str) -> Trace:
        """All of it as a trace."""
        on, edge, sealed = (np.array(column, dtype=np.bool_) for column in (self.on, self.edge, self.sealed))
        lo, hi = (np.array(column, dtype=np.int64) for column in (self.lo, self.hi))
        return Trace.from_states(point, lo, hi, on, edge=edge, sealed=sealed)
