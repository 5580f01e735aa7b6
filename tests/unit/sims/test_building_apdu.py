"""The octets of notifications, against the examples of ASHRAE 135, annex F."""

from __future__ import annotations

from datetime import UTC, datetime

from bacpypes3.primitivedata import Real

from sims.building_apdu import (
    EventNote,
    Reporter,
    cov_notification,
    datagram,
    event_notification,
    out_of_range,
    time_stamp,
)
from sims.building_cov import Reported

MAX_RESPONSE_206 = 2  # the examples' devices accept answers of up to 206 octets (ASHRAE 135, 20.1.2.5)

# Annex F as transcribed, with its clauses, in the MIT-licensed tests of ela-compil/BACnet.
F_1_2 = bytes.fromhex(
    "00 02 0F 01 09 12 1C 02 00 00 04 2C 00 00 00 0A 39 00 4E 09 55 2E 44 42 82 00 00 2F 09 6F 2E 82 04 00 2F 4F"
)
F_1_4 = bytes.fromhex(
    "00 02 10 02 09 01 1C 02 00 00 04 2C 00 00 00 02 3E 19 10 3F 49 04 59 64 69 05 89 00 99 01 A9 00 B9 03"
    "CE 5E 0C 42 A0 33 33 1A 04 80 2C 3F 80 00 00 3C 42 A0 00 00 5F CF"
)


def example(device: int) -> EventNote:
    """The event of F.1.4 and F.1.5: analog input 2 goes over its high limit of 80.0."""
    return EventNote(
        reporter=Reporter(device, 1, ("analog-input", 2)),
        time_stamp=16,
        notification_class=4,
        priority=100,
        event_type="outOfRange",
        ack_required=True,
        from_state=0,
        to_state=3,
        values=out_of_range(80.1, 0b1000, 1.0, 80.0),
    )


def test_f_1_4_confirmed_event_notification() -> None:
    assert event_notification(example(4), 16, max_response=MAX_RESPONSE_206) == F_1_4


def test_f_1_5_unconfirmed_event_notification() -> None:
    assert event_notification(example(9), None) == bytes.fromhex("10 03 09 01 1C 02 00 00 09") + F_1_4[11:]


def test_f_1_2_confirmed_and_f_1_3_unconfirmed_cov_notification() -> None:
    reporter = Reporter(4, 18, ("analog-input", 10))
    told = Reported(65.0, 0)
    assert cov_notification(reporter, told, Real(65.0), 0, 15, max_response=MAX_RESPONSE_206) == F_1_2
    assert cov_notification(reporter, told, Real(65.0), 0, None) == bytes.fromhex("10 02") + F_1_2[4:]


def test_datagrams_say_whether_an_answer_is_expected() -> None:
    assert datagram(F_1_2)[:6] == bytes.fromhex("81 0A 00 2A 01 04")
    assert datagram(bytes.fromhex("10 08")) == bytes.fromhex("81 0A 00 08 01 00 10 08")


def test_time_stamps() -> None:
    stamp = datetime(1992, 6, 21, 13, 3, 41, 90_000, UTC)  # of the AcknowledgeAlarm example; a Sunday is day 7
    given = time_stamp(stamp).dateTime
    assert (tuple(given.date), tuple(given.time)) == ((92, 6, 21, 7), (13, 3, 41, 9))
    never = time_stamp(None).dateTime
    assert (tuple(never.date), tuple(never.time)) == ((255,) * 4, (255,) * 4)
