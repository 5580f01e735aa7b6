"""What a record holds of foreign clocks: printed times, time stamps of BACnet events, times in MQTT messages, and what
a device's clock showed when it was asked.

A clock is read at the change that it stands beside, or later, and before that is told of. So what came in by p, over a
path whose longest delay D is declared, was read in [first byte - D, p]; without D it was read some time before p, and
the clock is known from one side only. A clock that was asked was read between asking and being told.

A device keeps an event that is to be confirmed until somebody confirms it: whoever connects is told first what happened
before. No longest delay speaks of these, so what may be of them is known from one side only.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from decimal import Decimal
from typing import Final

from harness.core.instants import FOREVER, NS_PER_MS, NS_PER_S, Bounds
from harness.core.links import BacnetLink, MqttLink, TextLink
from harness.core.model import Site
from harness.core.places import TextPlace
from harness.links.bacnet_messages import NOTIFY_ACK, ClockRead, EventNotice, Stamp, decode
from harness.links.bacnet_trace import RETRANSMITTED_WITHIN_NS
from harness.links.base import LinkState
from harness.links.mqtt_messages import Published
from harness.links.mqtt_messages import decode as decode_mqtt
from harness.links.mqtt_values import time_of
from harness.links.seen import Message, StateChange
from harness.links.source import Source
from harness.links.text_lines import PlacePatterns, compile_place, decode_line, is_garbled
from harness.links.text_search import Lines
from harness.report.clock_document import ASKED, PRINTED, PUBLISHED, STAMPED
from harness.results.history_entries import TIME_GROUP
from harness.site.written_times import says_day
from harness.studies.clock_times import ClockTimes
from harness.studies.local_clock import LocalClock, Written

_ANY: Final = 255
"""Unspecified, in any part of a BACnet date or time (ASHRAE 135, 20.2.12 and 20.2.13)."""

_MINUTE_NS: Final = 60 * NS_PER_S

KEPT_LULL_NS: Final = RETRANSMITTED_WITHIN_NS
"""So soon a device tries again to tell an event that nobody confirmed; as one is confirmed it tells the next."""


def clock_times(source: Source, site: Site, utc_shift_ns: int, local: LocalClock) -> Mapping[str, ClockTimes]:
    """By link, the times of every clock that a record tells of. ``utc_shift_ns``: from the run's clock to UTC."""
    found: dict[str, ClockTimes] = {}
    for name, spec in site.links.items():
        times = ClockTimes(link=name)
        if isinstance(spec, TextLink):
            _take_lines(times, source, site, spec, utc_shift_ns, local)
        elif isinstance(spec, BacnetLink):
            _take_stamps(times, source, spec, utc_shift_ns, local)
        elif isinstance(spec, MqttLink) and spec.time_pointer is not None:
            _take_published(times, source, spec, spec.time_pointer, utc_shift_ns, local)
        if times.is_anything:
            found[name] = times
    return found


class _Arrivals:
    """When the clock was read of which a message tells, on UTC."""

    def __init__(self, states: Sequence[StateChange], delay_ns: int | None, utc_shift_ns: int) -> None:
        self._ups = [it.at_ns for it in states if it.state is LinkState.UP]
        self._delay_ns = delay_ns
        self._shift_ns = utc_shift_ns
        self._kept = -1  # the connection of which kept messages were told last
        self._kept_until_ns = 0

    def read_within(self, message: Message, *, is_kept: bool = False) -> Bounds:
        """Open below where no delay is declared, or the message may have waited for the connection.

        ``is_kept``: its sender keeps it until it is confirmed; these are to be asked about in the order in which they
        came. One of them may have waited that came soon after the connection, or after another that may have.
        """
        hi = message.last_ns + self._shift_ns
        number = bisect_right(self._ups, message.last_ns) - 1
        if self._delay_ns is None or number < 0 or message.first_ns - self._delay_ns < self._ups[number]:
            may_have_waited = True
        else:
            may_have_waited = is_kept and message.first_ns <= self._kept_to(number)
        if number >= 0 and is_kept and may_have_waited:
            self._kept, self._kept_until_ns = number, max(self._kept_to(number), message.last_ns + KEPT_LULL_NS)
        if self._delay_ns is None or may_have_waited:
            return Bounds(-FOREVER, hi)
        return Bounds(message.first_ns - self._delay_ns + self._shift_ns, hi)

    def _kept_to(self, number: int) -> int:
        """Until when a kept message may be one that waited for this connection."""
        return self._kept_until_ns if number == self._kept else self._ups[number] + KEPT_LULL_NS


