"""What every link hands on, and the one interface behind which every protocol stands."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum, unique
from typing import Final, Protocol

from harness.core.places import Arrival, BacnetPlace, ModbusPlace, ObjectType, Place, Table


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """One read request that is repeated: ``count`` bits or registers from ``address`` (counted from 0).

    ``id`` is unique in a run.
    """

    id: int
    link: str
    unit: int
    table: Table
    address: int
    count: int

    def holds(self, place: Place) -> bool:
        """True where the whole place is read by this request (of its own link)."""
        if not isinstance(place, ModbusPlace):
            return False
        same = self.unit == place.unit and self.table is place.table
        return same and self.address <= place.address and place.address + place.count <= self.address + self.count


@dataclass(frozen=True, slots=True, kw_only=True)
class ObjectBlock:
    """One ReadPropertyMultiple that is repeated: what ``bacnet_values`` packs of each of ``objects``, in their order.

    ``id`` is unique in a run, together with those of ``Block``.
    """

    id: int
    link: str
    objects: tuple[tuple[ObjectType, int], ...]

    def holds(self, place: Place) -> bool:
        """True where the place's object is read by this request (of its own link), and its alarm may arrive so.

        What must arrive by a notification is read as well, to see that the device lives and that nothing was lost; but
        no such read is evidence of it.
        """
        if not isinstance(place, BacnetPlace) or place.arrives is not Arrival.POLL:
            return False
        return (place.object_type, place.instance) in self.objects


AnyBlock = Block | ObjectBlock


@unique
class LinkState(StrEnum):
    """Whether a link can observe at all."""

    UP = "up"
    DOWN = "down"


LISTENER_ENDED: Final = "the listener was ended"
"""Why a link is down once nobody listens any more: it says nothing of the link."""


class Observer(Protocol):
    """Takes what links observe. Calls are cheap, never block, and come from the event loop's thread only.

    All instants are nanoseconds of the run's monotonic clock.
    """

    def block(self, block: AnyBlock) -> None:
        """A read request that will be repeated from now on."""

    def poll(self, block_id: int, asked_ns: int, told_ns: int, payload: bytes) -> None:
        """One answered poll: asked just before its first byte went out, told just after its last byte came in.

        ``payload``: bit tables as in the answer (least significant bit first, ceil(count / 8) bytes), registers
        big-endian, two bytes each; objects as ``bacnet_values`` packs them. Its length is the same in every poll of
        a block.
        """

    def poll_failed(self, block_id: int, asked_ns: int, given_up_ns: int, why: str) -> None:
        """A poll without a usable answer: blind time, never evidence."""

    def overrun(self, link: str, due_ns: int, begun_ns: int) -> None:
        """A poll that began more than a period after it was due on the absolute schedule."""

    def message(self, link: str, first_ns: int, last_ns: int, data: bytes) -> None:
        """One message that came in unasked: a framed text line without its end, a notification, a report of a person.

        ``data``: the line; for the other links as their own module ``<protocol>_messages`` puts it. ``first_ns``: its
        first byte did not arrive before; ``last_ns``: its last one had arrived by then. A listener that was held up
        widens these bounds, and never moves them.
        """

    def link_state(self, link: str, at_ns: int, state: LinkState, why: str) -> None:
        """The link came up or went down. While it is down it observes nothing."""

    def dropped(self, link: str, at_ns: int, what: str, data: bytes) -> None:
        """Bytes that came in and did not fit (a late answer, a wrong length). ``data`` is cut to 64 bytes."""


class Link(Protocol):
    """One connection over which outputs are observed."""

    name: str

    async def run(self) -> None:
        """Listen until cancelled. Reconnects by itself; a peer that is down is reported to the observer, not raised."""
