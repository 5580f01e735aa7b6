"""Messages of an MQTT broker as the trace of one point. Pure functions.

What a topic said last is the state of its point. The first message of a topic in a connection tells a state, whether
the broker had kept it (retained) or not; so does one that repeats what is known, and one before which another may have
been lost, since a state is often published again and again: where neither every change is promised nor messages are
numbered. Any other one is the change itself: one that came in by p places its change in [arrival - D, p], with D the
longest delay of the link. Without D, the lower bound is that of the change before, or the moment of subscribing.

A *break* is a time after which a topic may have said more than was heard: a new connection, a last will of the
controller, a sequence number that jumped, a payload that tells nothing. No gap with a break in it is sealed, and
nothing is claimed of the point until its next message.

Silence is evidence only as far as the controller is known to have lived. Each of its own messages proves that. An
answer of the broker proves the broker alive, and the controller only as far as its last will would have come by then:
where the link declares how long that takes (``will_within_ns``) and its alive topic says that it is there.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from harness.core.links import MqttLink
from harness.core.places import MqttPlace
from harness.core.trace import Trace
from harness.links.base import LinkState
from harness.links.heard import ALL, Sorted
from harness.links.mqtt_messages import Answered, Lost, MqttMessage, Published, Subscribing, decode
from harness.links.mqtt_values import is_on, sequence_of
from harness.links.seen import Message, StateChange
from harness.links.told_samples import ToldSamples


def mqtt_trace(
    point: str,
    place: MqttPlace,
    spec: MqttLink,
    messages: Sequence[Message],
    states: Sequence[StateChange],
    end_ns: int,
) -> Trace:
    """The trace of ``point`` up to ``end_ns``; empty where nothing was ever heard of it.

    ``messages`` and ``states`` are those of the whole link, each in the order in which it came.
    """
    return Topics(spec, messages, states, end_ns).trace(point, place)


class Topics:
    """What a link was told up to an instant, decoded and sorted by topic once for all of its points."""

    def __init__(self, spec: MqttLink, messages: Sequence[Message], states: Sequence[StateChange], end_ns: int) -> None:
        """As :func:`mqtt_trace`."""
        self._spec = spec
        came: list[_Came | None] = []
        for message in _in_order(messages, states, end_ns):
            heard = None if message is None else decode(message.data)
            if message is None:
                came.append(None)
            elif heard is not None:
                came.append((heard, message.first_ns, message.last_ns))
        signs = (it is not None and isinstance(it[0], Published) and not it[0].retain for it in came)
        self._came = Sorted(came, (self._concerns(it) for it in came), signs)

    def trace(self, point: str, place: MqttPlace) -> Trace:
        """The trace of one point."""
        reading = _Reading(place, self._spec)
        for it in self._came.about(place.topic):
            if it is None:
                reading.lose_connection()
            else:
                reading.take(*it)
        return reading.finish(point)

    def _concerns(self, it: _Came | None) -> object:
        """The topic whose points read it, ``ALL`` for every one of them, None for none."""
        match it:
            case None:
                return ALL
            case (Published() as heard, _, _):
                return ALL if heard.topic == self._spec.alive_topic else heard.topic
            case (Lost() as heard, _, _):
                return heard.topic
            case (Answered(), _, _):
                return None if self._spec.will_within_ns is None else ALL
            case (Subscribing(), _, _):
                return ALL
            case _:
                return None


_Came = tuple[MqttMessage, int, int]
"""What, not before, not after."""


def is_down(spec: MqttLink, message: Published) -> bool | None:
    """What a message tells of the controller: True where it says that it is gone; None where it is not about that."""
    if spec.alive_topic is None or message.topic != spec.alive_topic:
        return None
    return spec.down_payload is not None and message.payload == spec.down_payload.encode()


@dataclass(slots=True)
class SequenceWatch:
    """Follows the sequence numbers of one topic, which go up by one with every message."""

    last: int | None = None

    def restart(self, number: int | None) -> None:
        """A message that tells a state came in: numbers go on from it."""
        self.last = number

    def wrong(self, number: int | None) -> str:
        """What is wrong with the number of the next message; '' where it follows. A duplicate is :meth:`is_again`."""
        before, self.last = self.last, number
        if number is None:
            return "no sequence number where there should be one"
        if before is None or number == before + 1:
            return ""
        if number > before:
            lost = number - before - 1
            return f"{lost} message{'s' * (lost != 1)} lost: sequence number {before} was followed by {number}"
        return f"sequence number {before} was followed by {number}: an old message, or a controller that began anew"

    def is_again(self, number: int | None) -> bool:
        """True where the message is the last one once more: a duplicate, no event."""
        return number is not None and number == self.last

    def went_back(self, number: int | None) -> bool:
        """True where the message is older than the last one, or counting began anew; asked before :meth:`wrong`."""
        return number is not None and self.last is not None and number < self.last


def _in_order(messages: Iterable[Message], states: Iterable[StateChange], end_ns: int) -> Iterator[Message | None]:
    """Messages up to ``end_ns``, with None where the connection was lost; one lost at the same instant came before."""
    lost = iter([it.at_ns for it in states if it.state is LinkState.DOWN and it.at_ns <= end_ns])
    next_lost = next(lost, None)
    for message in messages:
        if message.last_ns > end_ns:
            break
        while next_lost is not None and next_lost <= message.last_ns:
            yield None
            next_lost = next(lost, None)
        yield message
    if next_lost is not None:
        yield None


class _Reading:
    """One pass over the messages of a link, for one point."""

    def __init__(self, place: MqttPlace, spec: MqttLink) -> None:
        self._place = place
        self._spec = spec
        self._watched = spec.alive_topic != place.topic  # a point on the alive topic itself is told by the broker
        self._samples = ToldSamples()
        self._sequence = SequenceWatch()
        self._on: bool | None = None  # None from a break until the next message of this point
        self._whole = False  # no break since the last sample, on a path that promises every change
        self._down = False
        self._alive_told = False
        self._alive_ns: int | None = None
        self._subscribed_ns: int | None = None
        self._change_lo: int | None = None

    def take(self, heard: MqttMessage, first_ns: int, last_ns: int) -> None:
        """Whatever came in next."""
        match heard:
            case Subscribing():
                self._break()
                self._down = self._alive_told = False
                self._subscribed_ns = first_ns
                self._sequence.restart(None)
            case Lost() if heard.topic == self._place.topic:
                self._break()
            case Answered():
                self._hear_broker(first_ns)
            case Published() if self._subscribed_ns is not None:
                self._hear(heard, first_ns, last_ns)

    def lose_connection(self) -> None:
        """The link went down."""
        self._break()
        self._subscribed_ns = None

    def finish(self, point: str) -> Trace:
        """The trace of all that was taken."""
        self._prove()
        return self._samples.trace(point)

    def _hear(self, message: Published, first_ns: int, last_ns: int) -> None:
        down = is_down(self._spec, message) if self._watched else None
        if down is not None:
            self._alive_told = not down
            if down:
                self._break()
            self._down = down
        if self._down:
            return
        if message.topic == self._place.topic:
            self._hear_point(message, first_ns, last_ns)
        if not message.retain:
            self._alive_ns = first_ns

    def _hear_broker(self, first_ns: int) -> None:
        will_ns = self._spec.will_within_ns
        if will_ns is not None and self._alive_told and not self._down:
            lived_ns = first_ns - will_ns
            self._alive_ns = lived_ns if self._alive_ns is None else max(self._alive_ns, lived_ns)

    def _hear_point(self, message: Published, first_ns: int, last_ns: int) -> None:
        if self._is_out_of_order(message):
            return
        on = is_on(self._place, message.payload)
        if on is None:
            self._break()
            return
        if message.dup and on is not self._on:
            # Sent again by the broker: whether it is news or long past, and what came in between, nobody can say.
            self._break()
            return
        is_edge = not message.retain and self._on is not None and on is not self._on and self._is_next(message)
        self._add(self._lower_bound(message, first_ns), last_ns, on=on, edge=is_edge, qos=message.qos)

    def _is_next(self, message: Published) -> bool:
        """Whether nothing of this topic can have been lost before it: it might be the state, sent once more."""
        return self._spec.sequence_pointer is not None or (self._whole and self._is_promised(message.qos))

    def _is_promised(self, qos: int) -> bool:
        """What comes with QoS 0 was promised by nobody on the way (MQTT 3.1.1, 4.3.1)."""
        return self._spec.promises_every_change and qos > 0

    def _is_out_of_order(self, message: Published) -> bool:
        """True where the sequence number says that the message tells nothing of now; a lost one is a break."""
        if self._spec.sequence_pointer is None:
            return False
        number = sequence_of(self._spec.sequence_pointer, message.payload)
        if message.retain:
            self._sequence.restart(number)
            return False
        if self._sequence.is_again(number):
            return True
        went_back = self._sequence.went_back(number)
        before = self._sequence.last
        if self._sequence.wrong(number):
            if before is not None and number is not None and number > before:
                # What is missing was told at some time since the last message: nothing after that one was silence.
                self._alive_ns = None
            self._break()
        return went_back

    def _lower_bound(self, message: Published, first_ns: int) -> int:
        """Of the change, or of the instant at which the state was so."""
        assert self._subscribed_ns is not None  # noqa: S101 - held by take
        delay = self._spec.longest_delay_ns
        told_ns = self._subscribed_ns if message.retain else first_ns
        if delay is not None:
            return told_ns - delay
        return self._subscribed_ns if self._change_lo is None else max(self._subscribed_ns, self._change_lo)

    def _add(self, lo: int, hi: int, *, on: bool, edge: bool, qos: int) -> None:
        promised = self._is_promised(qos)
        self._samples.add(min(lo, hi), hi, on=on, edge=edge, sealed=self._whole and promised)
        if on is not self._on:
            self._change_lo = lo
        self._on, self._whole = on, promised

    def _break(self) -> None:
        self._prove()
        self._alive_ns = None
        self._on = None
        self._whole = False

    def _prove(self) -> None:
        """Whatever had changed by D before the last sign of life was told: so the state was still the last one.

        Only behind the last sample: the change of that one may lie as late as its upper bound.
        """
        delay = self._spec.longest_delay_ns
        if self._alive_ns is None or delay is None or self._on is None or not self._whole:
            return
        proven = self._alive_ns - delay
        if proven > self._samples.hi[-1]:
            self._samples.add(proven, proven, on=self._on, edge=False, sealed=True)
