"""WriteProperty as octets: the example of ASHRAE 135, Annex F.3.9 (informative), and what 20.2 adds to it."""

from __future__ import annotations

from typing import Any

import pytest

pytest.importorskip("bacpypes3")

from harness.core.places import ObjectType
from harness.core.writing import ObjectProperty, PropertyWrite
from harness.stimulus.bacnet_property import request_of

PRESENT, OUT = ObjectProperty.PRESENT_VALUE, ObjectProperty.OUT_OF_SERVICE
AV, BI, BO, BV, MSV = (
    ObjectType.ANALOG_VALUE,
    ObjectType.BINARY_INPUT,
    ObjectType.BINARY_OUTPUT,
    ObjectType.BINARY_VALUE,
    ObjectType.MULTI_STATE_VALUE,
)


def octets(
    object_type: ObjectType, instance: int, value: float | None, prop: ObjectProperty = PRESENT, **rest: Any
) -> str:
    write = PropertyWrite(
        link="building", object_type=object_type, instance=instance, property=prop, value=value, **rest
    )
    request: Any = request_of(write)
    request.apduInvokeID = 89
    generic = request.encode()
    return (bytes((generic.apduService,)) + bytes(generic.pduData)).hex(" ").upper()


def test_f_3_9_analog_value_1_to_180() -> None:
    assert octets(AV, 1, 180.0) == "0F 0C 00 80 00 01 19 55 3E 44 43 34 00 00 3F"


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        # A priority is context tag 4 behind the value (15.9); Null, enumerated, unsigned and boolean are application
        # tags 0, 9, 2 and 1 (20.2). Derived from the rules: no example is published.
        (octets(AV, 1, 180.0, priority=8), "0F 0C 00 80 00 01 19 55 3E 44 43 34 00 00 3F 49 08"),
        (octets(BV, 7, 1, priority=8), "0F 0C 01 40 00 07 19 55 3E 91 01 3F 49 08"),
        (octets(BV, 7, None, priority=8), "0F 0C 01 40 00 07 19 55 3E 00 3F 49 08"),
        (octets(BO, 7, 0, priority=16), "0F 0C 01 00 00 07 19 55 3E 91 00 3F 49 10"),
        (octets(MSV, 3, 300, priority=9), "0F 0C 04 C0 00 03 19 55 3E 22 01 2C 3F 49 09"),
        (octets(BI, 5, 1, OUT), "0F 0C 00 C0 00 05 19 51 3E 11 3F"),
        (octets(BI, 5, 0, OUT), "0F 0C 00 C0 00 05 19 51 3E 10 3F"),
        (octets(BI, 5, 1), "0F 0C 00 C0 00 05 19 55 3E 91 01 3F"),
        (octets(AV, 2, 80.0, ObjectProperty.HIGH_LIMIT), "0F 0C 00 80 00 02 19 2D 3E 44 42 A0 00 00 3F"),
        (octets(AV, 2, -1.5, ObjectProperty.LOW_LIMIT), "0F 0C 00 80 00 02 19 3B 3E 44 BF C0 00 00 3F"),
    ],
)
def test_each_kind_of_value(written: str, expected: str) -> None:
    assert written == expected