# --- printed times --------------------------------------------------------------------------------


def _take_lines(
    times: ClockTimes, source: Source, site: Site, spec: TextLink, utc_shift_ns: int, local: LocalClock
) -> None:
    """A line that comes a second time, byte for byte, may have been sent again: it says nothing new.

    A line that tells of no alarm has no longest delay: it was written some time before it came in.
    """
    lines = source.messages(spec.name)
    arrivals = _Arrivals(source.link_states(spec.name), spec.longest_delay_ns, utc_shift_ns)
    times.longest_delay_ns = spec.longest_delay_ns
    told: set[bytes] = set()
    for number, text, form, is_change in sorted(_times_in(lines, site, spec)):
        line = lines[number]
        if line.data in told:
            times.again += 1
            continue
        told.add(line.data)
        at = arrivals.read_within(line)
        at = at if is_change else Bounds(-FOREVER, at.hi)
        times.undated += not says_day(form)
        times.add(PRINTED, at, local.read(text, form, at.hi))


def _times_in(lines: Sequence[Message], site: Site, spec: TextLink) -> Iterator[tuple[int, str, str, bool]]:
    """(number of the line, its time, how that is written, whether it tells of an alarm) of each line that is read whole
    by the pattern of a point, or by one of ``other lines``.
    """
    whole = [it for it in enumerate(lines) if not is_garbled(it[1].data, spec.encoding)]
    searched = Lines([decode_line(line.data, spec.encoding) for _, line in whole])
    taken: set[int] = set()
    for patterns, form, is_change in _patterns(site, spec):
        for at in searched.candidates(patterns):
            number, line = whole[at]
            said = None if number in taken else patterns.match(line.data)
            if said is not None and said.groups.get(TIME_GROUP):
                taken.add(number)
                yield number, said.groups[TIME_GROUP], form, is_change


def _patterns(site: Site, spec: TextLink) -> Iterator[tuple[PlacePatterns, str, bool]]:
    """The patterns that may hold a time, how it is written, and whether such a line tells of an alarm."""
    form = site.history.time_format if site.history is not None else ""
    places = [it.place for it in site.points.values() if it.link == spec.name and isinstance(it.place, TextPlace)]
    for place in places:
        yield compile_place(place, spec.encoding), place.printed_time or form, True
    forms = [it.printed_time for it in places if it.printed_time]
    for pattern in () if site.history is None else site.history.other_lines:
        own = TextPlace(raised=pattern)
        yield compile_place(own, spec.encoding), forms[0] if forms else form, False


# --- time stamps of events ------------------------------------------------------------------------


def _take_stamps(times: ClockTimes, source: Source, spec: BacnetLink, utc_shift_ns: int, local: LocalClock) -> None:
    """The time stamp of an event notification is the device's time of the change (ASHRAE 135, 13.8 and 13.9).

    That of the notice of an acknowledgement is not used: who acknowledges may have given it.
    """
    arrivals = _Arrivals(source.link_states(spec.name), spec.longest_delay_ns, utc_shift_ns)
    times.longest_delay_ns = spec.longest_delay_ns
    told: set[object] = set()
    for message in source.messages(spec.name):
        said = decode(message.data)
        if isinstance(said, ClockRead):
            _take_look(times, message, said, utc_shift_ns, local)
            continue
        if not isinstance(said, EventNotice) or said.notify_type == NOTIFY_ACK:
            continue
        same = (said.object, said.stamp, said.from_state, said.to_state, said.notification_class)
        if same in told:
            times.again += 1
        elif said.stamp.time is None:
            times.numbered += 1
        else:
            is_kept = said.invoke is not None
            at = arrivals.read_within(message, is_kept=is_kept)
            times.undated += not _is_dated(said.stamp)
            times.add(STAMPED, at, written_stamp(said.stamp, at.hi, local), may_wait=is_kept)
        told.add(same)


