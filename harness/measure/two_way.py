"""How far another clock is ahead of ours, from one question and its answer. Pure.

We ask at T1 and have the answer at T4 by our clock; the other end got it at T2 and answered at T3 by its own. Then
the offset is ((T2 - T1) + (T3 - T4))/2 and the time on the way (T4 - T1) - (T3 - T2). Nobody knows how that time is
shared out between the two ways, so the offset is known to plus or minus half of it, and no better.

Source: RFC 5905, section 8. RFC 2030 prints the delay with a wrong sign (T2 - T3 for T3 - T2).
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.core.instants import Bounds


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """Instants in ns: asked and answered by our clock, received and sent by the other."""

    asked_ns: int
    received_ns: int
    sent_ns: int
    answered_ns: int

    @property
    def delay_ns(self) -> int:
        """On the way, there and back. Negative: a clock was set or does not keep time, and nothing follows."""
        return (self.answered_ns - self.asked_ns) - (self.sent_ns - self.received_ns)

    @property
    def offset(self) -> Bounds:
        """The other clock less ours: [T3 - T4, T2 - T1]. Its middle is the offset of RFC 5905, its width the delay.

        Raises ValueError where the delay is negative.
        """
        if self.delay_ns < 0:
            raise ValueError(f"delay_ns={self.delay_ns}: expected 0 or more; a clock was set in between, ask again")
        return Bounds(self.sent_ns - self.answered_ns, self.received_ns - self.asked_ns)
