"""What was handed over and is not yet in the file: plain memory with a limit, and what happens beyond it."""

from __future__ import annotations

import json
from array import array
from dataclasses import dataclass, field
from typing import Final

from harness.links.base import LinkState
from harness.record.schema import Entry, EntryKind

POLLS_PENDING_MAX: Final = 1_000_000
"""24 MB. At 10,000 polls a second the disk may stand still for 100 s before anything is lost."""

BYTES_PENDING_MAX: Final = 64 * 1024 * 1024
"""Of payloads and entries. A printed line at 115,200 baud needs an hour and a half to fill it."""

ENTRY_COST_BYTES: Final = 200
"""What one entry costs in memory besides its data: a tuple, its strings and integers."""


@dataclass(slots=True)
class Pending:
    """One batch in the making. ``polls`` holds (block id, asked, told) in a row. All that was handed over
    before ``taken_ns`` is in it, or in a batch before it."""

    polls: array[int] = field(default_factory=lambda: array("q"))
    positions: list[int] = field(default_factory=list)
    payloads: list[bytes] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    bytes_used: int = 0
    taken_ns: int = 0
    lost_from_ns: int | None = None
    lost: dict[str, int] = field(default_factory=dict)

    @property
    def is_empty(self) -> bool:
        """Nothing to write."""
        return not self.polls and not self.entries and self.lost_from_ns is None

    def has_room(self, cost: int) -> bool:
        """Whether ``cost`` bytes more may be kept. Once something was lost, nothing more is until the next batch."""
        return (
            self.lost_from_ns is None
            and self.bytes_used + cost <= BYTES_PENDING_MAX
            and len(self.polls) < 3 * POLLS_PENDING_MAX
        )

    def lose(self, kind: str, at_ns: int) -> None:
        """Count one observation that found no room."""
        if self.lost_from_ns is None:
            self.lost_from_ns = at_ns
        self.lost[kind] = self.lost.get(kind, 0) + 1

    def add(self, entry: Entry) -> None:
        """Keep an entry, whether or not there is room."""
        self.bytes_used += ENTRY_COST_BYTES + len(entry[5]) + len(entry[4])
        self.entries.append(entry)

    def tell_lost(self, until_ns: int, states: dict[str, LinkState]) -> None:
        """Turn what was lost into blind time: an entry that counts it, and every link down for as long as it lasted.

        ``states``: the state of each link now. Without the down and up, the silence of a printed log would look
        like evidence.
        """
        since = self.lost_from_ns
        if since is None:
            return
        why = "this computer could not write the record fast enough"
        until_ns = max(until_ns, since)
        counts = json.dumps(self.lost, sort_keys=True).encode()
        self.add((EntryKind.LOST, "", since, until_ns, why, counts))
        for link, state in sorted(states.items()):
            self.add((EntryKind.LINK_STATE, link, since, since, LinkState.DOWN, why.encode()))
            if state is LinkState.UP:
                self.add((EntryKind.LINK_STATE, link, until_ns, until_ns, state, b"the record is being written again"))
