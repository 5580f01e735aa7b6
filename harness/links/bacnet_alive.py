"""What shows that the path from a BACnet device was alive, so that its silence says that nothing changed.

For a subscription: that the device lists it, and has ever since it was asked for. For events: that the device did not
restart. A device that can say neither is taken for alive while it answers polls, and that is an assumption.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

import numpy as np

from harness.core.places import Arrival, BacnetPlace
from harness.links.bacnet_messages import RESTART_MIN_NS, LifeSign
from harness.links.seen import Polls

Lost = tuple[int, int]
"""Since when something may have been lost, and when that was known."""


class Alive:
    """The proofs of life of one path. ``polls``: of the device, none of them empty."""

    def __init__(self, place: BacnetPlace, polls: Sequence[Polls]) -> None:
        self.from_ns = 0
        """Proofs before it prove nothing: the subscription was not there, or the link was down."""
        self._mine = (place.object_type, place.instance)
        self._is_subscribed = place.arrives is Arrival.COV
        self._polls = polls
        self._sign: LifeSign | None = None  # what the device said of its life, since the link came up
        self._sign_ns = 0
        self._proofs: list[int] = []  # when it was asked, wherever the answer shows that the path was alive
        self._kept_ns: int | None = None  # when the subscription was confirmed; None where there is none

    def came_up(self, at_ns: int) -> None:
        """The link came up."""
        self.from_ns = at_ns
        self._sign = self._kept_ns = None

    def looked(self, sign: LifeSign, asked_ns: int, *, is_known: bool) -> Lost | None:
        """The device said something of its life: it may show that nothing was lost, or that something may have been.

        ``is_known``: whether the state of the point is known.
        """
        before, before_ns = self._sign, self._sign_ns
        self._sign, self._sign_ns = sign, asked_ns
        if before is not None and before.restarted != sign.restarted:
            return before_ns, asked_ns
        if self._is_listed():
            if self._kept_ns is not None and self._mine not in sign.missing and asked_ns >= self._kept_ns:
                self._proofs.append(asked_ns)
        elif before is not None:
            self._proofs.append(asked_ns)
        elif is_known and self.from_ns < asked_ns - RESTART_MIN_NS:
            return self.from_ns, asked_ns  # no look was before it: it may have restarted in between
        return None

    def _is_listed(self) -> bool:
        """Whether the list of subscriptions is what proves that this path lives."""
        return self._is_subscribed and self._sign is not None and self._sign.lists

    def kept(self, last_ns: int) -> Lost | None:
        """The subscription was confirmed: for the first time, or anew.

        Whether it was still there before that is told by a look just before it, and by nothing later.
        """
        before_ns, self._kept_ns = self._kept_ns, last_ns
        if before_ns is None or not self._is_listed() or self._sign is None or self._sign.restarted is not None:
            return None
        proven_ns = self._proofs[-1] if self._proofs else before_ns
        return (max(proven_ns, before_ns), last_ns) if last_ns - proven_ns > RESTART_MIN_NS else None

    def not_kept(self) -> None:
        """There is no subscription."""
        self._kept_ns = None

    def proven_ns(self, until_ns: int) -> int | None:
        """When the path was last asked and proved to be alive, by what was known at ``until_ns``; None where never."""
        if self._sign is not None and (self._is_listed() or self._sign.restarted is not None):
            at = bisect_right(self._proofs, until_ns)
            alive = self._proofs[at - 1] if at else 0
        else:
            alive = max((_asked_before(it, until_ns) for it in self._polls), default=0)
        return alive if alive >= self.from_ns else None


def _asked_before(polls: Polls, until_ns: int) -> int:
    """When the last poll was asked that had been answered by then; 0 where none was."""
    at = int(np.searchsorted(polls.told, until_ns, side="right"))
    return int(polls.asked[at - 1]) if at else 0
