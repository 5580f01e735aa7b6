"""Event summaries of the simulated BACnet device, against the octets of ASHRAE 135, annex F."""

from __future__ import annotations

import re
from datetime import UTC, datetime

from sims.building_alarming import Alarming, NotificationClass
from sims.building_events import Delays, EventMachine, EventState, OutOfRange
from sims.building_summaries import SUMMARIES_MAX, alarm_summary, event_information, standing_out
from sims.building_views import Standing

T0 = datetime(2026, 3, 1, 15, 35, 0, 200_000, UTC)

# Annex F as transcribed, with its clauses, in the MIT-licensed tests of ela-compil/BACnet.
F_1_6 = "C4 00 00 00 02 91 03 82 05 60 C4 00 00 00 03 91 04 82 05 E0"
F_1_8 = (
    "0E 0C 00 00 00 02 19 03 2A 05 60 3E 0C 0F 23 00 14 0C FF FF FF FF 0C FF FF FF FF 3F 49 00 5A 05 E0 6E 21 0F 21 0F"
    "21 14 6F 0C 00 00 00 03 19 00 2A 05 C0 3E 0C 0F 28 00 00 0C FF FF FF FF 0C 0F 2D 1E 1E 3F 49 00 5A 05 E0 6E 21 0F"
    "21 0F 21 14 6F 0F 19 00"
)


def analog(instance: int, value: float, *values: float, ack_required: tuple[bool, bool, bool]) -> Standing:
    """An analog input that has had these values one after the other, with limits of 20 and 80 and no delay."""
    given = NotificationClass(priorities=(15, 15, 20), ack_required=ack_required)
    alarming = Alarming(notification_class=given)
    machine = EventMachine(OutOfRange(high_limit=80, low_limit=20, delays=Delays()), 50, 0)
    for now in (value, *values):
        for event in machine.update(now, 0, 0):
            alarming.happened(event, T0)
    return Standing(object_id=("analog-input", instance), signal="", text="", machine=machine, alarming=alarming)


def without_stamps(octets: str) -> str:
    """The examples carry times of day and we dates: what is between the tags 3E and 3F of each summary is left out."""
    return re.sub(r"3E(0C.{8}){3}3F|3E(2EA4.{8}B4.{8}2F){3}3F", "3E3F", octets.replace(" ", ""))


def test_f_1_6_alarm_summary() -> None:
    high = analog(2, 90, ack_required=(True, True, True))
    low = analog(3, 10, ack_required=(False, False, False))
    normal = analog(4, 90, 50, ack_required=(True, True, True))
    answer = alarm_summary([high, low, normal]).encode()
    assert bytes(answer.pduData) == bytes.fromhex(F_1_6)


def test_f_1_8_event_information() -> None:
    high = analog(2, 90, ack_required=(True, True, True))
    returned = analog(3, 90, 50, ack_required=(False, False, True))
    quiet = analog(4, 90, 50, ack_required=(False, False, False))
    found = standing_out([high, returned, quiet])
    assert [s.object_id[1] for s in found] == [2, 3]
    ours, theirs = bytes(event_information(found).encode().pduData).hex().upper(), F_1_8
    assert without_stamps(ours) == without_stamps(theirs)
    assert without_stamps(ours).count("3E3F") == 2


def test_more_than_go_into_one_answer() -> None:
    many = [analog(number, 90, ack_required=(True, True, True)) for number in range(SUMMARIES_MAX + 1)]
    assert bool(event_information(many).moreEvents) is True
    assert bool(event_information(many[1:]).moreEvents) is False
    assert len(event_information(many).listOfEventSummaries) == SUMMARIES_MAX
    assert len(event_information(many).encode().pduData) < 1400
    assert many[0].event_state is EventState.HIGH_LIMIT
