"""Strays that an event tells of which happened before the run: their own time stamp says so."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import pytest

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.places import ObjectType
from harness.core.verdicts import Verdict
from harness.links.bacnet_messages import ClockRead, EventNotice, Reporting, Stamp, encode
from harness.results.judging import judge_record
from harness.studies.attempt import attempt_document
from harness.studies.earlier_events import FROM_BEFORE
from tests.peers.records import SITE, RecordMaker

S, MS = NS_PER_S, NS_PER_MS
LINK = """  building: {bacnet: "127.0.0.1:9", device: 7, listen on: 127.0.0.1/8:10, own device: 8, poll every: 1 s,
             timeout: 500 ms, longest delay: 200 ms}
defaults:"""
ROW = (
    "  - {alarm: a.low, link: building, object: binary-input 3, arrives by: event, behaviour: follows, point: event}\n"
)
LOW = (ObjectType.BINARY_INPUT, 3)
NORMAL, OFFNORMAL = 0, 2


def stamp_at(maker: RecordMaker, seconds: float) -> Stamp:
    at_s = maker.started_utc_ns / S + maker.utc_offset_s + seconds
    it = datetime.fromtimestamp(at_s, tz=UTC)
    return Stamp(
        time=(it.hour, it.minute, it.second, it.microsecond // 10_000),
        date=(it.year - 1900, it.month, it.day, it.isoweekday()),
    )


def strays(folder: Path, stamped_s: float | None, *, asked: Sequence[float] = (), off_s: float = 0.0) -> list[str]:
    """Why an event is a stray that is told 3 s after the start and was stamped at ``stamped_s`` by a clock that is off
    so much; None: it has a sequence number. ``asked``: when the clock was asked.
    """
    maker = RecordMaker(
        folder / "run.farend", text=SITE.replace("defaults:", LINK) + ROW, up=("bms", "log", "building")
    )
    maker.plan("a.low", links=("bms", "building"))
    says = Reporting(object=LOW, is_recipient=True, is_confirmed=True)
    maker.writer.message("building", maker.at(0.5), maker.at(0.5), encode(says))
    maker.stimulus("r1", "a.low", 20.0, 30.0)
    for seconds in asked:
        read = encode(ClockRead(stamp=stamp_at(maker, seconds + off_s)))
        maker.writer.message("building", maker.at(seconds) - 5 * MS, maker.at(seconds) + 5 * MS, read)
    stamp = Stamp(sequence=4) if stamped_s is None else stamp_at(maker, stamped_s + off_s)
    for number, to_state in enumerate((NORMAL, OFFNORMAL, NORMAL)):
        notice = EventNotice(
            object=LOW, process=1, invoke=9 + number, notification_class=1, priority=100, stamp=stamp, event_type=1,
            notify_type=0, ack_required=False, from_state=OFFNORMAL - to_state, to_state=to_state,
        )  # fmt: skip
        told = maker.at(2 + number)
        maker.writer.message("building", told, told + 2 * MS, encode(notice))
    record = judge_record(maker.close())
    try:
        found = [it for it in attempt_document(record).judgement.strays if it.point == "event"]
        assert {it.verdict for it in found} <= {Verdict.STRAY}
        return [it.reason for it in found]
    finally:
        record.reader.close()


@pytest.mark.parametrize(
    ("asked", "off_s", "words"),
    [
        ((), 0.0, "if its clock is right"),
        ((1.0,), 0.0, "by what its clock showed when it was asked"),
        ((1.0,), 3600.0, "by what its clock showed when it was asked"),
    ],
)
def test_a_stray_says_that_its_stamp_is_from_before(
    tmp_path: Path, asked: tuple[float, ...], off_s: float, words: str
) -> None:
    (why,) = strays(tmp_path, -40.0, asked=asked, off_s=off_s)
    assert why.startswith("nothing that was raised explains it")
    assert FROM_BEFORE in why
    assert words in why


@pytest.mark.parametrize(
    ("stamped_s", "asked", "off_s"),
    [
        (2.9, (), 0.0),
        (None, (), 0.0),
        (2.9, (1.0,), -3600.0),  # behind by an hour, as was asked: it is of now
        (-0.005, (1.0,), 0.0),  # as near to the start as a hundredth tells
    ],
)
def test_what_may_be_of_now_is_not_said_to_be_from_before(
    tmp_path: Path, stamped_s: float | None, asked: tuple[float, ...], off_s: float
) -> None:
    (why,) = strays(tmp_path, stamped_s, asked=asked, off_s=off_s)
    assert FROM_BEFORE not in why
