"""Who a BACnet device is, and how its objects report: read once, when a link comes up. Nothing is written.

Whether farend is told of events is the device's to say: the Recipient_List of the object's Notification_Class (ASHRAE
135, 12.21) must hold its address or its device instance. Where it does not, the person who keeps the device has to
enter it; farend never does.
"""

from __future__ import annotations

import socket
from collections.abc import Iterable, Mapping
from typing import Any, Final, NamedTuple

from bacpypes3.basetypes import Destination
from bacpypes3.constructeddata import ListOf

from harness.core.errors import LinkError
from harness.core.instants import NS_PER_S
from harness.links import bacnet_apdu
from harness.links.bacnet_app import NoAnswerError, RefusedError
from harness.links.bacnet_datagrams import HostPort
from harness.links.bacnet_messages import ObjectId, Reporting, object_words
from harness.links.bacnet_polls import Device

_ListOfDestination: Final[Any] = ListOf(Destination)


async def check_identity(device: Device) -> None:
    """Raises LinkError where no device answers, or one of another instance."""
    expected = device.spec.device
    for instance in (bacnet_apdu.WILDCARD_INSTANCE, expected):
        try:
            answer = await device.ask(
                bacnet_apdu.read_one((bacnet_apdu.DEVICE, instance), bacnet_apdu.OBJECT_IDENTIFIER)
            )
        except RefusedError as exc:
            if instance == expected:
                raise LinkError(
                    f"{device.peer[0]}:{device.peer[1]} is not device instance {expected}: {exc}; look at the address "
                    "and at 'device' in the site file"
                ) from exc
            continue
        found = bacnet_apdu.value_of(answer.apdu.propertyValue)
        if found != (bacnet_apdu.DEVICE, expected):
            instance_found = found[1] if isinstance(found, tuple) and len(found) == 2 else "of no known kind"
            raise LinkError(
                f"{device.peer[0]}:{device.peer[1]} is device instance {instance_found}, expected {expected}; look at "
                "the address and at 'device' in the site file"
            )
        return


async def longest_request(device: Device) -> int | None:
    """Its Max_APDU_Length_Accepted in octets (12.11); None where it does not say. Raises NoAnswerError."""
    own = (bacnet_apdu.DEVICE, device.spec.device)
    try:
        answer = await device.ask(bacnet_apdu.read_one(own, bacnet_apdu.MAX_APDU_LENGTH_ACCEPTED))
    except RefusedError:
        return None
    return _whole(bacnet_apdu.value_of(answer.apdu.propertyValue))


async def list_objects(device: Device, most: int) -> list[ObjectId]:
    """The objects that farend can read, as the device's Object_List has them, at most so many. Raises LinkError.

    A list that does not fit into one message is read element by element (12.11).
    """
    spec, found = device.spec, list[ObjectId]()
    own = (bacnet_apdu.DEVICE, spec.device)
    try:
        answer = await device.ask(bacnet_apdu.read_one(own, bacnet_apdu.OBJECT_LIST))
    except RefusedError as exc:
        if exc.refusal.kind != "abort":
            raise
    else:
        listed = [_ours(it) for it in bacnet_apdu.values_of(answer.apdu.propertyValue)]
        return [it for it in listed if it is not None][:most]
    answer = await device.ask(bacnet_apdu.read_one(own, bacnet_apdu.OBJECT_LIST, 0))
    count = bacnet_apdu.value_of(answer.apdu.propertyValue)
    for index in range(1, (count if isinstance(count, int) else 0) + 1):
        answer = await device.ask(bacnet_apdu.read_one(own, bacnet_apdu.OBJECT_LIST, index))
        one = _ours(bacnet_apdu.value_of(answer.apdu.propertyValue))
        if one is not None:
            found.append(one)
        if len(found) >= most:
            break
    return found


def _ours(value: object) -> ObjectId | None:
    return bacnet_apdu.id_of(value) if isinstance(value, tuple) and len(value) == 2 else None


async def read_reporting(device: Device, objects: Iterable[ObjectId]) -> dict[ObjectId, Reporting]:
    """How each object reports. What cannot be read is None; raises NoAnswerError where the device is gone."""
    recipients: dict[int, _Recipient] = {}
    found: dict[ObjectId, Reporting] = {}
    for object_id in objects:
        number = bacnet_apdu.number_of(object_id)
        try:
            read, _, _ = await device.read([number], bacnet_apdu.REPORTING)
        except RefusedError as exc:
            found[object_id] = Reporting(object=object_id, why=f"how it reports cannot be read: {exc}")
            continue
        values = {name: bacnet_apdu.value_of(value) for name, value in read.get(number, {}).items()}
        which = values.get(bacnet_apdu.NOTIFICATION_CLASS_PROPERTY)
        recipient = _Recipient(
            is_listed=False, why=f"{object_words(object_id)} has no Notification_Class, so it notifies nobody"
        )
        if isinstance(which, int):
            if which not in recipients:
                recipients[which] = await _is_recipient(device, which)
            recipient = recipients[which]
        found[object_id] = _reporting(object_id, values, recipient)
    return found


