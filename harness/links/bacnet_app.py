"""farend as a BACnet/IP device: one application for every listen host and port, shared by the links that name it.

bacpypes3 gives the layers below (BVLL, network, segmentation, codec); this module stamps, dispatches and keeps quiet.
What it sends is what its links ask for (reads, Who-Is, SubscribeCOV), a SimpleAck for each confirmed notification, an
I-Am to whoever asks for exactly its own device instance (a Recipient_List may name farend by it), a reject to any
other request, and the registration as a foreign device where one is declared.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final, Protocol

from bacpypes3.apdu import (
    APDU,
    AbortPDU,
    APCISequence,
    ComplexAckPDU,
    ConfirmedRequestPDU,
    IAmRequest,
    RejectPDU,
    RejectReason,
    SimpleAckPDU,
    WhoIsRequest,
)
from bacpypes3.app import Application
from bacpypes3.appservice import ApplicationServiceAccessPoint
from bacpypes3.basetypes import Segmentation
from bacpypes3.comm import ServiceAccessPoint, bind
from bacpypes3.ipv4.bvll import BVLLCodec
from bacpypes3.ipv4.service import BIPForeign, BIPNormal, UDPMultiplexer
from bacpypes3.local.device import DeviceObject
from bacpypes3.netservice import NetworkServiceAccessPoint, NetworkServiceElement
from bacpypes3.pdu import IPv4Address, LocalBroadcast, RemoteStation

from harness.core.errors import LinkError
from harness.core.instants import NS_PER_MS, NS_PER_S, Clock
from harness.core.links import BacnetLink
from harness.links.bacnet_apdu import DEVICE, READ, Refusal, Results, refusal_of, results_of
from harness.links.bacnet_datagrams import ARRIVAL, SENT, Arrival, DatagramServer, HostPort, Sent, local_address
from harness.links.bacnet_messages import LATE_ANSWER

APDU_BYTES_MAX: Final = 1476
"""What fits into one datagram over Ethernet (Annex J)."""

READ_PROPERTY_MULTIPLE: Final = 14
"""BACnetConfirmedServiceChoice (ASHRAE 135, 21)."""

ANSWERS_KEPT: Final = 32
"""Answers to polls of which is kept what they say: decoding one of 20 objects takes 6 ms, and most say what an answer
about the same objects said just before."""

_NOTIFICATIONS: Final = (
    "ConfirmedCOVNotificationRequest",
    "UnconfirmedCOVNotificationRequest",
    "ConfirmedEventNotificationRequest",
    "UnconfirmedEventNotificationRequest",
)


class NoAnswerError(LinkError):
    """A request was not answered in time, or could not be sent. ``asked_ns`` to ``given_up_ns``: when it was tried."""

    def __init__(self, why: str, asked_ns: int, given_up_ns: int) -> None:
        self.asked_ns = asked_ns
        self.given_up_ns = given_up_ns
        super().__init__(why)


class RefusedError(LinkError):
    """A request was answered by an Error, Reject or Abort."""

    def __init__(self, refusal: Refusal, asked_ns: int, told_ns: int) -> None:
        self.refusal = refusal
        self.asked_ns = asked_ns
        self.given_up_ns = told_ns
        super().__init__(str(refusal))


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """An answer: asked just before the request's first datagram went out, told just after its last one came in."""

    apdu: Any
    asked_ns: int
    told_ns: int


class DeviceSide(Protocol):
    """What a link takes from the application. Calls never block."""

    device: int
    peer: HostPort

    def notified(self, apdu: Any, arrival: Arrival) -> None:
        """A notification of this device, from its address."""

    def heard_i_am(self, source: HostPort, arrival: Arrival, network: int | None) -> None:
        """Somebody says that he is a device of this instance; ``network``: behind which router's, None where direct."""

    def dropped(self, at_ns: int, what: str, data: bytes) -> None:
        """A datagram from this device's address that did not fit."""

    def overflowed(self, since_ns: int) -> None:
        """This computer dropped datagrams of anybody's, since then."""


