"""How much of an attempt each link was observed, and why not the rest."""

from __future__ import annotations

from dataclasses import dataclass

from harness.report import human
from harness.report.document import BlindTime, LinkFigures


@dataclass(frozen=True, slots=True, kw_only=True)
class BlindReason:
    """Blind times of one reason: how many, how long together, the longest."""

    reason: str
    times: int
    total_ns: int
    longest: BlindTime


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """One link's figures, its blind time (overlaps counted once) and the reasons, greatest total first."""

    figures: LinkFigures
    watched_ns: int
    blind_ns: int
    reasons: tuple[BlindReason, ...]

    @property
    def observed(self) -> str:
        """The share of the time that was observed, rounded down: 100 % only where there was no blind time."""
        return human.share(self.watched_ns - self.blind_ns, self.watched_ns)


def coverage_of(figures: LinkFigures) -> Coverage:
    """Add up the blind times of a link, cut to the time in which it was watched."""
    watched = figures.watched
    by_reason: dict[str, list[BlindTime]] = {}
    for one in figures.blind:
        by_reason.setdefault(one.reason, []).append(one)
    reasons = [
        BlindReason(
            reason=reason,
            times=len(times),
            total_ns=sum(one.to_ns - one.from_ns for one in times),
            longest=max(times, key=lambda one: one.to_ns - one.from_ns),
        )
        for reason, times in by_reason.items()
    ]
    covered, end = 0, watched.lo
    for one in sorted(figures.blind, key=lambda one: (one.from_ns, one.to_ns)):
        from_ns, to_ns = max(one.from_ns, end), min(one.to_ns, watched.hi)
        if to_ns > from_ns:
            covered += to_ns - from_ns
            end = to_ns
    return Coverage(
        figures=figures,
        watched_ns=watched.width,
        blind_ns=covered,
        reasons=tuple(sorted(reasons, key=lambda one: (-one.total_ns, one.reason))),
    )
