"""A point that is read from what concerns it has the trace that it has when every message of its link is read for it.

The oracle reads all of them, one after the other, as the rules of each protocol are written.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.core.links import BacnetLink, MqttLink, TextLink
from harness.core.model import Point
from harness.core.places import Arrival, BacnetPlace, MqttPlace, ObjectPart, ObjectType, Place, TextPlace
from harness.core.trace import Trace
from harness.links import bacnet_messages, bacnet_trace, mqtt_messages, mqtt_trace, text_trace
from harness.links.bacnet_happened import in_order
from harness.links.bacnet_messages import EventNotice, Gap, Stamp, Subscription, SubscriptionStep, ValueChange
from harness.links.bacnet_read_states import read_states
from harness.links.bacnet_states import state_read
from harness.links.bacnet_values import ObjectReading, pack, unpack
from harness.links.base import AnyBlock, LinkState, ObjectBlock
from harness.links.decoding import LinkReader, message_reader, trace_of
from harness.links.heard import ALL, Heard, Sorted
from harness.links.seen import Dropped, Failure, Message, Polls, StateChange
from harness.links.text_lines import compile_place
from harness.links.text_search import Lines, longest_literal
from harness.links.told_samples import ToldSamples
from tests.peers.bacnet import bacnet_link
from tests.peers.recorder import ORIGIN

MANY = settings(max_examples=400, deadline=None, derandomize=True, database=None)
END = 2_000
LINK = "it"


@dataclass
class Made:
    """A source made by hand."""

    told: Sequence[Message] = ()
    states: Sequence[StateChange] = ()
    drops: Sequence[Dropped] = ()
    read: Sequence[tuple[ObjectBlock, Polls]] = ()

    def blocks(self) -> tuple[AnyBlock, ...]:
        return tuple(block for block, _ in self.read)

    def polls(self, block_id: int) -> Polls:
        return next(polls for block, polls in self.read if block.id == block_id)

    def failures(self, block_id: int) -> tuple[Failure, ...]:
        del block_id
        return ()

    def messages(self, link: str) -> tuple[Message, ...]:
        del link
        return tuple(self.told)

    def link_states(self, link: str) -> tuple[StateChange, ...]:
        del link
        return tuple(self.states)

    def dropped(self, link: str) -> tuple[Dropped, ...]:
        del link
        return tuple(self.drops)


def same(one: Trace | None, other: Trace | None) -> bool:
    """Whether two traces are equal, value by value."""
    if one is None or other is None:
        return one is other
    names = ("lo", "hi", "starts", "edges", "sealed")
    pairs = [(getattr(one, name), getattr(other, name)) for name in names]
    alike = all(a is b if a is None or b is None else np.array_equal(a, b) for a, b in pairs)
    return alike and one.first_on == other.first_on and one.timed == other.timed


def agree(source: Made, places: Sequence[Place], spec: TextLink | MqttLink | BacnetLink, oracle: Oracle) -> None:
    """Every place, all read from one source, as the oracle reads it; and once more, from a source of its own."""
    start_ns, heard = 0, Heard(source)
    for number, place in enumerate(places):
        point = Point(name=f"p{number}", link=LINK, place=place, origin=ORIGIN)
        wanted = oracle(point.name, place)
        assert same(trace_of(point, spec, heard, source.blocks(), start_ns, END), wanted), place
        assert same(trace_of(point, spec, source, source.blocks(), start_ns, END), wanted), place


Oracle = Callable[[str, Place], Trace]

# --- whatever comes in, in the order of the instants at which it was known ---------------------------------


def times(data: Iterable[tuple[int, int, bytes]]) -> list[Message]:
    """Messages from steps in time (0: at the same instant), widths and data."""
    at, made = 0, []
    for step, width, content in data:
        at += step
        made.append(Message(first_ns=max(0, at - width), last_ns=at, data=content))
    return made


def messages_of(content: st.SearchStrategy[bytes]) -> st.SearchStrategy[list[Message]]:
    one = st.tuples(st.integers(0, 60), st.integers(0, 40), content)
    return st.lists(one, max_size=30).map(times)


INSTANTS = st.integers(0, END)
STATES = st.lists(st.tuples(INSTANTS, st.sampled_from(LinkState)), max_size=4).map(
    lambda told: [StateChange(at_ns=at, state=state, why="") for at, state in sorted([(0, LinkState.UP), *told])]
)
DROPS = st.lists(INSTANTS, max_size=2).map(lambda told: [Dropped(at_ns=at, what="x", data=b"") for at in sorted(told)])
DELAYS = st.sampled_from([None, 5, 50])

# --- printed lines ------------------------------------------------------------------------------------------

TEXTS = [
    TextPlace(raised="UP A", cleared="OK A", acknowledged="AK A"),
    TextPlace(raised=r"\d+ UP (?P<what>B|C)", cleared=r"\d+ OK (B|C)"),
    TextPlace(raised="(?i)up a", cleared="(?i)ok a"),
    TextPlace(raised="UP .", cleared=None),
    TextPlace(raised="^UP (?:A|D)$", cleared="[O]K A|OK D"),
    TextPlace(raised=".*", cleared="OK A"),
    TextPlace(raised=r"UP A\\xff", cleared="OK A"),
]
LINES = st.sampled_from(
    [
        b"UP A",
        b"OK A",
        b"AK A",
        b"1 UP B",
        b"2 UP C",
        b"3 OK B",
        b"up a",
        b"UP D",
        b"OK D",
        b"life",
        b"UP A\xff",
        b"\x00",
    ]
)


@MANY
@given(messages_of(LINES), STATES, DROPS, DELAYS, st.booleans())
def test_printed_lines(
    lines: list[Message], states: list[StateChange], drops: list[Dropped], delay: int | None, promises: bool
) -> None:
    spec = TextLink(
        name=LINK, host="h", tcp_port=1, longest_delay_ns=delay, promises_every_change=promises, origin=ORIGIN
    )

    def oracle(point: str, place: Place) -> Trace:
        assert isinstance(place, TextPlace)
        subscribed = text_trace._subscribed(states, 0, END)
        if subscribed is None:
            return ToldSamples().trace(point)
        breaks = text_trace._breaks(states, drops, subscribed)
        reading = text_trace._Reading(point, place, spec, subscribed, breaks)
        return reading.read(line for line in lines if subscribed <= line.last_ns <= END)

    agree(Made(told=lines, states=states, drops=drops), TEXTS, spec, oracle)


@MANY
@given(
    st.lists(st.text("ab\nUP", max_size=8), max_size=12), st.sampled_from(["ab", "UP", "(UP)", "a|UP", "U\nP", "^a.*"])
)
def test_no_line_that_matches_is_left_out(texts: list[str], pattern: str) -> None:
    places = compile_place(TextPlace(raised=pattern))
    matching = [at for at, text in enumerate(texts) if re.fullmatch(pattern, text)]
    found = list(Lines(texts).candidates(places))
    assert found == sorted(set(found))
    assert set(matching) <= set(found)


def test_what_every_match_holds() -> None:
    found = {
        "UP A": "UP A",
        r"\d+ UP (?P<what>B|C) here": " here",
        "(?i)up": "",
        "(?x) U P # text": "UP",
        "^abc$": "abc",
        "a|b": "",
        "(?i:abc)d": "d",
        "ab?cd": "cd",
        "(?=abc)d": "d",
        r"\.\.A": "..A",
    }
    assert {pattern: longest_literal(pattern) for pattern in found} == found


# --- MQTT -----------------------------------------------------------------------------------------------------

TOPICS = ["a", "b", "alive"]


@st.composite
def published(draw: st.DrawFn) -> mqtt_messages.Published:
    payload = draw(st.sampled_from([b"0", b"1", b"?", b'{"on": true, "n": 1}', b'{"on": false, "n": 2}', b"gone"]))
    flags = {name: draw(st.booleans()) for name in ("retain", "dup")}
    return mqtt_messages.Published(
        topic=draw(st.sampled_from(TOPICS)), payload=payload, qos=draw(st.integers(0, 1)), **flags
    )


MQTT = st.one_of(
    published().map(mqtt_messages.encode),
    st.sampled_from(
        [
            mqtt_messages.encode(mqtt_messages.Subscribing(topics=("a", "b"))),
            mqtt_messages.encode(mqtt_messages.Lost(topic="a", why="")),
            mqtt_messages.encode(mqtt_messages.Refused(topic="b", why="")),
            mqtt_messages.encode(mqtt_messages.Answered()),
            b"nothing of the kind",
        ]
    ),
)


@MANY
@given(
    messages_of(MQTT), STATES, DELAYS, st.booleans(), st.sampled_from([None, 10]), st.sampled_from([None, "/n"]),
    st.sampled_from([None, "alive"]),
)  # fmt: skip
def test_topics(
    told: list[Message],
    states: list[StateChange],
    delay: int | None,
    promises: bool,
    will: int | None,
    sequence: str | None,
    alive: str | None,
) -> None:
    spec = MqttLink(
        name=LINK, host="h", port=1, timeout_ns=1, longest_delay_ns=delay, promises_every_change=promises,
        alive_topic=alive, down_payload="gone", will_within_ns=will, sequence_pointer=sequence, origin=ORIGIN,
    )  # fmt: skip
    begin = Message(first_ns=0, last_ns=0, data=mqtt_messages.encode(mqtt_messages.Subscribing(topics=("a", "b"))))
    told = [begin, *told]

    def oracle(point: str, place: Place) -> Trace:
        assert isinstance(place, MqttPlace)
        reading = mqtt_trace._Reading(place, spec)
        for at in mqtt_trace._in_order(told, states, END):
            heard = None if at is None else mqtt_messages.decode(at.data)
            if at is None:
                reading.lose_connection()
            elif heard is not None:
                reading.take(heard, at.first_ns, at.last_ns)
        return reading.finish(point)

    places = [MqttPlace(topic="a"), MqttPlace(topic="b", pointer="/on"), MqttPlace(topic="alive"), MqttPlace(topic="c")]
    agree(Made(told=told, states=states), places, spec, oracle)


# --- BACnet ---------------------------------------------------------------------------------------------------

OBJECTS = [(ObjectType.BINARY_INPUT, 1), (ObjectType.BINARY_INPUT, 2)]
INVOKES = st.sampled_from([None, 1, 2])


@st.composite
def said(draw: st.DrawFn) -> bytes:
    it = draw(st.sampled_from(OBJECTS))
    kind = draw(st.integers(0, 5))
    message: bacnet_messages.BacnetMessage
    if kind <= 1:
        reading = ObjectReading(value=float(draw(st.integers(0, 1))))
        message = ValueChange(object=it, process=1, invoke=draw(INVOKES), remaining_s=60, reading=reading)
    elif kind <= 3:
        message = EventNotice(
            object=draw(st.sampled_from([*OBJECTS, None])), process=1, invoke=draw(INVOKES), stamp=Stamp(sequence=1),
            notification_class=1, priority=1, event_type=1, notify_type=draw(st.sampled_from([0, 0, 2])),
            ack_required=True, from_state=draw(st.sampled_from([0, 2, None])),
            to_state=draw(st.sampled_from([0, 1, 2])),
        )  # fmt: skip
    elif kind == 4:
        step = draw(st.sampled_from(SubscriptionStep))
        message = Subscription(object=it, step=step, since_ns=draw(st.one_of(st.none(), INSTANTS)))
    else:
        message = Gap(since_ns=draw(INSTANTS), why="")
    return bacnet_messages.encode(message)


@st.composite
def event_states(draw: st.DrawFn, number: int) -> tuple[ObjectBlock, Polls]:
    """What a block of both objects read, in order of asking."""
    asked = np.cumsum(np.array(draw(st.lists(st.integers(3, 90), max_size=20)), dtype=np.int64))
    states = [draw(st.lists(st.sampled_from([None, 0, 1, 2]), min_size=2, max_size=2)) for _ in asked]
    packed = [b"".join(pack(ObjectReading(value=0.0, event_state=it)) for it in pair) for pair in states]
    starts = [at for at in range(len(packed)) if at == 0 or packed[at] != packed[at - 1]]
    block = ObjectBlock(id=number, link=LINK, objects=tuple(OBJECTS))
    runs = np.array(starts, dtype=np.int64)
    return block, Polls(asked=asked, told=asked + 2, starts=runs, payloads=[packed[at] for at in starts])


BACNET = [
    BacnetPlace(object_type=it[0], instance=it[1], arrives=way, part=part)
    for it in [*OBJECTS, (ObjectType.BINARY_INPUT, 3)]
    for way, part in [
        (Arrival.COV, ObjectPart.PRESENT_VALUE),
        (Arrival.EVENT, ObjectPart.PRESENT_VALUE),
        (Arrival.EVENT, ObjectPart.FAULT),
    ]
]


@MANY
@given(messages_of(said()), STATES, DROPS, DELAYS, st.booleans(), event_states(1), event_states(2))
def test_notifications(
    told: list[Message],
    states: list[StateChange],
    drops: list[Dropped],
    delay: int | None,
    promises: bool,
    one: tuple[ObjectBlock, Polls],
    other: tuple[ObjectBlock, Polls],
) -> None:
    spec = bacnet_link(1, name=LINK, longest_delay_ns=delay, promises_every_change=promises)
    source = Made(told=told, states=states, drops=drops, read=[one, other])

    def oracle(point: str, place: Place) -> Trace:
        assert isinstance(place, BacnetPlace)
        reading = bacnet_trace._Reading(place, spec, [polls for _, polls in source.read if len(polls)])
        reading.read_states = read_states(place, source.read)
        for happening in in_order(source, LINK, 0, END):
            reading.take(happening)
        return reading.trace(point, END)

    agree(source, BACNET, spec, oracle)


@MANY
@given(event_states(1), event_states(2), st.sampled_from(BACNET), INSTANTS)
def test_where_a_state_was_read_first(
    one: tuple[ObjectBlock, Polls], other: tuple[ObjectBlock, Polls], place: BacnetPlace, since: int
) -> None:
    """As a list of all reads gives it, read by read."""
    mine, reads = (place.object_type, place.instance), []
    for block, polls in (one, other):
        ends = [*polls.starts.tolist()[1:], len(polls)] if len(polls) else []
        for first, end, payload in zip(polls.starts.tolist(), ends, polls.payloads, strict=True):
            for at in range(first, end):
                if mine in block.objects:
                    on = state_read(place, unpack(payload, block.objects.index(mine)))
                    if on is not None and polls.asked[at] >= since:
                        reads.append((int(polls.asked[at]), int(polls.told[at]), on))
    assert read_states(place, [one, other]).first_from(since) == min(reads, default=None)


# --- what is kept apart -----------------------------------------------------------------------------------------


def test_of_signs_of_life_in_a_row_the_last_one_is_kept() -> None:
    keys = [None, "a", None, None, ALL, "b", None, "a", None, None]
    signs = [True, False, True, True, False, True, True, False, True, False]
    found = Sorted(range(10), keys, signs)
    assert list(found.about("a")) == [0, 1, 3, 4, 6, 7, 8]
    assert list(found.about("b")) == [3, 4, 5, 8]
    assert list(found.about("c")) == [3, 4, 8]
    assert list(Sorted(range(10), keys).about("c")) == [4]


@MANY
@given(st.lists(st.one_of(LINES, MQTT, said()), max_size=20))
def test_a_link_reads_for_its_points_what_each_of_them_would_read(told: list[bytes]) -> None:
    line = TextLink(name=LINK, host="h", tcp_port=1, origin=ORIGIN)
    broker = MqttLink(name=LINK, host="h", port=1, timeout_ns=1, origin=ORIGIN)
    topics = [MqttPlace(topic="a"), MqttPlace(topic="a", pointer="/on"), MqttPlace(topic="b"), MqttPlace(topic="c")]
    links: list[tuple[TextLink | MqttLink | BacnetLink, Sequence[Place]]] = [
        (line, TEXTS),
        (broker, topics),
        (bacnet_link(1, name=LINK), BACNET),
    ]
    for spec, places in links:
        points = [Point(name=f"p{number}", link=LINK, place=it, origin=ORIGIN) for number, it in enumerate(places)]
        reader = LinkReader([*points, replace(points[0], name="other", link="another")], spec)
        assert reader.points == [it.name for it in points]
        for data in told:
            try:
                each = [(it, on) for it in points if (on := _reader(it, spec)(data)) is not None]
            except ValueError:
                continue  # of another protocol
            assert sorted(reader.read(data), key=points_first) == sorted(each, key=points_first)


def points_first(it: tuple[Point, bool]) -> str:
    return it[0].name


def _reader(point: Point, spec: TextLink | MqttLink | BacnetLink) -> Callable[[bytes], bool | None]:
    found = message_reader(point.place, spec)
    assert found is not None
    return found


def test_a_source_is_asked_for_everything_once() -> None:
    asked: list[str] = []

    class Counting(Made):
        def messages(self, link: str) -> tuple[Message, ...]:
            asked.append(link)
            return ()

    heard = Heard(Counting())
    assert heard.messages("a") == heard.messages("a") == heard.messages("b") == ()
    assert asked == ["a", "b"]
