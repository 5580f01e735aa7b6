"""A BACnet client that hears notifications: bacpypes3 with the handlers that it leaves to its user."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from bacpypes3.apdu import (
    AcknowledgeAlarmRequest,
    ErrorRejectAbortNack,
    SimpleAckPDU,
    SubscribeCOVRequest,
    WritePropertyRequest,
)
from bacpypes3.constructeddata import Any as AnyValue
from bacpypes3.ipv4.app import NormalApplication
from bacpypes3.local.device import DeviceObject
from bacpypes3.pdu import Address, IPv4Address
from bacpypes3.primitivedata import ObjectIdentifier

DEADLINE_S = 60.0  # of one wait; virtual where the test's time is


class BacnetClient(NormalApplication):  # type: ignore[misc]
    """``events`` and ``values``: every notification that came, in order. ``answers``: whether it acknowledges them."""

    def __init__(self) -> None:
        device = DeviceObject(objectIdentifier=("device", 999), objectName="peer")
        super().__init__(device, IPv4Address(("127.0.0.1", 0)))
        self.events: list[Any] = []
        self.values: list[Any] = []
        self.answers = True
        self.port = 0
        self.peer = Address("127.0.0.1")
        self._more = asyncio.Event()

    async def open(self) -> None:
        """Bind a free port."""
        await asyncio.gather(*self.normal.server._transport_tasks)
        await self.normal.server._local_transport_ready.wait()
        self.port = self.normal.server.local_transport.get_extra_info("sockname")[1]

    def talk_to(self, port: int) -> None:
        """Requests go there from now on."""
        self.peer = Address(f"127.0.0.1:{port}")

    async def next_event(self, number: int = 1) -> Any:
        """Wait until there are so many events; the last of them."""
        await self._until(self.events, number)
        return self.events[number - 1]

    async def next_value(self, number: int = 1) -> Any:
        """Wait until there are so many change-of-value notifications; the last of them."""
        await self._until(self.values, number)
        return self.values[number - 1]

    async def read(self, object_id: str, name: str) -> Any:
        """One property."""
        return await self.read_property(self.peer, object_id, name)

    async def write(self, object_id: tuple[str, int], name: str, datum: Any) -> Any:
        """Write one property; what was answered, be it an error."""
        return await self.ask(
            WritePropertyRequest(
                objectIdentifier=ObjectIdentifier(object_id), propertyIdentifier=name, propertyValue=AnyValue(datum)
            )
        )

    async def subscribe(self, object_id: tuple[str, int], *, process: int = 1, **how: Any) -> Any:
        """SubscribeCOV; ``issueConfirmedNotifications`` and ``lifetime``, or neither to cancel."""
        return await self.ask(
            SubscribeCOVRequest(
                subscriberProcessIdentifier=process, monitoredObjectIdentifier=ObjectIdentifier(object_id), **how
            )
        )

    async def acknowledge(self, event: Any, **changed: Any) -> Any:
        """Acknowledge an event as it was notified, with some parameters changed."""
        parameters = {
            "acknowledgingProcessIdentifier": 1,
            "eventObjectIdentifier": event.eventObjectIdentifier,
            "eventStateAcknowledged": event.toState,
            "timeStamp": event.timeStamp,
            "acknowledgmentSource": "desk",
            "timeOfAcknowledgment": event.timeStamp,
        }
        return await self.ask(AcknowledgeAlarmRequest(**(parameters | changed)))

    async def ask(self, request: Any) -> Any:
        """The answer to a request, be it an error, a reject or an abort."""
        request.pduDestination = self.peer
        try:
            return await self.request(request)
        except ErrorRejectAbortNack as answer:
            return answer

    async def _until(self, heard: list[Any], number: int) -> None:
        async with asyncio.timeout(DEADLINE_S):
            while len(heard) < number:
                self._more.clear()
                await self._more.wait()

    async def _heard(self, heard: list[Any], apdu: Any, *, confirmed: bool) -> None:
        heard.append(apdu)
        self._more.set()
        if confirmed and self.answers:
            await self.response(SimpleAckPDU(context=apdu))

    async def do_ConfirmedEventNotificationRequest(self, apdu: Any) -> None:  # noqa: N802 - bacpypes3 looks for it
        await self._heard(self.events, apdu, confirmed=True)

    async def do_UnconfirmedEventNotificationRequest(self, apdu: Any) -> None:  # noqa: N802
        await self._heard(self.events, apdu, confirmed=False)

    async def do_ConfirmedCOVNotificationRequest(self, apdu: Any) -> None:  # noqa: N802
        await self._heard(self.values, apdu, confirmed=True)

    async def do_UnconfirmedCOVNotificationRequest(self, apdu: Any) -> None:  # noqa: N802
        await self._heard(self.values, apdu, confirmed=False)


@asynccontextmanager
async def bacnet_client() -> AsyncIterator[BacnetClient]:
    """A client on a port of its own."""
    client = BacnetClient()
    await client.open()
    try:
        yield client
    finally:
        client.close()
        await asyncio.sleep(0)


def value_of(notification: Any) -> tuple[Any, list[int]]:
    """Present_Value, as it was encoded, and Status_Flags of a change-of-value notification."""
    from bacpypes3.basetypes import StatusFlags

    value, flags = notification.listOfValues
    assert (str(value.propertyIdentifier), str(flags.propertyIdentifier)) == ("present-value", "status-flags")
    return value.value, list(flags.value.cast_out(StatusFlags))
