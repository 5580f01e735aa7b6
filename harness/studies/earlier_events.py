"""Strays that an event tells of which happened before the run: a device keeps them until somebody confirms them.

The verdict stays: what came on while nothing explains it may be a real alarm. But where its own time stamp is from
before the record, what was raised then explains it as well, and whoever reads the result has to know that.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from harness.core.instants import Bounds
from harness.core.links import BacnetLink
from harness.core.model import Judgement, Stray
from harness.core.places import Arrival, BacnetPlace
from harness.links.bacnet_messages import NOTIFY_ACK, EventNotice, ObjectId, decode
from harness.measure.clock_offset import true_times
from harness.measure.clock_steps import ClockHistory, clock_history
from harness.report import human
from harness.report.clock_document import ASKED
from harness.results.judging import JudgedRecord
from harness.studies.clock_readings import clock_times, written_stamp
from harness.studies.local_clock import LocalClock, Written

FROM_BEFORE: Final = "its stamp is from before this run"


def with_stamps_told(record: JudgedRecord) -> Judgement:
    """The judgement of a record, in which each stray says so whose own time stamp is from before the record."""
    judgement = record.judgement
    if not any(_event_place(record, stray) is not None for stray in judgement.strays):
        return judgement
    stamps = _Stamps(record)
    return replace(judgement, strays=tuple(stamps.told(stray) for stray in judgement.strays))


def _event_place(record: JudgedRecord, stray: Stray) -> BacnetPlace | None:
    """Where a stray is that an event told of; None of any other."""
    point = record.site.points.get(stray.point)
    place = None if point is None else point.place
    return place if isinstance(place, BacnetPlace) and place.arrives is Arrival.EVENT else None


class _Stamps:
    """The time stamps of a record's events, and how far the clocks are off that made them."""

    def __init__(self, record: JudgedRecord) -> None:
        self._record = record
        anchor = record.reader.header.anchor
        self._begin_utc_ns = anchor.utc_ns
        self._shift_ns = anchor.utc_ns - anchor.monotonic_ns
        self._utc_offset_s = record.reader.header.utc_offset_s
        self._local = LocalClock(utc_offset_s=self._utc_offset_s)
        self._asked = self._histories()
        self._notices: dict[str, dict[tuple[int, ObjectId], Written | None]] = {}

    def told(self, stray: Stray) -> Stray:
        """The stray, with what its stamp says of it where that is from before the record."""
        place = _event_place(self._record, stray)
        written = None if place is None else self._stamp(stray, place)
        if written is None or len(written.utc_ns) > 1:
            return stray
        asked = self._asked.get(self._record.site.points[stray.point].link)
        offset = Bounds.exactly(0) if asked is None else asked.stretches[0].offset_at(written.utc_ns[0])
        if true_times(written.utc_ns[0], written.resolution_ns, offset).hi >= self._begin_utc_ns:
            return stray
        by = "if its clock is right" if asked is None else "by what its clock showed when it was asked"
        at = human.local(written.utc_ns[0], self._utc_offset_s)
        told = f"{FROM_BEFORE} ({at}), {by}: what was raised then may explain it"
        return replace(stray, reason=f"{stray.reason}; {told}" if stray.reason else told)

    def _stamp(self, stray: Stray, place: BacnetPlace) -> Written | None:
        """The time stamp of the event that told of a stray; None where it has no time, or cannot be told."""
        link = self._record.site.points[stray.point].link
        if link not in self._notices:
            self._notices[link] = self._notices_of(link)
        return self._notices[link].get((stray.onset.hi, (place.object_type, place.instance)))

    def _notices_of(self, link: str) -> dict[tuple[int, ObjectId], Written | None]:
        """The time stamps of the events of a link, by when they were told and their object."""
        found = {}
        for message in self._record.reader.messages(link):
            said = decode(message.data)
            if isinstance(said, EventNotice) and said.notify_type != NOTIFY_ACK and said.object is not None:
                written = written_stamp(said.stamp, message.last_ns + self._shift_ns, self._local)
                found[message.last_ns, said.object] = written
        return found

    def _histories(self) -> Mapping[str, ClockHistory]:
        """By link, the clocks that were asked and that nobody set meanwhile."""
        found = {}
        for name, times in clock_times(self._record.reader, self._record.site, self._shift_ns, self._local).items():
            if isinstance(self._record.site.links[name], BacnetLink) and ASKED in times.written:
                history = clock_history(times.readings(ASKED))
                if not history.settings:
                    found[name] = history
        return found
