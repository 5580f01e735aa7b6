"""Up to where a passed row proves that an alarm went, by the kind of link and place; and what it does not prove. Pure.

Whatever is read for oneself is proved only as far as it was read: not that anybody else reads, understands or shows it.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.core.links import (
    BacnetLink,
    BusWay,
    LinkSpec,
    ModbusRtuLink,
    ModbusTcpLink,
    MqttLink,
    PersonLink,
    TextLink,
)
from harness.core.model import Point, Site
from harness.core.places import Arrival, BacnetPlace, ModbusPlace, Place


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """``up_to``: the last thing that is proved, as words after "proved up to"; ``not_proved``: what follows it."""

    up_to: str
    not_proved: str


def proof_of(site: Site, point: Point) -> Proof:
    """What a pass at this point proves."""
    link = site.links[point.link]
    proof = _proof(link, point.place)
    before = site.before(point.link)
    if not before:
        return proof
    return Proof(
        up_to=f"{proof.up_to}, by way of {', then '.join(reversed(before))}",
        not_proved=proof.not_proved,
    )


def _proof(link: LinkSpec, place: Place) -> Proof:
    if isinstance(place, ModbusPlace | BacnetPlace) and place.loop is not None:
        return Proof(
            up_to="the current that the loop's analog input reads, as it was answered to farend",
            not_proved="that another receiver in the loop sees the same current, takes it for the alarm, or shows it",
        )
    match link:
        case ModbusTcpLink():
            return Proof(
                up_to="the bit or register that this device answered to farend's own read",
                not_proved="that the building system reads the same address, understands it in the same way, or shows "
                "it to anyone",
            )
        case ModbusRtuLink(way=BusWay.RECEIVE_ONLY):
            return Proof(
                up_to="the bit or register that this bus's own master was answered, as farend overheard it",
                not_proved="that the master understands it in the same way, or shows it to anyone",
            )
        case ModbusRtuLink():
            return Proof(
                up_to="the bit or register that this unit of the bus answered to farend, which was its only master",
                not_proved="that the master which the bus has otherwise reads the same address, understands it in the "
                "same way, or shows it to anyone",
            )
        case BacnetLink():
            return _of_bacnet(place)
        case TextLink():
            way = "the connection to the serial device server" if link.host else "the serial line"
            return Proof(
                up_to=f"the text that arrived at farend on {way}",
                not_proved="that a printer on the same line had paper and printed it; that anyone read it",
            )
        case MqttLink():
            return Proof(
                up_to="the message that the broker passed on to farend",
                not_proved="that any other subscriber got it, understands it in the same way, or shows it to anyone",
            )
        case PersonLink():
            return _of_person(link)


def _of_bacnet(place: Place) -> Proof:
    match place:
        case BacnetPlace(arrives=Arrival.COV):
            return Proof(
                up_to="the COV notification that this device sent to farend's own subscription",
                not_proved="that any other subscriber gets one, understands it in the same way, or shows it to anyone",
            )
        case BacnetPlace(arrives=Arrival.EVENT):
            return Proof(
                up_to="the event notification that this device sent to farend as one of its recipients",
                not_proved="that any other recipient gets it, shows it to anyone, or lets anyone acknowledge it",
            )
    return Proof(
        up_to="the property that this device answered to farend's own read",
        not_proved="that it notifies anyone of it; that the building system reads the same property, understands it in "
        "the same way, or shows it to anyone",
    )


def _of_person(link: PersonLink) -> Proof:
    if not link.in_sight:
        return Proof(
            up_to="what a person who went there reported to have seen or heard; not when it began",
            not_proved="how long it took; that it is noticed by somebody who does not wait for it",
        )
    return Proof(
        up_to="what a person reported to have seen or heard, within the stated reaction time",
        not_proved="more of what stayed off than their word that they kept looking; that it is noticed by somebody who "
        "does not wait for it",
    )