class _AccessPoint(ApplicationServiceAccessPoint):  # type: ignore[misc]  # bacpypes3 publishes no types
    """Tells a late answer from bytes that make no sense, and decodes what says the same as before only once."""

    def __init__(self, device: DeviceObject, cache: Any) -> None:
        super().__init__(device, cache)
        self._results: dict[bytes, Results] = {}
        """By the octets of its service: what ReadPropertyMultiple gave, the one not asked for longest first."""

    async def sap_response(self, apdu: Any) -> None:
        if not isinstance(apdu, ComplexAckPDU) or apdu.apduService != READ_PROPERTY_MULTIPLE:
            await super().sap_response(apdu)
            return
        data = bytes(apdu.pduData)
        results = self._results.pop(data, None)
        if results is None:
            fresh = ComplexAckPDU()
            fresh.update(apdu)
            fresh.put_data(data)
            try:
                results = results_of(APCISequence.decode(fresh))
            except Exception:  # noqa: BLE001 - whatever it is, bacpypes3 makes an error answer of it
                await super().sap_response(apdu)
                return
        if all(number in READ for values in results.values() for number in values):
            self._results[data] = results
        if len(self._results) > ANSWERS_KEPT:
            del self._results[next(iter(self._results))]
        apdu.results = results
        await ServiceAccessPoint.sap_response(self, apdu)

    async def confirmation(self, pdu: Any) -> None:
        arrival = ARRIVAL.get()
        is_answer = bool(pdu.pduData) and pdu.pduData[0] >> 4 in range(2, 8)
        await super().confirmation(pdu)
        if is_answer and arrival is not None and not arrival.taken:
            arrival.taken = True
            app: BacnetApp = self.serviceElement
            app.drop(arrival.source, arrival.last_ns, LATE_ANSWER, bytes(pdu.pduData))


class _QuietNetworkElement(NetworkServiceElement):  # type: ignore[misc]  # as above
    """A listener is no router, and answers nothing of that layer."""

    async def indication(self, adapter: Any, npdu: Any) -> None:
        del adapter, npdu
        _take()

    async def confirmation(self, adapter: Any, npdu: Any) -> None:
        del adapter, npdu
        _take()


