"""The evidence about one point: ordered samples, each a state and the interval in which it was held somewhere.

Polled, pushed and human evidence all become a ``Trace``; the correlator knows nothing else. Samples are kept as
runs of equal state, so that a million polls of a quiet point cost two shared arrays and one run.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Instants = NDArray[np.int64]
Indices = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """Samples of one point, in the order in which the device held them.

    Shapes: ``lo``, ``hi`` are (n,) instants in ns, both non-decreasing, lo <= hi: sample i's state was held at some
    instant x_i in [lo[i], hi[i]], and x_0 <= x_1 <= ... For a poll that is [asked, told].
    ``starts`` is (m,): the indices at which a run of equal states begins (starts[0] = 0); runs alternate, and
    ``first_on`` is the state of the first. ``edges`` is (m,): True where run j's first sample *is* the change (a pushed
    message), so that the change lies in [lo, hi] of that sample itself and not merely after the sample before.
    ``sealed`` is (n,) or None for all False: sealed[i] says that no unreported onset lies between samples i-1 and i.
    ``timed`` is False where the samples say *that* something was so and measure no time: their bounds put them in order
    with the stimuli and prove no limit (a person who had to walk there).
    """

    point: str
    lo: Instants
    hi: Instants
    starts: Indices
    first_on: bool
    edges: Flags
    sealed: Flags | None = None
    timed: bool = True

    def __post_init__(self) -> None:
        n, m = len(self.lo), len(self.starts)
        if len(self.hi) != n or len(self.edges) != m or (n == 0) != (m == 0):
            shapes = f"lo ({n},), hi ({len(self.hi)},), starts ({m},), edges ({len(self.edges)},)"
            raise ValueError(f"Trace {self.point}: shapes do not fit together: {shapes}")
        if n and int(self.starts[0]) != 0:
            raise ValueError(f"Trace {self.point}: starts[0]={int(self.starts[0])}, expected 0")

    @classmethod
    def from_states(
        cls,
        point: str,
        lo: Instants,
        hi: Instants,
        on: Flags,
        *,
        edge: Flags | None = None,
        sealed: Flags | None = None,
        timed: bool = True,
    ) -> Trace:
        """Build from one state a sample. Bounds are tightened to the known order: x_0 <= x_1 <= ..., and samples of
        different state are at least 1 ns apart.

        Raises ValueError where the order contradicts the bounds.
        """
        on = np.asarray(on, dtype=np.bool_)
        lo, hi = _ordered(np.asarray(lo, dtype=np.int64), np.asarray(hi, dtype=np.int64), on)
        if np.any(lo > hi):
            at = int(np.argmax(lo > hi))
            raise ValueError(
                f"Trace {point}: sample {at} has lo={int(lo[at])} above hi={int(hi[at])} once put in order"
            )
        if len(on) == 0:
            starts = np.zeros(0, dtype=np.int64)
        else:
            starts = np.concatenate(([0], np.flatnonzero(on[1:] != on[:-1]) + 1)).astype(np.int64)
        edges = np.zeros(len(starts), dtype=np.bool_) if edge is None else np.asarray(edge, dtype=np.bool_)[starts]
        return cls(
            point=point,
            lo=lo,
            hi=hi,
            starts=starts,
            first_on=bool(on[0]) if len(on) else False,
            edges=edges,
            sealed=sealed,
            timed=timed,
        )

    def __len__(self) -> int:
        return len(self.lo)

    def run_is_on(self, run: int) -> bool:
        """The state of run number ``run``."""
        return self.first_on ^ bool(run & 1)

    def run_last(self, run: int) -> int:
        """The index of the last sample of run number ``run``."""
        return int(self.starts[run + 1]) - 1 if run + 1 < len(self.starts) else len(self.lo) - 1


def _ordered(lo: Instants, hi: Instants, on: Flags) -> tuple[Instants, Instants]:
    """Bounds cut to the order of the samples, with a nanosecond for each change between them.

    Where that leaves no instant, the bounds without it: the samples exclude each other, which the judge has to see.
    """
    if not len(lo):
        return lo, hi
    ticks = np.concatenate(([0], np.cumsum(on[1:] != on[:-1]))).astype(np.int64)
    strict_lo, strict_hi = _monotone(lo - ticks, hi - ticks)
    if np.all(strict_lo <= strict_hi):
        return strict_lo + ticks, strict_hi + ticks
    return _monotone(lo, hi)


def _monotone(lo: Instants, hi: Instants) -> tuple[Instants, Instants]:
    return np.maximum.accumulate(lo), np.minimum.accumulate(hi[::-1])[::-1]