def _take_look(times: ClockTimes, message: Message, said: ClockRead, utc_shift_ns: int, local: LocalClock) -> None:
    """Date and time are two properties: about midnight one of them may be of the day before, and nothing is taken."""
    time = said.stamp.time
    if time is not None and time[:2] in ((23, 59), (0, 0)):
        return
    at = Bounds(message.first_ns + utc_shift_ns, message.last_ns + utc_shift_ns)
    times.add(ASKED, at, written_stamp(said.stamp, at.hi, local))


def _is_dated(stamp: Stamp) -> bool:
    return stamp.date is not None and _ANY not in stamp.date[:3]


def written_stamp(stamp: Stamp, told_utc_ns: int, local: LocalClock) -> Written | None:
    """A BACnet time stamp, ``told`` at an instant; without a date it is of the nearest day. None where it is none."""
    if stamp.time is None:
        return None
    hour, minute, second, hundredth = stamp.time
    if _ANY in (hour, minute) or 99 < hundredth < _ANY:
        return None
    parts = (hour, minute, 0 if second == _ANY else second)
    told = datetime.fromtimestamp(local.local_of(told_utc_ns) // NS_PER_S, tz=UTC)
    try:
        if stamp.date is None or not _is_dated(stamp):
            day = datetime(told.year, told.month, told.day, *parts, tzinfo=UTC)
            days: Iterable[int] = (-1, 0, 1)
        else:
            year, month, date = stamp.date[:3]
            day, days = datetime(1900 + year, month, date, *parts, tzinfo=UTC), (0,)
    except ValueError:
        return None
    fraction_ns = 0 if _ANY in (second, hundredth) else hundredth * 10 * NS_PER_MS
    base_ns = int(day.timestamp()) * NS_PER_S + fraction_ns
    local_ns = local.local_of(told_utc_ns)
    near = sorted((base_ns + it * 86_400 * NS_PER_S for it in days), key=lambda it: abs(it - local_ns))
    step_ns = _MINUTE_NS if second == _ANY else NS_PER_S if hundredth == _ANY else 10 * NS_PER_MS
    return Written(utc_ns=local.utc_of(near[0]), resolution_ns=step_ns)


# --- times in published messages ------------------------------------------------------------------


def _take_published(
    times: ClockTimes, source: Source, spec: MqttLink, pointer: str, utc_shift_ns: int, local: LocalClock
) -> None:
    """What the broker had kept says nothing of when it was published, and what it sends again nothing new."""
    arrivals = _Arrivals(source.link_states(spec.name), spec.longest_delay_ns, utc_shift_ns)
    times.longest_delay_ns = spec.longest_delay_ns
    told: set[tuple[str, bytes]] = set()
    for message in source.messages(spec.name):
        said = decode_mqtt(message.data)
        if not isinstance(said, Published) or said.retain:
            continue
        value = time_of(pointer, said.payload)
        if value is None:
            continue
        if said.dup or (said.topic, said.payload) in told:
            times.again += 1
            continue
        told.add((said.topic, said.payload))
        at = arrivals.read_within(message)
        if isinstance(value, Decimal):
            times.add(PUBLISHED, at, number_since_1970(value))
        else:
            times.add(PUBLISHED, at, local.read(value, spec.time_format, at.hi))


def number_since_1970(value: Decimal) -> Written | None:
    """A time that is a number: of seconds, or of milli-, micro- or nanoseconds, which its size tells. None below 0.

    Its step is its last decimal place.
    """
    if value < 0:
        return None
    unit_ns = next(
        (unit for unit, below in ((NS_PER_S, 10**11), (NS_PER_MS, 10**14), (1_000, 10**17)) if value < below), 1
    )
    exponent = value.as_tuple().exponent
    places = max(0, -exponent) if isinstance(exponent, int) else 0
    return Written(utc_ns=(int(value * unit_ns),), resolution_ns=max(1, unit_ns // 10 ** min(places, 9)))
