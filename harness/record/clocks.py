"""The wall clock compared with the monotonic one, so that its steps are in the record."""

from __future__ import annotations

import json
from typing import Final

from harness.core.instants import NS_PER_MS, NS_PER_S, Clock
from harness.record.header import UtcClock, take_anchor
from harness.record.schema import Entry, EntryKind

CLOCK_STEP_NS: Final = 20 * NS_PER_MS
"""The wall clock moved against the monotonic one by more than this: a step. A clock that is slewed at the usual
500 ppm needs 40 s for it, and is compared every second."""

CLOCK_LOOK_NS: Final = 1 * NS_PER_S
CLOCK_NOTE_NS: Final = 60 * NS_PER_S
"""Both clocks are compared at every look, and written down at every note even without a step."""


class ClockWatch:
    """Looks at both clocks when asked, and not too often."""

    def __init__(self, clock: Clock, utc: UtcClock) -> None:
        self._clock = clock
        self._utc = utc
        self._offset_ns: int | None = None
        self._looked_ns = self._noted_ns = -(2**62)

    def look(self) -> list[Entry]:
        """The entry that is due: for a step, for the first look, and for one that is long enough after the last."""
        now = self._clock()
        if now - self._looked_ns < CLOCK_LOOK_NS:
            return []
        self._looked_ns = now
        anchor = take_anchor(self._clock, self._utc)
        offset = anchor.utc_ns - anchor.monotonic_ns
        moved = 0 if self._offset_ns is None else offset - self._offset_ns
        stepped = abs(moved) > CLOCK_STEP_NS + anchor.width_ns
        if not stepped and now - self._noted_ns < CLOCK_NOTE_NS:
            return []
        self._noted_ns = now
        self._offset_ns = offset
        data = json.dumps({"moved_ns": moved, "width_ns": anchor.width_ns}).encode()
        return [(EntryKind.CLOCK, "", anchor.monotonic_ns, anchor.utc_ns, "step" if stepped else "check", data)]
