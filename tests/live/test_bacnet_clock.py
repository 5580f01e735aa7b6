"""A device's clock as it is read: octets of the standard, one by one or together, and devices that have none."""

from __future__ import annotations

import struct

import pytest
from bacpypes3.constructeddata import Any as AnyValue
from bacpypes3.primitivedata import Date, Real, Time

from harness.core.instants import NS_PER_MS
from harness.links.bacnet_apdu import four_of
from harness.links.bacnet_messages import ClockRead, Stamp, decode, encode
from tests.live.test_bacnet_life import up
from tests.peers.bacnet import bacnet_point
from tests.peers.hand_bacnet import BINARY_INPUT, DEVICE, HandDevice, enumerated, hand_device
from tests.peers.recorder import Recorder

LOCAL_DATE, LOCAL_TIME = 56, 57
DATE = bytes((0xA4, 0x5B, 0x01, 0x18, 0x05))
TIME = bytes((0xB4, 0x11, 0x23, 0x2D, 0x11))
"""1991-01-24, a Thursday by the standard's own example, and 17:35:45.17 (ASHRAE 135, 20.2.12 and 20.2.13)."""


def clocks_of(heard: Recorder) -> list[ClockRead]:
    return [said for _, _, _, data in heard.lines if isinstance(said := decode(data), ClockRead)]


def asked_for_clock(device: HandDevice) -> int:
    """How many requests name Local_Time: the property's number behind a context tag 0 (15.7)."""
    return sum(bytes((0x09, LOCAL_TIME)) in request for request in device.requests)


@pytest.mark.parametrize("knows_multiple", [True, False])
async def test_a_clock_is_read_between_asking_and_being_told(knows_multiple: bool) -> None:
    async with hand_device(knows_multiple=knows_multiple) as device:
        device.set(BINARY_INPUT, 1, enumerated(0))
        device.values.setdefault((DEVICE, device.instance), {}).update({LOCAL_DATE: DATE, LOCAL_TIME: TIME})
        async with up(device, [bacnet_point(1)]) as (heard, _):
            await heard.until(lambda: bool(clocks_of(heard)) and len(heard.polls) >= 3)
    assert clocks_of(heard) == [ClockRead(stamp=Stamp(time=(17, 35, 45, 17), date=(91, 1, 24, 5)))]
    (first_ns, last_ns) = next((first, last) for _, first, last, data in heard.lines if b'"clock"' in data)
    assert last_ns - first_ns > 0
    assert not heard.failures


async def test_a_device_without_a_clock_is_asked_once() -> None:
    async with hand_device() as device:
        device.set(BINARY_INPUT, 1, enumerated(0))
        async with up(device, [bacnet_point(1)]) as (heard, _):
            await heard.until(lambda: len(heard.polls) >= 5)
    assert clocks_of(heard) == []
    assert asked_for_clock(device) == 1
    assert not heard.failures


async def test_a_device_whose_clock_cannot_be_read_still_is_polled() -> None:
    async with hand_device() as device:
        device.set(BINARY_INPUT, 1, enumerated(0))
        device.values.setdefault((DEVICE, device.instance), {})[LOCAL_TIME] = b""  # an answer that cannot be read
        async with up(device, [bacnet_point(1)], timeout_ns=100 * NS_PER_MS) as (heard, _):
            await heard.until(lambda: len(heard.polls) >= 5)
    assert clocks_of(heard) == []


def test_what_is_no_date_and_no_time() -> None:
    """Encoded by bacpypes3."""
    assert four_of(AnyValue(Date((126, 11, 25, 3)))) == (126, 11, 25, 3)
    assert four_of(AnyValue(Time((1, 2, 3, 255)))) == (1, 2, 3, 255)
    assert four_of(AnyValue(Real(1.5))) is None
    assert four_of(None) is None


def test_as_a_record_keeps_it() -> None:
    for stamp in (Stamp(time=(1, 2, 3, 4), date=(126, 11, 25, 3)), Stamp(time=(1, 2, 3, 255))):
        assert decode(encode(ClockRead(stamp=stamp))) == ClockRead(stamp=stamp)
    assert struct.unpack(">4B", TIME[1:]) == (17, 35, 45, 17)
