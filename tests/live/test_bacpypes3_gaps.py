"""What bacpypes3 0.0.110 does not do, or does otherwise than it should, and what farend has because of it.

Each test fails once its gap is closed upstream; the message says which code of ours may go then.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest

pytest.importorskip("bacpypes3")

from bacpypes3.apdu import AbortPDU, ErrorPDU, RejectPDU
from bacpypes3.app import Application
from bacpypes3.ipv4 import IPv4DatagramServer
from bacpypes3.ipv4.app import NormalApplication
from bacpypes3.local.device import DeviceObject
from bacpypes3.pdu import PDU, IPv4Address
from bacpypes3.primitivedata import ObjectIdentifier

from tests.peers.free_ports import free_udp_port
from tests.peers.hand_bacnet import BINARY_INPUT, enumerated, hand_device
from tests.peers.recorder import eventually


@asynccontextmanager
async def plain_app(port: int | None = None) -> AsyncIterator[Any]:
    """bacpypes3 as it comes."""
    own = DeviceObject(objectIdentifier=("device", 77), objectName="plain", vendorIdentifier=999)
    app = NormalApplication(own, IPv4Address(f"127.0.0.1:{port or free_udp_port()}"))
    try:
        await app.normal.server._local_transport_ready.wait()
        yield app
    finally:
        app.close()
        await asyncio.sleep(0)


def test_event_notifications_are_not_received() -> None:
    for name in ("ConfirmedEventNotificationRequest", "UnconfirmedEventNotificationRequest"):
        assert not hasattr(Application, f"do_{name}"), (
            "bacpypes3 receives event notifications: see whether links/bacnet_app.BacnetApp._notified may use it"
        )


@pytest.mark.parametrize("kind", [ErrorPDU, RejectPDU, AbortPDU])
def test_refusals_are_no_exceptions(kind: type) -> None:
    assert not issubclass(kind, Exception), (
        "bacpypes3's refusals derive from Exception: links/bacnet_app.BacnetApp.confirmation need not turn them into "
        "results any more"
    )


async def test_a_dead_peer_costs_twelve_seconds_unless_told_otherwise() -> None:
    own = DeviceObject(objectIdentifier=("device", 77), objectName="plain", vendorIdentifier=999)
    await asyncio.sleep(0)  # it makes itself ready in a task
    waits_ms = int(own.apduTimeout) * (1 + int(own.numberOfApduRetries))
    assert waits_ms == 12_000, "bacpypes3's defaults are others: look at apduTimeout in links/bacnet_app.BacnetApp"


async def test_no_subscription_is_cancelled_where_its_block_ends_by_an_exception() -> None:
    async with hand_device() as device, plain_app() as app:
        device.set(BINARY_INPUT, 1, enumerated(0))
        peer = IPv4Address(device.address)

        async def leave() -> None:
            async with app.change_of_value(peer, ObjectIdentifier("binary-input,1"), 1, False, 60):
                raise OSError("left")

        with pytest.raises(OSError, match="left"):
            await leave()
        # An answered read behind it: a cancelling sent before would have been seen by now.
        await app.read_property(peer, ObjectIdentifier("binary-input,1"), "present-value")
        assert device.subscribers, (
            "bacpypes3 cancels subscriptions when their block ends by an exception: links/bacnet_cov may use its own"
        )


async def test_nobody_sees_that_a_renewal_failed() -> None:
    async with hand_device() as device, plain_app() as app:
        device.set(BINARY_INPUT, 1, enumerated(0))
        unseen: list[dict[str, Any]] = []
        asyncio.get_running_loop().set_exception_handler(lambda _, context: unseen.append(context))
        peer = IPv4Address(device.address)
        async with app.change_of_value(peer, ObjectIdentifier("binary-input,1"), 1, False, 2) as subscription:
            device.subscribes = False
            await eventually(lambda: subscription.refresh_subscription_task is not None)
            await asyncio.wait([subscription.refresh_subscription_task])
            failed = subscription.refresh_subscription_task.exception()
            assert failed is not None, "bacpypes3 takes care of a renewal that fails: links/bacnet_cov may use its own"
            assert subscription.queue.qsize() <= 2, "bacpypes3 tells of a failed renewal: links/bacnet_cov may use it"
            device.subscribes = True


async def test_every_loopback_address_on_its_own_port_counts_as_itself() -> None:
    async with plain_app() as app:
        server: IPv4DatagramServer = app.normal.server
        looped: list[Any] = []

        async def response(pdu: Any) -> None:
            looped.append(pdu)

        server.response = response
        other = IPv4Address(("127.0.0.2", server.local_address[1]))
        await server.indication(PDU(b"\x81\x0a\x00\x04", destination=other))
        assert looped, (
            "bacpypes3 sends to other loopback addresses: two devices on one port need no own server for that "
            "(links/bacnet_datagrams.DatagramServer)"
        )


async def test_a_port_is_shared_with_whoever_else_has_it() -> None:
    port = free_udp_port()
    async with plain_app(port) as first, plain_app(port) as second:
        names = [it.normal.server.local_transport.get_extra_info("sockname")[1] for it in (first, second)]
        assert names == [port, port], (
            "bacpypes3 does not share its port any more: links/bacnet_datagrams need not bind its own socket for that"
        )


async def test_a_notification_comes_without_the_time_of_its_arrival() -> None:
    async with hand_device() as device, plain_app() as app:
        device.set(BINARY_INPUT, 1, enumerated(0))
        peer = IPv4Address(device.address)
        before_ns = time.monotonic_ns()
        async with app.change_of_value(peer, ObjectIdentifier("binary-input,1"), 1, False, 60) as subscription:
            value = await asyncio.wait_for(subscription.get(), 20)
            stamps = [it for it in vars(value).values() if isinstance(it, int) and it >= before_ns]
            assert not stamps, (
                "bacpypes3 stamps notifications: links/bacnet_datagrams need not carry it in a context variable"
            )
