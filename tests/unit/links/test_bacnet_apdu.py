"""Examples of ASHRAE 135, Annex F (informative), through what the listener makes of them and sends."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pytest

pytest.importorskip("bacpypes3")

from bacpypes3.apdu import APDU, APCISequence
from bacpypes3.pdu import PDU

from harness.core.links import CovKind
from harness.core.model import Acknowledgement
from harness.core.places import ObjectType
from harness.links import bacnet_apdu
from harness.links.bacnet_messages import NOTIFY_ACK, EventNotice, Stamp, ValueChange
from harness.links.bacnet_values import ObjectReading, Status
from harness.stimulus.bacnet_acknowledge import request_of, to_acknowledge

AI10, AI2 = (ObjectType.ANALOG_INPUT, 10), (ObjectType.ANALOG_INPUT, 2)
COV = "09121C020000042C0000000A39004E09552E444282000 02F096F2E8204002F4F".replace(" ", "")
EVENT_TAIL = "2C000000023E19103F49045964690589009901A900B903CE5E0C42A033331A04802C3F8000003C42A000005FCF"


def decoded(octets: str) -> Any:
    return APCISequence.decode(APDU.decode(PDU(bytes.fromhex(octets))))


def encoded(request: Any, invoke: int) -> str:
    """A request's octets with the header that Annex F gives it: service choice from the fourth octet on."""
    request.apduInvokeID = invoke
    generic = request.encode()
    return bytes((generic.apduService,)).hex().upper() + bytes(generic.pduData).hex().upper()


@pytest.mark.parametrize(("header", "invoke"), [("00020F01", 15), ("1002", None)])
def test_f_1_2_and_f_1_3_change_of_value(header: str, invoke: int | None) -> None:
    assert bacnet_apdu.change_of(decoded(header + COV)) == ValueChange(
        object=AI10,
        process=18,
        invoke=invoke,
        remaining_s=0,
        reading=ObjectReading(value=65.0, status=Status(0)),
    )


@pytest.mark.parametrize(("header", "invoke"), [("00021002" + "09011C02000004", 16), ("1003" + "09011C02000009", None)])
def test_f_1_4_and_f_1_5_event_notification(header: str, invoke: int | None) -> None:
    assert bacnet_apdu.event_of(decoded(header + EVENT_TAIL)) == EventNotice(
        object=AI2,
        process=1,
        invoke=invoke,
        stamp=Stamp(sequence=16),
        notification_class=4,
        priority=100,
        event_type=5,
        notify_type=0,
        ack_required=True,
        from_state=0,
        to_state=3,
    )


def test_f_3_7_read_property_multiple() -> None:
    found = bacnet_apdu.results_of(decoded("30F10E0C000000101E29554E4442 90999A4F29674E91004F1F".replace(" ", "")))
    reading = bacnet_apdu.reading_of(found[0, 16])
    assert reading.value == pytest.approx(72.3, abs=1e-5)
    assert reading.reliability == 0


def test_f_3_7_an_object_that_does_not_exist_gives_nothing_and_the_others_give_their_value() -> None:
    octets = (
        "30020E0C000000211E29554E4442293333 4F1F0C000000321E29555E9101911F5F1F0C000000231E29554E4443D9D99A4F1F"
    ).replace(" ", "")
    found = bacnet_apdu.results_of(decoded(octets))
    assert [bacnet_apdu.reading_of(found[0, number]).value for number in (33, 50, 35)] == [
        pytest.approx(42.3, abs=1e-5),
        None,
        pytest.approx(435.7, abs=1e-4),
    ]


def test_f_3_5_read_property() -> None:
    assert encoded(bacnet_apdu.read_one((0, 5), 85), 1) == "0C0C000000051955"
    answer = decoded("30010C0C0000000519553E444290999A3F")
    assert bacnet_apdu.value_of(answer.propertyValue) == pytest.approx(72.3, abs=1e-5)


def test_f_3_7_what_is_asked_for_several_objects() -> None:
    asked = encoded(bacnet_apdu.read_multiple([(0, 33), (0, 50), (0, 35)], [85]), 2)
    assert asked == "0E0C000000211E09551F0C000000321E09551F0C000000231E09551F"


def test_f_1_10_subscribe_cov() -> None:
    request = bacnet_apdu.subscribe(AI10, 18, CovKind.CONFIRMED, 0)
    assert encoded(request, 15) == "0509121C0000000A29013900"
    assert encoded(bacnet_apdu.unsubscribe(AI10, 18), 15) == "0509121C0000000A"


@pytest.mark.parametrize(
    ("octets", "kind", "number"), [("50580B91019117", "error", 23), ("600509", "reject", 9), ("710504", "abort", 4)]
)
def test_what_refuses_is_named(octets: str, kind: str, number: int) -> None:
    """The first is F.3.4 (object-deletion-not-permitted); the others are those of clauses 20.1.8 and 20.1.9."""
    apdu = decoded(octets) if kind == "error" else APDU.decode(PDU(bytes.fromhex(octets)))
    found = bacnet_apdu.refusal_of(apdu)
    assert found is not None
    assert (found.kind, found.number) == (kind, number)


def notice(to_state: int = 3, sequence: int = 16, **rest: Any) -> EventNotice:
    given: dict[str, Any] = {"notify_type": 0, "ack_required": True, "from_state": 0, **rest}
    return EventNotice(
        object=AI2,
        process=1,
        invoke=None,
        stamp=Stamp(sequence=sequence),
        notification_class=4,
        priority=100,
        event_type=5,
        to_state=to_state,
        **given,
    )


def test_acknowledge_alarm_is_that_of_annex_f_but_for_the_source_and_the_day_of_the_week() -> None:
    """Annex F prints day-of-week FF (any); a request of ours says the day. The source is "MDL" there."""
    request = request_of(notice(), 1, datetime(1992, 6, 21, 13, 3, 41, 90_000))  # noqa: DTZ001 - local time, as there
    request.acknowledgmentSource = "MDL"
    octets = encoded(request, 7)
    assert octets == "0009011C0000000229033E19103F4C004D444C5E2EA45C061507B40D0329092F5F"


def test_what_asks_for_an_acknowledgement_is_the_newest_of_each_transition() -> None:
    mine = Acknowledgement(link="building", object_type=ObjectType.ANALOG_INPUT, instance=2)
    first, newer, back = notice(3, 1), notice(4, 2, from_state=3), notice(0, 3, from_state=4)
    done = notice(4, 2, notify_type=NOTIFY_ACK, ack_required=None, from_state=None)
    assert to_acknowledge(mine, [first, newer, back]) == (newer, back)
    assert to_acknowledge(mine, [first, newer, back, done]) == (back,)
    assert to_acknowledge(mine, [notice(3, 1, ack_required=False)]) == ()
    assert to_acknowledge(Acknowledgement(link="b", object_type=ObjectType.ANALOG_INPUT, instance=3), [first]) == ()