def _reporting(object_id: ObjectId, values: Mapping[int, Any], recipient: _Recipient) -> Reporting:
    return Reporting(
        object=object_id,
        time_delay_ns=_seconds(values.get(bacnet_apdu.TIME_DELAY)),
        time_delay_normal_ns=_seconds(values.get(bacnet_apdu.TIME_DELAY_NORMAL)),
        notification_class=_whole(values.get(bacnet_apdu.NOTIFICATION_CLASS_PROPERTY)),
        event_enable=_bits(values.get(bacnet_apdu.EVENT_ENABLE), 3),  # type: ignore[arg-type]  # three of them
        high_limit=_real(values.get(bacnet_apdu.HIGH_LIMIT)),
        low_limit=_real(values.get(bacnet_apdu.LOW_LIMIT)),
        deadband=_real(values.get(bacnet_apdu.DEADBAND)),
        limit_enable=_bits(values.get(bacnet_apdu.LIMIT_ENABLE), 2),  # type: ignore[arg-type]  # two of them
        cov_increment=_real(values.get(bacnet_apdu.COV_INCREMENT)),
        is_recipient=recipient.is_listed,
        is_confirmed=recipient.is_confirmed,
        why=recipient.why,
    )


class _Recipient(NamedTuple):
    """Whether a Recipient_List holds farend, None where that is not known; why; and whether it is to confirm."""

    is_listed: bool | None
    why: str = ""
    is_confirmed: bool | None = None


async def _is_recipient(device: Device, notification_class: int) -> _Recipient:
    """What the list of a notification class says of farend."""
    where = f"Recipient_List of notification-class {notification_class}"
    try:
        answer = await device.ask(
            bacnet_apdu.read_one((bacnet_apdu.NOTIFICATION_CLASS, notification_class), bacnet_apdu.RECIPIENT_LIST)
        )
        destinations = list(answer.apdu.propertyValue.cast_out(_ListOfDestination))
    except RefusedError as exc:
        return _Recipient(
            is_listed=None, why=f"{where} cannot be read ({exc}), so whether farend is a recipient is not known"
        )
    except NoAnswerError:
        raise
    except Exception as exc:  # noqa: BLE001 - whatever a decoder makes of a list that it does not understand
        why = f"{where} cannot be decoded ({type(exc).__name__}), so whether farend is a recipient is not known"
        return _Recipient(is_listed=None, why=why)
    own, spec = device.app.own_address, device.spec
    named = [it for it in destinations if _names(it.recipient, own, spec.own_device)]
    if not named:
        return _Recipient(
            is_listed=False, why=f"{where} holds neither {own[0]}:{own[1]} nor device instance {spec.own_device}"
        )
    mine = [it for it in named if int(it.processIdentifier) == spec.process]
    if not mine:
        processes = ", ".join(str(int(it.processIdentifier)) for it in named)
        why = f"{where} names farend with process identifier {processes}, and this link expects {spec.process}"
        return _Recipient(is_listed=False, why=why)
    transitions = [any(bool(int(it.transitions[at])) for it in mine) for at in range(3)]
    if not (transitions[0] and transitions[2]):
        return _Recipient(
            is_listed=False, why=f"{where} names farend, but not for both transitions, to off-normal and to normal"
        )
    return _Recipient(is_listed=True, is_confirmed=all(bool(it.issueConfirmedNotifications) for it in mine))


def _names(recipient: Any, own: HostPort, own_device: int) -> bool:
    """Whether a BACnetRecipient (clause 21) is farend: its device instance, its address, or a broadcast."""
    if recipient.device is not None:
        return int(recipient.device[1]) == own_device
    address = recipient.address
    if address is None:
        return False
    octets = bytes(address.macAddress)
    if not octets:
        return True  # a broadcast
    return octets == socket.inet_aton(own[0]) + own[1].to_bytes(2, "big")


def _seconds(value: Any) -> int | None:
    whole = _whole(value)
    return None if whole is None else whole * NS_PER_S


def _whole(value: Any) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) else None


def _real(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _bits(value: Any, count: int) -> tuple[bool, ...] | None:
    return value if isinstance(value, tuple) and len(value) == count and isinstance(value[0], bool) else None