class BacnetApp(Application):  # type: ignore[misc]  # as above
    """One open application. ``open`` and ``close`` are called by :class:`BacnetPorts`."""

    def __init__(self, spec: BacnetLink, clock: Clock) -> None:
        super().__init__()
        self.clock = clock
        self.sides: list[DeviceSide] = []
        self.own_device = spec.own_device
        # A retry would be stamped like the first try, so there are none: the next poll comes soon enough, and what
        # matters (a subscription) is asked again by its own rule. Answers that come later find their request gone.
        self._own = DeviceObject(
            objectIdentifier=("device", spec.own_device),
            objectName=f"farend-{spec.own_device}",
            vendorIdentifier=0,
            maxApduLengthAccepted=APDU_BYTES_MAX,
            segmentationSupported=Segmentation.segmentedReceive,
            apduTimeout=spec.timeout_ns // NS_PER_MS,
            numberOfApduRetries=0,
        )
        self.asap = _AccessPoint(self._own, self.device_info_cache)
        self.asap.maxApduLengthAccepted = APDU_BYTES_MAX
        self.nsap = NetworkServiceAccessPoint()
        self.nse = _QuietNetworkElement()
        bind(self.nse, self.nsap)
        bind(self, self.asap, self.nsap)
        self.add_object(self._own)
        # A late answer to a request of an earlier run must not find one of this run under the same invoke id.
        self.next_invoke_id = clock() // NS_PER_MS % 256
        self.datagrams = DatagramServer(clock, self.drop)
        self.datagrams.overflowed = self._overflowed
        self._foreign: BIPForeign | None = None

    def allow(self, timeout_ns: int) -> None:
        """Wait at least so long for answers: links that share an application may differ."""
        self._own.apduTimeout = max(int(self._own.apduTimeout), -(-timeout_ns // NS_PER_MS))

    async def open(self, spec: BacnetLink) -> None:
        """Open the sockets, and register as a foreign device where that is declared. Raises LinkError."""
        peer = await resolved(spec.host, spec.port)
        local = local_address(spec.listen_host, peer)
        await self.datagrams.open(spec.listen_host, spec.listen_port, local, spec.listen_prefix)
        self._foreign = None if spec.bbmd_host is None else BIPForeign()
        layer = BIPNormal() if self._foreign is None else self._foreign
        multiplexer = UDPMultiplexer()
        bind(layer, BVLLCodec(), multiplexer.annexJ)
        bind(multiplexer, self.datagrams)
        self.nsap.bind(layer, address=IPv4Address(self.datagrams.own))
        if self._foreign is not None and spec.bbmd_host is not None:
            bbmd = await resolved(spec.bbmd_host, spec.bbmd_port)
            self._foreign.register(IPv4Address(bbmd), spec.registration_ttl_s)

    async def close(self) -> None:
        """End the registration and close the sockets."""
        if self._foreign is not None and self._foreign.bbmdAddress is not None:
            bbmd = self._foreign.bbmdAddress
            for name in ("_registration_handle", "_registration_timeout_handle", "_reregistration_timeout_handle"):
                handle = getattr(self._foreign, name, None)
                if handle is not None:
                    handle.cancel()
            await self._foreign._stop_registration(bbmd)  # noqa: SLF001 - its unregister() does it in a task nobody awaits
        for transaction in (*self.asap.clientTransactions, *self.asap.serverTransactions):
            transaction.stop_timer()
        await self.datagrams.close()

    @property
    def is_registered(self) -> bool:
        """True where no registration is needed, or the BBMD has confirmed it."""
        return self._foreign is None or self._foreign.bbmdRegistrationStatus == 0

    @property
    def own_address(self) -> HostPort:
        """By which others know this application."""
        return self.datagrams.own

    async def ask(self, apdu: APDU, peer: HostPort, timeout_ns: int) -> Answer:
        """Send a confirmed request and wait for its answer. Raises NoAnswerError or RefusedError.

        The future that bacpypes3 gives is never an exception here: its refusals derive from BaseException.
        """
        sent = Sent()
        apdu.pduDestination = IPv4Address(peer)
        begun_ns = self.clock()
        token = SENT.set(sent)
        try:
            future = self.request(apdu)
        finally:
            SENT.reset(token)
        try:
            async with asyncio.timeout(timeout_ns / NS_PER_S):
                answer, told_ns = await future
        except TimeoutError:
            answer, told_ns = None, 0
        finally:
            future.cancel()
            self._forget(apdu)
        asked_ns = sent.at_ns or begun_ns
        if told_ns:
            refusal = refusal_of(answer)
            if refusal is not None:
                raise RefusedError(refusal, asked_ns, told_ns)
            return Answer(apdu=answer, asked_ns=asked_ns, told_ns=told_ns)
        why = sent.why or f"no answer within {timeout_ns / NS_PER_S:g} s"
        raise NoAnswerError(f"{peer[0]}:{peer[1]}: {why}", asked_ns, self.clock())

    def _forget(self, apdu: Any) -> None:
        """A request that is over holds no timer: bacpypes3 would wait for its answer until its own time is up."""
        for transaction in tuple(self.asap.clientTransactions):
            same = transaction.invokeID == apdu.apduInvokeID and transaction.pdu_address == apdu.pduDestination
            if same:
                transaction.stop_timer()
                self.asap.clientTransactions.remove(transaction)

    async def who_is_there(self, device: int, peer: HostPort) -> None:
        """Who-Is for one instance, to its own address and, where this network has one, to the broadcast address."""
        for target in (IPv4Address(peer), LocalBroadcast()):
            request = WhoIsRequest(deviceInstanceRangeLowLimit=device, deviceInstanceRangeHighLimit=device)
            request.pduDestination = target
            if isinstance(target, IPv4Address) or self._may_broadcast():
                await self.asap.sap_indication(request)

    def _may_broadcast(self) -> bool:
        if self._foreign is not None:
            return self.is_registered
        return self.datagrams.broadcast is not None

    # --- what comes in --------------------------------------------------------------------------------

    async def indication(self, apdu: Any) -> None:
        """A request of somebody else's: nothing but notifications is served."""
        if isinstance(apdu, AbortPDU):
            return  # of bacpypes3 itself, for a request that it could not decode: it counts as not taken
        arrival = _take()
        if arrival is None:
            return
        name = type(apdu).__name__
        if name in _NOTIFICATIONS:
            await self._notified(apdu, arrival, is_confirmed=name.startswith("Confirmed"))
        elif isinstance(apdu, IAmRequest):
            # Forwarded by a BBMD, it comes from the BBMD's address and is of another.
            source: HostPort = getattr(apdu.pduSource, "addrTuple", arrival.source)
            network = apdu.pduSource.addrNet if isinstance(apdu.pduSource, RemoteStation) else None
            for side in self.sides:
                if side.device == int(apdu.iAmDeviceIdentifier[1]):
                    side.heard_i_am(source, arrival, network)
        elif isinstance(apdu, WhoIsRequest):
            await self._say_who_i_am(apdu)
        elif isinstance(apdu, ConfirmedRequestPDU):
            await self.response(RejectPDU(reason=RejectReason.unrecognizedService, context=apdu))

    async def _notified(self, apdu: Any, arrival: Arrival, *, is_confirmed: bool) -> None:
        device = int(apdu.initiatingDeviceIdentifier[1])
        if is_confirmed:
            # Whoever sends it would send it again, and a device may hold back its other notifications until then.
            await self.response(SimpleAckPDU(context=apdu))
        source: HostPort = getattr(apdu.pduSource, "addrTuple", arrival.source)  # of a router: not from one of ours
        for side in self.sides:
            if side.peer != source:
                continue
            if side.device == device:
                side.notified(apdu, arrival)
            else:
                what = f"a notification of device instance {device}, expected {side.device}"
                side.dropped(arrival.last_ns, what, b"")

    async def _say_who_i_am(self, apdu: Any) -> None:
        low, high = apdu.deviceInstanceRangeLowLimit, apdu.deviceInstanceRangeHighLimit
        if low is None or high is None or not int(low) == self.own_device == int(high):
            return
        answer = IAmRequest(
            iAmDeviceIdentifier=(DEVICE, self.own_device),
            maxAPDULengthAccepted=APDU_BYTES_MAX,
            segmentationSupported=Segmentation.segmentedReceive,
            vendorID=0,
        )
        answer.pduDestination = apdu.pduSource
        await self.asap.sap_indication(answer)

    async def confirmation(self, apdu: Any) -> None:
        """The answer to a request of ours, stamped; a future's result even where it refuses."""
        arrival = _take()
        told_ns = 0 if arrival is None else arrival.last_ns
        for request, future in self._requests.get(apdu.pduSource, ()):
            if request.apduInvokeID == apdu.apduInvokeID and not future.done():
                future.set_result((apdu, told_ns))
                return
        if arrival is not None:
            arrival.taken = False

    def drop(self, source: HostPort, at_ns: int, what: str, data: bytes) -> None:
        """A datagram that did not fit: told to the links whose device sent it; strangers' do not concern a record."""
        for side in self.sides:
            if side.peer == source:
                side.dropped(at_ns, what, data)

    def _overflowed(self, since_ns: int) -> None:
        for side in self.sides:
            side.overflowed(since_ns)


@dataclass(slots=True)
class _Open:
    app: BacnetApp
    users: int = 0
    bbmd: tuple[str | None, int] = (None, 0)


@dataclass(slots=True)
class BacnetPorts:
    """The applications of one run by listen host and port: links that name the same share one socket."""

    _open: dict[HostPort, _Open] = field(default_factory=dict)
    _lock: asyncio.Lock = field(default_factory=asyncio.Lock)

    async def open(self, spec: BacnetLink, clock: Clock) -> BacnetApp:
        """The application for a link, opened where it is the first. Raises LinkError."""
        async with self._lock:
            key, bbmd = (spec.listen_host, spec.listen_port), (spec.bbmd_host, spec.bbmd_port)
            found = self._open.get(key)
            if found is None:
                app = BacnetApp(spec, clock)
                try:
                    await app.open(spec)
                except BaseException:
                    await app.close()
                    raise
                found = self._open[key] = _Open(app, bbmd=bbmd)
            if found.bbmd != bbmd or found.app.own_device != spec.own_device:
                raise LinkError(
                    f"link {spec.name}: listens on {key[0]}:{key[1]} like another link, with another own device or "
                    "BBMD; give both the same, or another port"
                )
            found.app.allow(spec.timeout_ns)
            found.users += 1
            return found.app

    async def close(self, spec: BacnetLink) -> None:
        """A link needs it no longer; the last one closes it."""
        async with self._lock:
            key = (spec.listen_host, spec.listen_port)
            found = self._open[key]
            found.users -= 1
            if found.users == 0:
                del self._open[key]
                await found.app.close()


async def resolved(host: str, port: int) -> HostPort:
    """The IPv4 address of a host. LinkError where it has none."""
    try:
        found = await asyncio.get_running_loop().getaddrinfo(host, port, family=socket.AF_INET, type=socket.SOCK_DGRAM)
    except OSError as exc:
        raise LinkError(f"host={host}: {exc.strerror or exc}; expected an IPv4 address or a name that has one") from exc
    address: HostPort = found[0][4][:2]  # type: ignore[assignment]
    return address


def _take() -> Arrival | None:
    arrival = ARRIVAL.get()
    if arrival is not None:
        arrival.taken = True
    return arrival


Opened = Callable[[], BacnetApp]
