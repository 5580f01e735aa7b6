"""What really happened at one point that is told of, and what a listener of each kind then reports of it.

Drawn from the truth outwards: when the point was on, when word of each change came, what was lost and whether that was
noticed. A source is made exactly as the listener would report it, so that the whole way to a verdict can be held
against the truth. All times are ns of the run's clock.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

import numpy as np

from harness.core.errors import Origin
from harness.core.links import BacnetLink, LinkSpec, MqttLink, PersonLink, TextLink
from harness.core.places import Arrival, BacnetPlace, MqttPlace, ObjectType, PersonPlace, Place, Sign, TextPlace
from harness.links import bacnet_messages, mqtt_messages, person_messages
from harness.links.bacnet_messages import (
    BacnetMessage,
    EventNotice,
    LifeSign,
    Stamp,
    Subscription,
    SubscriptionStep,
    ValueChange,
)
from harness.links.bacnet_values import FAULT, NORMAL, ObjectReading, Status, pack
from harness.links.base import AnyBlock, LinkState, ObjectBlock
from harness.links.mqtt_messages import Answered, Lost, Published, Subscribing
from harness.links.person_messages import Said, Undone
from harness.links.seen import Dropped, Failure, Message, Polls, StateChange

MS = 1_000_000
AT = Origin(file="told.yaml", line=1)
LINK = "told"
OBJECT = (ObjectType.BINARY_INPUT, 1)
BLOCK = ObjectBlock(id=1, link=LINK, objects=(OBJECT,))
OFFNORMAL = 2

Span = tuple[int, int]


@dataclass(slots=True)
class Told:
    """The truth about one point, and the source that tells of it. ``on``: its on-times [onset, end), in order."""

    spec: LinkSpec
    place: Place
    start: int
    end: int
    on: list[Span]
    said: list[Message] = field(default_factory=list)
    states: list[StateChange] = field(default_factory=list)
    drops: list[Dropped] = field(default_factory=list)
    polled: list[tuple[int, int, bytes]] = field(default_factory=list)

    def is_on(self, at: int) -> bool:
        """Whether the point was on at an instant."""
        return any(onset <= at < end for onset, end in self.on)

    def changes(self) -> list[tuple[int, bool]]:
        """(instant, on) of each change up to the end."""
        found = [(at, on) for span in self.on for at, on in zip(span, (True, False), strict=True)]
        return [(at, on) for at, on in found if at < self.end]

    def up(self, at_ns: int) -> None:
        """The link came up."""
        self.states.append(StateChange(at_ns=at_ns, state=LinkState.UP, why=""))

    def down(self, at_ns: int) -> None:
        """The link went down."""
        self.states.append(StateChange(at_ns=at_ns, state=LinkState.DOWN, why=""))

    # --- Source ---------------------------------------------------------------------------------------

    def blocks(self) -> tuple[AnyBlock, ...]:
        """See ``Source``."""
        return (BLOCK,) if self.polled else ()

    def polls(self, block_id: int) -> Polls:
        """See ``Source``."""
        assert block_id == BLOCK.id
        return Polls(
            asked=np.array([asked for asked, _, _ in self.polled], dtype=np.int64),
            told=np.array([told for _, told, _ in self.polled], dtype=np.int64),
            starts=np.arange(len(self.polled), dtype=np.int64),
            payloads=[payload for _, _, payload in self.polled],
        )

    def failures(self, block_id: int) -> tuple[Failure, ...]:
        """See ``Source``."""
        del block_id
        return ()

    def messages(self, link: str) -> tuple[Message, ...]:
        """See ``Source``."""
        return tuple(self.said) if link == LINK else ()

    def link_states(self, link: str) -> tuple[StateChange, ...]:
        """See ``Source``."""
        return tuple(self.states) if link == LINK else ()

    def dropped(self, link: str) -> tuple[Dropped, ...]:
        """See ``Source``."""
        return tuple(self.drops) if link == LINK else ()


@dataclass(slots=True)
class Way:
    """How word gets through: ``delay`` at the most (D), none while it is ``down``, read late while it is ``held_up``.

    ``loss``: of what is not promised, how much gets lost without a trace. ``promises``: nothing does.
    """

    draw: Random
    delay: int | None
    promises: bool
    loss: float
    down: list[Span]
    held_up: list[Span]
    _last: int = 0
    _read: int = 0

    def is_down(self, at: int) -> bool:
        """Whether what comes in then is lost with the link."""
        return any(start <= at < stop for start, stop in self.down)

    def arrival(self, since: int) -> int:
        """When word of what happened at ``since`` comes in: in order, and in time."""
        longest = 400 * MS if self.delay is None else self.delay
        self._last = max(self._last + 1, since + self.draw.randint(0, max(0, longest - 50)))
        return self._last

    def read(self, at: int) -> Span:
        """Bounds of the arrival as the listener has them: it may have been held up, and looked before."""
        since, until = at - self.draw.randint(0, 20 * MS), at + self.draw.randint(0, MS)
        for start, stop in self.held_up:
            if start <= at < stop:
                since, until = min(since, start), stop
        self._read = max(self._read, until)
        return min(since, at), self._read

    def not_across(self, begun: list[int], since: int, at: int) -> int:
        """An arrival; where nobody knows how late word may be, none is under way when listening begins anew.

        That is what no declared longest delay means: nothing that is told lies before the moment of subscribing.
        """
        return at if self.delay is not None else min([at, *(it - 1 for it in begun if since < it <= at)])

    def is_lost(self) -> bool:
        """Whether a message gets lost without a trace."""
        return not self.promises and self.draw.random() < self.loss


def _spans(draw: Random, start: int, stop: int, count: int, shortest: int, longest: int, apart: int) -> list[Span]:
    found: list[Span] = []
    at = start
    for _ in range(count):
        at += apart + draw.randint(0, max(1, 2 * (stop - start) // (count + 1) - apart))
        end = at + draw.randint(shortest, longest)
        if end >= stop:
            break
        found.append((at, end))
        at = end
    return found


START, END = 10_000 * MS, 40_000 * MS


def _truth(draw: Random) -> list[Span]:
    kind = draw.choice((20 * MS, 300 * MS, 3_000 * MS))
    return _spans(draw, START + 500 * MS, END, draw.randint(0, 6), MS, kind, draw.choice((2 * MS, 500 * MS)))


def _way(draw: Random, *, promises: bool | None = None, delay: bool = True) -> Way:
    promises = draw.random() < 0.7 if promises is None else promises
    return Way(
        draw=draw,
        delay=draw.choice((0, 50, 300, 1000)) * MS if delay and draw.random() < 0.85 else None,
        promises=promises,
        loss=0.3,
        down=_spans(draw, START + MS, END, draw.choice((0, 0, 1, 3)), 10 * MS, 3_000 * MS, 100 * MS),
        held_up=_spans(draw, START, END, draw.choice((0, 1, 4)), MS, 600 * MS, 10 * MS),
    )


# --- printed lines ----------------------------------------------------------------------------------------


def printed(draw: Random) -> Told:
    """A log with lines of other things, lines printed again, garbled ones, and ones lost where nothing is promised."""
    way = _way(draw)
    spec = TextLink(
        name=LINK, host="127.0.0.1", tcp_port=1,
        longest_delay_ns=way.delay, promises_every_change=way.promises, origin=AT,
    )  # fmt: skip
    place = TextPlace(raised="ON p", cleared="OFF p")
    told = Told(spec=spec, place=place, start=START, end=END, on=_truth(draw))
    lines = [(at, "ON p" if on else "OFF p") for at, on in told.changes()]
    lines += [(draw.randrange(START, END), "LINE OK") for _ in range(draw.choice((0, 5, 60)))]
    # Printed again: where the first line may be lost without a trace, it would be taken for that one.
    lines += [(draw.randrange(*span), "ON p") for span in told.on if way.promises and draw.random() < 0.3]
    told.up(START - MS)
    for start, stop in way.down:
        told.down(start)
        told.up(stop)
    for since, text in sorted(lines):
        at = way.arrival(since)
        if way.is_down(at) or at >= END or way.is_lost():
            continue
        first, last = way.read(at)
        data = text.encode()
        if draw.random() < 0.06:
            data = data[:1] + b"\x00" + data[2:]
        if draw.random() < 0.03:
            told.drops.append(Dropped(at_ns=last, what="a line that was too long", data=data))
        else:
            told.said.append(Message(first_ns=first, last_ns=last, data=data))
    told.said = _not_while_down(told.said, way)
    return told


def _not_while_down(said: list[Message], way: Way) -> list[Message]:
    """What was not read yet when the link was lost is lost with it."""
    kept = []
    for it in said:
        cut = any(it.first_ns <= stop and it.last_ns >= start for start, stop in way.down)
        if not cut and it.last_ns < END:
            kept.append(it)
    return kept


# --- MQTT -------------------------------------------------------------------------------------------------


def published(draw: Random) -> Told:
    """A topic: kept by the broker or not, numbered or not, sent again or not; a controller that is gone for a while."""
    way = _way(draw)
    numbered, kept = draw.random() < 0.5, draw.random() < 0.7
    qos = draw.choice((0, 1, 1, 1))
    if qos == 0:
        way.promises = draw.random() < 0.5
    spec = MqttLink(
        name=LINK, host="127.0.0.1", port=1, timeout_ns=MS, sequence_pointer="/seq" if numbered else None,
        longest_delay_ns=way.delay, promises_every_change=way.promises, origin=AT,
    )  # fmt: skip
    if qos == 0 and way.promises:
        way.promises = False  # declared, and all the same promised by nobody on the way
    told = Told(
        spec=spec, place=MqttPlace(topic="p", pointer="/active"), start=START, end=END, on=_truth(draw)
    )  # fmt: skip
    sent = [(START - 5_000 * MS, told.is_on(START - 5_000 * MS), True), *((*it, True) for it in told.changes())]
    sent += [(at, told.is_on(at), True) for at in (draw.randrange(START, END) for _ in range(draw.choice((0, 3))))]
    sent += [(draw.randrange(START, END), False, False) for _ in range(draw.choice((0, 5, 60)))]
    sent.sort()
    sequence, arrived = 0, []
    ends = [START, *(stop for _, stop in way.down)]
    for since, on, mine in sent:
        sequence += mine
        lost = way.is_lost()
        at = way.not_across(ends, since, way.arrival(since))
        arrived.append((at, sequence, on, mine, lost))
    for number, begun in enumerate(ends):
        stop = way.down[number][0] if number < len(way.down) else END
        said = [Message(first_ns=begun, last_ns=begun, data=mqtt_messages.encode(Subscribing(topics=("p", "q"))))]
        told.up(begun + 1)
        before = [it for it in arrived if it[0] <= begun and it[3]]
        if kept and before:
            at, count, on, *_ = before[-1]
            said.append(_message("p", _payload(on, count), (begun, begun + draw.randint(2, 5 * MS)), qos, retain=True))
        least = said[-1].last_ns
        for at, count, on, mine, lost in arrived:
            if not begun < at < stop or lost:
                continue
            first, last = way.read(at)
            last = least = max(last, least + 1)
            said += _heard(draw, (first, last), qos, _payload(on, count) if mine else None)
        told.said += [it for it in said if it.last_ns < stop]
        if stop < END:
            told.down(stop)
    return told


def _heard(draw: Random, read: Span, qos: int, payload: bytes | None) -> list[Message]:
    """A message of the point (None: another one) as it comes in: whole, without a value, too long, or twice."""
    if payload is not None and draw.random() < 0.03:
        gone = mqtt_messages.encode(Lost(topic="p", why="too long"))
        return [Message(first_ns=read[0], last_ns=read[1], data=gone)]
    if payload is not None and draw.random() < 0.04:
        payload = b"{}"
    topic = "q" if payload is None else "p"
    said = [_message(topic, payload or b"x", read, qos)]
    if draw.random() < 0.1:
        said.append(_message(topic, payload or b"x", read, qos, dup=True))
    if draw.random() < 0.1:
        said.append(Message(first_ns=read[1], last_ns=read[1], data=mqtt_messages.encode(Answered())))
    return said


def _payload(on: bool, count: int) -> bytes:
    return json.dumps({"active": on, "seq": count}).encode()


def _message(
    topic: str, payload: bytes, read: Span, qos: int, *, retain: bool = False, dup: bool = False
) -> Message:  # fmt: skip
    data = mqtt_messages.encode(Published(topic=topic, payload=payload, qos=qos, retain=retain, dup=dup and qos > 0))
    return Message(first_ns=min(read), last_ns=read[1], data=data)


# --- BACnet -----------------------------------------------------------------------------------------------


def _bacnet(way: Way) -> BacnetLink:
    return BacnetLink(
        name=LINK, host="127.0.0.1", device=1, poll_period_ns=MS, timeout_ns=MS,
        longest_delay_ns=way.delay, promises_every_change=way.promises, origin=AT,
    )  # fmt: skip


def _say(told: Told, read: Span, message: BacnetMessage) -> None:
    told.said.append(Message(first_ns=read[0], last_ns=read[1], data=bacnet_messages.encode(message)))


def subscribed(draw: Random) -> Told:
    """A COV subscription: asked for anew after each outage, renewed, confirmed or not, lost and noticed, repeated."""
    way = _way(draw)
    confirmed, lists = draw.random() < 0.7, draw.random() < 0.4
    place = BacnetPlace(object_type=OBJECT[0], instance=OBJECT[1], arrives=Arrival.COV)
    told = Told(spec=_bacnet(way), place=place, start=START, end=END, on=_truth(draw))
    ends = [START, *(stop for _, stop in way.down)]
    invoke = 0
    for number, begun in enumerate(ends):
        stop = way.down[number][0] if number < len(way.down) else END
        first_said = len(told.said)
        told.up(begun)
        asked = begun + MS
        _say(told, (asked, asked), Subscription(object=OBJECT, step=SubscriptionStep.ASKED))
        lost_at = stop if draw.random() < 0.7 else draw.randrange(asked, stop + 1)
        told_at = [(asked, told.is_on(asked)), *((at, on) for at, on in told.changes() if asked < at < stop)]
        kept = way.read(way.arrival(asked))
        for since, on in told_at:
            at = way.arrival(since)
            if at >= lost_at or way.is_lost():
                continue
            invoke = (invoke + 1) % 256
            first, last = way.read(at)
            reading = ObjectReading(value=float(on), status=Status(0))
            change = ValueChange(
                object=OBJECT, process=1, invoke=invoke if confirmed else None, remaining_s=60, reading=reading
            )
            _say(told, (first, last), change)
            if confirmed and draw.random() < 0.2:
                again = last + draw.randint(MS, 3_000 * MS)
                _say(told, (again - MS, again), change)
        _say(told, kept, Subscription(object=OBJECT, step=SubscriptionStep.KEPT))
        if lists:
            looked = range(asked + 2 * (way.delay or 400 * MS), lost_at, 700 * MS)
            for at in looked:
                _say(told, (at, at + MS), LifeSign(lists=True))
        if lost_at < stop:
            noticed = min(stop - 1, lost_at + draw.randint(1, 2_000 * MS))
            lost = Subscription(object=OBJECT, step=SubscriptionStep.LOST, since_ns=lost_at - 1)
            _say(told, (noticed, noticed), lost)
        told.said[first_said:] = [it for it in told.said[first_said:] if it.last_ns < stop]
        if stop < END:
            told.down(stop)
        _poll(told, way, begun, min(stop, lost_at), lambda at: NORMAL)
    told.said.sort(key=lambda it: it.last_ns)
    return told


def _poll(told: Told, way: Way, start: int, stop: int, state: Callable[[int], int]) -> None:
    """Polls of the device, each true at some instant of its own; none while the listener is held up."""
    draw = way.draw
    at = start + draw.randint(1, 200 * MS)
    period = draw.choice((300 * MS, 5_000 * MS))
    while at + 20 * MS < stop:
        answered = at + draw.randint(1, 15 * MS)
        true_at = draw.randint(at, answered)
        reading = ObjectReading(value=float(told.is_on(true_at)), event_state=state(true_at), status=Status(0))
        if not any(at <= end and answered >= begin for begin, end in way.held_up):
            told.polled.append((at, answered, pack(reading)))
        at += period


def notified(draw: Random) -> Told:
    """Events: a state that is read when the link comes up, transitions from there on, faults that hide the alarm."""
    way = _way(draw)
    confirmed = draw.random() < 0.7
    place = BacnetPlace(object_type=OBJECT[0], instance=OBJECT[1], arrives=Arrival.EVENT)
    told = Told(spec=_bacnet(way), place=place, start=START, end=END, on=_truth(draw))
    faults = _spans(draw, START, END, draw.choice((0, 0, 1, 3)), MS, 4_000 * MS, 200 * MS)

    def state(at: int) -> int:
        if any(start <= at < stop for start, stop in faults):
            return FAULT
        return OFFNORMAL if told.is_on(at) else NORMAL

    instants = sorted({at for at, _ in told.changes()} | {at for span in faults for at in span if at < END})
    before, events = state(START - MS), []
    for at in instants:
        if state(at) != before:
            events.append((at, before, state(at)))
            before = state(at)
    ends = [START, *(stop for _, stop in way.down)]
    arrived = [(way.not_across(ends, it[0], way.arrival(it[0])), number, it) for number, it in enumerate(events)]
    for number, begun in enumerate(ends):
        stop = way.down[number][0] if number < len(way.down) else END
        told.up(begun)
        first_said = len(told.said)
        for at, invoke, (since, old, new) in arrived:
            if not begun <= at < stop or way.is_lost():
                continue
            notice = EventNotice(
                object=OBJECT, process=1, invoke=invoke % 256 if confirmed else None, stamp=Stamp(sequence=since),
                notification_class=1, priority=1, event_type=1, notify_type=0, ack_required=True,
                from_state=old, to_state=new,
            )  # fmt: skip
            first, last = way.read(at)
            _say(told, (first, last), notice)
            if confirmed and draw.random() < 0.2:
                again = last + draw.randint(MS, 2_000 * MS)
                _say(told, (again - MS, again), notice)
        told.said[first_said:] = [it for it in told.said[first_said:] if it.last_ns < stop]
        if stop < END:
            told.down(stop)
        _poll(told, way, begun, stop, state)
    told.said.sort(key=lambda it: it.last_ns)
    return told


# --- a person ---------------------------------------------------------------------------------------------


def watched(draw: Random) -> Told:
    """Somebody who looks for a while, says how it is and each change, errs at times and takes that back."""
    least, most = draw.choice(((0, 400 * MS), (150 * MS, 900 * MS)))
    spec = PersonLink(name=LINK, reaction_min_ns=least, reaction_max_ns=most, origin=AT)
    on = _spans(draw, START + 500 * MS, END, draw.randint(0, 6), 1_000 * MS, 4_000 * MS, 1_000 * MS)
    told = Told(spec=spec, place=PersonPlace(sign=Sign.LAMP, label="p"), start=START, end=END, on=on)
    told.up(START)
    number = 0
    last = 0

    def say(at: int, *, on: bool, is_change: bool) -> None:
        nonlocal number, last
        number += 1
        last = max(last + 1, at + draw.randint(least, most))
        since = last - draw.randint(0, 30 * MS)
        said = Said(id=number, sign=Sign.LAMP, label="p", on=on, is_change=is_change)
        told.said.append(Message(first_ns=since, last_ns=last, data=person_messages.encode(said)))

    for begin, end in _spans(draw, START, END - 2_000 * MS, draw.randint(0, 5), 500 * MS, 9_000 * MS, 3_000 * MS):
        say(begin, on=told.is_on(begin), is_change=False)
        knows = True
        if draw.random() < 0.2:
            say(begin + MS, on=not told.is_on(begin), is_change=True)
            number += 1
            undone = Undone(id=number, of=number - 1, sign=Sign.LAMP, label="p", then=told.is_on(begin))
            told.said.append(Message(first_ns=last, last_ns=last, data=person_messages.encode(undone)))
            knows = False
        for at, on_now in told.changes():
            if begin < at < end:
                say(at, on=on_now, is_change=knows)
                knows = True
    return told


KINDS: dict[str, Callable[[Random], Told]] = {
    "printed": printed,
    "published": published,
    "subscribed": subscribed,
    "notified": notified,
    "watched": watched,
}
