"""What happened on the link to a BACnet device, in the order in which it was known: messages, and when it went down."""

from __future__ import annotations

from dataclasses import dataclass

from harness.links.bacnet_messages import LATE_ANSWER, BacnetMessage, decode
from harness.links.base import LinkState
from harness.links.heard import ALL, Sorted, heard_of
from harness.links.seen import Message
from harness.links.source import Source


@dataclass(frozen=True, slots=True)
class Down:
    """The link went down, or something from the device could not be read."""


@dataclass(frozen=True, slots=True)
class Up:
    """The link came up."""


Happening = tuple[int, int, BacnetMessage | Down | Up]
"""Not before, not after, what."""


def in_order(source: Source, link: str, start_ns: int, end_ns: int) -> list[Happening]:
    """What happened on the link, by the instants at which it was known; of equal ones, what was lost comes first."""
    found: list[tuple[int, int, int, BacnetMessage | Down | Up]] = []
    for change in source.link_states(link):
        up = change.state is LinkState.UP
        found.append((change.at_ns, change.at_ns, 1 if up else 0, Up() if up else Down()))
    found += [(it.at_ns, it.at_ns, 0, Down()) for it in source.dropped(link) if LATE_ANSWER not in it.what]
    found += [(it.last_ns, it.first_ns, 2, what) for it, what in decoded_of(source, link)]
    found.sort(key=lambda it: (it[0], it[2]))
    return [(first, last, what) for last, first, _, what in found if last <= end_ns and last >= start_ns]


def by_object(happened: list[Happening]) -> Sorted[Happening]:
    """What names an object concerns that one (None: one that farend does not read), everything else every one."""
    return Sorted(happened, (getattr(what, "object", ALL) for _, _, what in happened))


def decoded_of(source: Source, link: str) -> list[tuple[Message, BacnetMessage | Down]]:
    """Every message of a link and what it says."""
    heard = heard_of(source)
    return heard.once(("decoded", link), lambda: [(it, _decoded(it)) for it in heard.messages(link)])


def _decoded(message: Message) -> BacnetMessage | Down:
    try:
        return decode(message.data)
    except ValueError:
        return Down()
