"""What is known of one point of a BACnet device so far, and its trace in the making: what was sealed, and unsealed.

A gap is *sealed* where nothing can have changed in it untold. What is lost later takes that back.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from harness.links.bacnet_read_states import ReadStates
from harness.links.told_samples import ToldSamples


class Samples(ToldSamples):
    """Samples that what came later can take back, or unseal."""

    __slots__ = ()

    def take_back(self) -> None:
        """The newest was none."""
        for column in (self.lo, self.hi, self.on, self.edge, self.sealed):
            column.pop()

    def unseal(self, since_ns: int) -> None:
        """Between samples since then something may have been lost after all; what then came need be no change."""
        for at in range(len(self.hi) - 1, -1, -1):
            if self.hi[at] <= since_ns:
                break
            self.sealed[at] = self.edge[at] = False

    def unseal_contradicted(self, read: ReadStates) -> None:
        """A poll between two samples that read what was not told: something was lost, whatever the path promises."""
        lo, hi = np.array(self.lo, dtype=np.int64), np.array(self.hi, dtype=np.int64)
        behind = np.searchsorted(hi, read.asked, side="left")
        inside = (behind > 0) & (behind < len(hi))
        behind, told, on = behind[inside], read.told[inside], read.on[inside]
        untold = (told < lo[behind]) & (on != np.array(self.on, dtype=np.bool_)[behind - 1])
        for at in behind[untold].tolist():
            self.sealed[at] = self.edge[at] = False


@dataclass(slots=True, kw_only=True)
class Known:
    """``is_promised``: whether every change is told. ``delay_ns``: D, None where nobody declared it."""

    is_promised: bool
    delay_ns: int | None
    samples: Samples = field(default_factory=Samples)
    on: bool = False
    is_known: bool = False
    """Whether the state is known: from the first value after subscribing until that is lost."""
    is_whole: bool = False
    """Whether nothing can have been lost since the last sample."""
    floor_ns: int = 0
    """The moment of subscribing: without D, no change that is told reaches further back."""
    change_lo: int = 0
    up_ns: int | None = None
    is_unbroken: bool = False
    """Whether nothing can have been lost since the link came up."""
    begun_by_poll: bool = False

    def came_up(self, at_ns: int) -> None:
        """The link came up."""
        self.up_ns = at_ns
        self.floor_ns = self.change_lo = max(at_ns, self.floor_ns)
        self.is_known = self.is_whole = False
        self.is_unbroken = True

    def lost(self, since_ns: int, known_ns: int) -> None:
        """Something may have been lost since then: until the next notification nothing is claimed.

        ``known_ns``: when that was known; what was read before it may have changed since.
        """
        self.samples.unseal(since_ns)
        self.is_known = self.is_whole = self.begun_by_poll = self.is_unbroken = False
        if self.up_ns is not None:
            self.up_ns = known_ns

    def promises_less(self) -> None:
        """Not every change is told, after all."""
        self.is_promised = self.is_whole = False

    def add(self, lo: int, hi: int, *, on: bool, edge: bool) -> None:
        """What was told of it."""
        self.samples.add(lo, hi, on=on, edge=edge, sealed=self.is_whole and self.is_known)
        if on is not self.on or not self.is_known:
            self.change_lo = max(self.change_lo, lo)
        self.on = on
        self.is_known = True
        self.is_whole = self.is_promised

    def prove(self, alive_ns: Callable[[], int | None]) -> None:
        """The path was alive at an instant: so whatever changed before (that instant - D) was told.

        ``alive_ns``: which one, None where none is known; asked for only where it proves anything.
        """
        if self.delay_ns is None or not (self.is_known and self.is_whole and self.is_promised):
            return
        if (at_ns := alive_ns()) is None:
            return
        proven = at_ns - self.delay_ns
        if self.samples.hi and proven > self.samples.hi[-1]:
            self.begun_by_poll = False
            self.samples.add(proven, proven, on=self.on, edge=False, sealed=True)

    def since_up(self, lo: int) -> int | None:
        """The moment when the link came up, where what an event says of the time before it holds from then on.

        Where the path tells every change, nothing was lost since then, and this change came after it; else None.
        """
        is_in_time = self.is_promised and self.delay_ns is not None
        return self.up_ns if is_in_time and self.is_unbroken and self.up_ns is not None and self.up_ns < lo else None
