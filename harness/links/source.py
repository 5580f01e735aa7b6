"""Where observations come from when they are decoded: a record on disk, or the memory of a run that is going on."""

from __future__ import annotations

from typing import Protocol

from harness.links.base import AnyBlock
from harness.links.seen import Dropped, Failure, Message, Polls, StateChange


class Source(Protocol):
    """Where observations come from: a record on disk, or the memory of a run that is going on."""

    def blocks(self) -> tuple[AnyBlock, ...]:
        """Every block, in the order in which they were announced."""

    def polls(self, block_id: int) -> Polls:
        """Every answered poll of a block."""

    def failures(self, block_id: int) -> tuple[Failure, ...]:
        """The polls of a block without a usable answer."""

    def messages(self, link: str) -> tuple[Message, ...]:
        """What a link was told unasked."""

    def link_states(self, link: str) -> tuple[StateChange, ...]:
        """When a link came up and went down."""

    def dropped(self, link: str) -> tuple[Dropped, ...]:
        """Bytes of a link that did not fit."""
