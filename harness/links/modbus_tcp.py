"""The Modbus TCP listener: reads the points of one device on an absolute schedule and hands on what it answered.

It never writes. Per device: one connection, at most ``in_flight`` requests outstanding and ``requests_per_s_max``
begun a second. A block has one request outstanding at most, so that samples of one point never overlap in time.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from typing import Final

from harness.core.errors import LinkError
from harness.core.instants import NS_PER_MS, NS_PER_S, Clock
from harness.core.links import ModbusTcpLink
from harness.core.model import Point
from harness.core.places import ModbusPlace
from harness.links.base import LinkState, Observer
from harness.links.modbus_client import IN_FLIGHT_MAX, Counts, ModbusClient
from harness.links.modbus_plan import BlockPlan
from harness.links.modbus_polls import DevicePolls, Session

RECONNECT_FIRST_NS: Final = 50 * NS_PER_MS
RECONNECT_MAX_NS: Final = 2 * NS_PER_S
"""Back-off between attempts that came to nothing: short enough to lose little, long enough to spare the device."""
STEADY_NS: Final = 1 * NS_PER_S
"""A connection that lasted so long is renewed at once. A device that hangs up sooner, be it after an answer, is asked
again only after the first back-off, or it would be stormed with connections."""


class ModbusTcpListener:
    """Polls the points of one Modbus TCP device until cancelled; one of the links behind ``Link``.

    ``next_block_id`` gives ids that are unique in a run. The polls of the blocks are spread evenly over the period, and
    links start at different phases of it (from their names), so that they do not all ask at the same instant.
    """

    def __init__(
        self,
        spec: ModbusTcpLink,
        points: Iterable[Point],
        observer: Observer,
        clock: Clock,
        next_block_id: Callable[[], int],
    ) -> None:
        """Points of other links are passed over. Raises ValueError where the spec asks for what cannot be done."""
        if not 1 <= spec.in_flight <= IN_FLIGHT_MAX:
            raise ValueError(f"link {spec.name}: in_flight={spec.in_flight}: expected 1 to {IN_FLIGHT_MAX}")
        if spec.poll_period_ns <= 0 or spec.timeout_ns <= 0:
            times = f"poll_period_ns={spec.poll_period_ns} timeout_ns={spec.timeout_ns}"
            raise ValueError(f"link {spec.name}: {times}: both must be above 0")
        self.name = spec.name
        self._spec = spec
        places = (point.place for point in points if point.link == spec.name)
        modbus_places = tuple(place for place in places if isinstance(place, ModbusPlace))
        self._polls = DevicePolls(spec, modbus_places, observer, clock, next_block_id)
        self._state: tuple[LinkState, str] | None = None

    @property
    def refused(self) -> frozenset[BlockPlan]:
        """The requests that the device answered with exception 02 (illegal data address): not sent again."""
        return frozenset(self._polls.refused)

    async def run(self) -> None:
        """Poll until cancelled. A device that is down is reported to the observer, never raised."""
        spec, polls = self._spec, self._polls
        if not polls.places:
            return
        polls.plan()
        wait_ns = last_transaction = 0
        while True:
            client = ModbusClient(
                spec.host, spec.port, polls.clock, dropped=self._dropped, last_transaction=last_transaction
            )
            begun_ns = polls.clock()
            try:
                await client.connect()
            except LinkError as exc:
                self._report(LinkState.DOWN, str(exc))
            else:
                self._report(LinkState.UP, f"connected to {spec.host}:{spec.port}")
                self._report(LinkState.DOWN, await Session(polls, client, spec.in_flight).run())
            finally:
                client.close()
            last_transaction = client.last_transaction
            if was_useful(client.counts):
                wait_ns = 0
                if polls.clock() - begun_ns >= STEADY_NS:
                    continue
            wait_ns = back_off_ns(wait_ns)
            await asyncio.sleep(wait_ns / NS_PER_S)

    def _report(self, state: LinkState, why: str) -> None:
        """Tell the observer where something changed; a device that stays away for days is one report, not thousands."""
        if self._state != (state, why):
            self._state = (state, why)
            self._polls.observer.link_state(self.name, self._polls.clock(), state, why)

    def _dropped(self, at_ns: int, what: str, data: bytes) -> None:
        self._polls.observer.dropped(self.name, at_ns, what, data)


def back_off_ns(before_ns: int) -> int:
    """How long to wait after an attempt that came to nothing, given the wait before it (0 for the first)."""
    return min(max(2 * before_ns, RECONNECT_FIRST_NS), RECONNECT_MAX_NS)


def was_useful(counts: Counts) -> bool:
    """Whether a connection is worth renewing at once: more of what it gave was to the point than was not."""
    return counts.answered + counts.refused > counts.unasked + counts.malformed
