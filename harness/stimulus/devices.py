"""The connections of an armed stimulus to its devices: opened when first needed, one for each link, closed together.

A serial bus has one master, and its listener is that master: what is written or read there travels between its polls.
"""

from __future__ import annotations

from collections.abc import Awaitable, Iterable
from typing import TYPE_CHECKING, Final, Protocol

from harness.core.errors import LinkError, SafetyError
from harness.core.instants import NS_PER_S, Clock
from harness.core.links import BacnetLink, ModbusRtuLink, ModbusTcpLink
from harness.core.model import Site
from harness.links.modbus_client import Answer, ModbusClient, RequestRefusedError
from harness.links.modbus_pdu import ReadRequest
from harness.stimulus.modbus_writes import WriteRequest

if TYPE_CHECKING:
    from bacpypes3.apdu import APDU

    from harness.links.bacnet_app import Answer as BacnetAnswer
    from harness.stimulus.bacnet_own import OwnApps

CONNECT_TRIES: Final = 2


class Carrier(Protocol):
    """A link that carries requests of others between its own, such as a serial bus that farend polls."""

    name: str

    def carry(self, request: ReadRequest | WriteRequest) -> Awaitable[Answer]:
        """Send it as soon as the line is free; ExchangeError where it gets no good answer, or the link is down."""


class Devices:
    """Exchanges requests with the devices of a site. Use it in one task."""

    def __init__(self, site: Site, clock: Clock) -> None:
        self._site = site
        self.clock = clock
        self._clients: dict[str, ModbusClient] = {}
        self._carriers: dict[str, Carrier] = {}
        self._apps: OwnApps | None = None
        self._without_echoes: set[str] = set()
        """Buses on which what was sent is known not to come back."""

    def over(self, carriers: Iterable[Carrier]) -> None:
        """Serial buses that are polled in this run: what is written there goes through their sessions."""
        self._carriers |= {it.name: it for it in carriers}

    def apart(self) -> Devices:
        """The same devices over connections of their own, and over the same carriers."""
        made = Devices(self._site, self.clock)
        made.over(self._carriers.values())
        return made

    async def close(self) -> None:
        """Close what was opened; the carriers are not ours."""
        for client in self._clients.values():
            client.close()
        self._clients.clear()
        if self._apps is not None:
            await self._apps.close()

    # --- Modbus ---

    async def exchange(self, link: str, request: ReadRequest | WriteRequest) -> Answer:
        """The answer of a Modbus device. Raises LinkError where it cannot be reached, else ExchangeError."""
        spec = self._site.links[link]
        if isinstance(spec, ModbusRtuLink):
            carrier = self._carriers.get(link)
            if carrier is None:
                raise LinkError(f"link={link}: farend does not poll this bus in this run, so nothing can be sent there")
            if isinstance(request, WriteRequest) and request.pdu == request.answer_pdu:
                await self._without_echo(carrier, request)
            return await carrier.carry(request)
        if not isinstance(spec, ModbusTcpLink):
            raise SafetyError(f"link={link}: a write needs a Modbus link; this one can only be listened to")
        client = await self._client(spec)
        try:
            return await client.exchange(request, spec.timeout_ns)
        except RequestRefusedError:
            raise
        except BaseException:
            # The answers to a raise and to a clear look alike. Over a new connection a late one cannot come.
            client.close()
            raise

    async def _without_echo(self, carrier: Carrier, request: WriteRequest) -> None:
        """Read once first: an RS-485 adapter that echoes would answer a write in the place of the unit, byte for byte.

        What is read is never its own answer, so that an echo fails there. Raises LinkError, and nothing is written.
        """
        if carrier.name in self._without_echoes:
            return
        try:
            await carrier.carry(ReadRequest(unit=request.unit, table=request.table, address=request.address, count=1))
        except RequestRefusedError:
            pass  # a refusal is the unit's own word too
        except LinkError as exc:
            raise LinkError(f"nothing was written, since a read before it failed: {exc}") from exc
        self._without_echoes.add(carrier.name)

    async def _client(self, spec: ModbusTcpLink) -> ModbusClient:
        client = self._clients.get(spec.name)
        if client is None or not client.is_open:
            client = ModbusClient(spec.host, spec.port, self.clock)
            await client.connect(min(spec.timeout_ns * CONNECT_TRIES, 5 * NS_PER_S))
            self._clients[spec.name] = client
        return client

    # --- BACnet ---

    async def ask(self, link: str, apdu: APDU) -> BacnetAnswer:
        """The answer of a BACnet device, asked from an application of our own. Raises LinkError."""
        from harness.links.bacnet_app import resolved  # it brings a protocol stack along

        spec = self._site.links[link]
        if not isinstance(spec, BacnetLink):
            raise SafetyError(f"link={link}: expected a BACnet link; this one has no objects")
        app = await self.apps.open(spec)
        return await app.ask(apdu, await resolved(spec.host, spec.port), spec.timeout_ns)

    @property
    def apps(self) -> OwnApps:
        """The applications over which BACnet devices are asked."""
        if self._apps is None:
            from harness.stimulus.bacnet_own import OwnApps as Apps  # as above

            self._apps = Apps(self.clock)
        return self._apps
