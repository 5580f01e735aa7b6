"""Receive-only on a serial bus that has a master: its reads and their answers, as polls of blocks made on the fly.

Nothing is sent. Each (unit, function, address, count) that the master reads becomes a block when it is first answered,
or asked for the second time, so that points are observed as often as the master reads them, and the record says
how often that was. A sample's bounds reach from the request to the answer, and back by what may hold bytes up on their
way here, since the unit may have looked at its input before the request had come through to us.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Final, cast

from harness.core.instants import NS_PER_MS, NS_PER_S, Clock
from harness.core.links import ModbusRtuLink
from harness.links.base import Block, LinkState, Observer
from harness.links.modbus_client import DROPPED_BYTES_MAX
from harness.links.modbus_pdu import ReadRequest
from harness.links.modbus_rtu_overhear import Heard, NotHeard, Overheard, Overhearer

ADAPTER_DELAY_MAX_NS: Final = 20 * NS_PER_MS
"""A USB adapter hands on what it received when its buffer is full or its latency timer ends, 16 ms where nobody changed
it (common practice, no source); drivers add less than 4 ms."""
SERVER_DELAY_MAX_NS: Final = 250 * NS_PER_MS
"""A serial device server packs what it received, and TCP may hold a segment back until one before it is acknowledged:
up to 200 ms (RFC 1122, 4.2.3.2, allows 500)."""
TURN_S: Final = 0.01
"""How often a turn of the event loop is noted: what is read was not there at the turn before the last one."""
IDLE_NS: Final = 300 * NS_PER_MS
"""After so much silence no frame is going on any more, whatever carries the bytes."""
MASTER_SILENT_NS: Final = 10 * NS_PER_S
"""A line on which nothing is heard for so long, or for ten of the master's periods: nobody asks, or the line is off."""
BLOCKS_MAX: Final = 1024
"""Distinct reads of one master that become blocks; one that has more walks through addresses and polls nothing."""


class Reads:
    """The blocks of one bus that have been overheard; outlives connections."""

    def __init__(self, name: str, observer: Observer, next_block_id: Callable[[], int]) -> None:
        self._name = name
        self._observer = observer
        self._next_block_id = next_block_id
        self._blocks: dict[ReadRequest, int] = {}
        self._once: set[ReadRequest] = set()

    def tell(self, found: Overheard) -> None:
        """Hand on what was overheard."""
        if isinstance(found, Heard):
            block_id = self._block(found.request, is_certain=True)
            if block_id is not None:
                self._observer.poll(block_id, found.asked_ns, found.told_ns, found.payload)
                return
            self._observer.dropped(self._name, found.told_ns, f"a read beyond {BLOCKS_MAX} others", found.payload[:64])
        elif isinstance(found, NotHeard):
            block_id = self._block(found.request, is_certain=False)
            if block_id is not None:
                self._observer.poll_failed(block_id, found.asked_ns, found.given_up_ns, found.why)
        else:
            self._observer.dropped(self._name, found.at_ns, found.what, found.data[:DROPPED_BYTES_MAX])

    def _block(self, request: ReadRequest, *, is_certain: bool) -> int | None:
        """The block of a read. One that was heard once and not answered may have been none."""
        known = self._blocks.get(request)
        if known is not None:
            return known
        if len(self._blocks) >= BLOCKS_MAX or len(self._once) >= BLOCKS_MAX:
            return None
        if not is_certain and request not in self._once:
            self._once.add(request)
            return None
        self._once.discard(request)
        block_id = self._blocks[request] = self._next_block_id()
        self._observer.block(
            Block(
                id=block_id,
                link=self._name,
                unit=request.unit,
                table=request.table,
                address=request.address,
                count=request.count,
            )
        )
        return block_id


class Receiver(asyncio.Protocol):
    """One connection that is only listened to. ``state`` is told when the master falls silent, and when it is back."""

    def __init__(
        self, spec: ModbusRtuLink, reads: Reads, clock: Clock, state: Callable[[LinkState, str], None]
    ) -> None:
        self._reads = reads
        self._clock = clock
        self._state = state
        self._silent_ns = max(MASTER_SILENT_NS, 10 * spec.poll_period_ns)
        delay_ns = SERVER_DELAY_MAX_NS if spec.serial is None else ADAPTER_DELAY_MAX_NS
        self._overhearer = Overhearer(timeout_ns=spec.timeout_ns, quiet_ns=spec.quiet_ns, delay_max_ns=delay_ns)
        self._loop = asyncio.get_running_loop()
        self._transport: asyncio.Transport | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._turn_before_ns = self._turn_ns = self._last_ns = self._idle_told_ns = clock()
        self._is_silent = False
        self._crash: Exception | None = None
        self._closed: asyncio.Future[str] = self._loop.create_future()
        self.heard = False

    async def wait_closed(self) -> str:
        """Wait for the end of the connection; returns why it ended. Raises what an observer raised."""
        why = await asyncio.shield(self._closed)
        if self._crash is not None:
            raise self._crash
        return why

    def close(self) -> None:
        """End the connection at once."""
        if self._transport is not None:
            self._transport.abort()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)
        self._turn_before_ns = self._turn_ns = self._last_ns = self._clock()
        self._timer = self._loop.call_later(TURN_S, self._turn)

    def data_received(self, data: bytes) -> None:
        at_ns = self._clock()
        self.heard = True
        self._last_ns = at_ns
        self._tell(lambda: self._overhearer.feed(data, self._turn_before_ns, at_ns))
        if self._is_silent:
            self._is_silent = False
            self._state(LinkState.UP, "the line is in use again")

    def connection_lost(self, exc: Exception | None) -> None:
        self._transport = None
        if self._timer is not None:
            self._timer.cancel()
        self._tell(lambda: self._overhearer.idle(self._clock()))
        if not self._closed.done():
            text = getattr(exc, "strerror", None) or str(exc)
            self._closed.set_result("the connection ended" if exc is None else f"the connection broke: {text}")

    def _turn(self) -> None:
        """A turn of the loop; all that had come before the one before was read."""
        now_ns = self._clock()
        self._turn_before_ns, self._turn_ns = self._turn_ns, now_ns
        self._timer = self._loop.call_later(TURN_S, self._turn)
        if now_ns - self._last_ns > IDLE_NS and now_ns - self._idle_told_ns > IDLE_NS:
            self._idle_told_ns = now_ns
            self._tell(lambda: self._overhearer.idle(now_ns))
        if not self._is_silent and now_ns - self._last_ns > self._silent_ns:
            self._is_silent = True
            why = f"nothing heard for {self._silent_ns / NS_PER_S:g} s: is the master running, and the line connected?"
            self._state(LinkState.DOWN, why)

    def _tell(self, find: Callable[[], list[Overheard]]) -> None:
        if self._crash is not None:
            return
        try:
            for found in find():
                self._reads.tell(found)
        except Exception as exc:  # noqa: BLE001 - wait_closed() raises it; the event loop would only log it and go on
            self._crash = exc
            self.close()
