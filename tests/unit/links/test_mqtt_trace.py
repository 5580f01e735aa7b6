"""MQTT messages as traces, on small numbers: bounds, states, edges and seals of each rule."""

from __future__ import annotations

from harness.core.links import MqttLink
from harness.core.places import MqttPlace
from harness.links.base import LinkState
from harness.links.decoding import is_sign_of_life
from harness.links.mqtt_messages import Answered, Lost, MqttMessage, Published, Subscribing, encode
from harness.links.mqtt_trace import SequenceWatch, mqtt_trace
from harness.links.seen import Message, StateChange
from tests.peers.recorder import ORIGIN
from tests.unit.links.test_text_trace import S, samples

PLACE = MqttPlace(topic="a", pointer="/on")
UP, DOWN = LinkState.UP, LinkState.DOWN


def link(delay: int | None = 50, *, promises: bool = True, **rest: object) -> MqttLink:
    return MqttLink(
        name="broker",
        host="127.0.0.1",
        port=1,
        timeout_ns=1,
        longest_delay_ns=delay,
        promises_every_change=promises,
        origin=ORIGIN,
        **rest,  # type: ignore[arg-type]
    )


CONTROLLED = link(alive_topic="alive", down_payload="gone", will_within_ns=200)
COUNTED = link(sequence_pointer="/n")


def at(when: int, what: MqttMessage, first: int | None = None) -> Message:
    return Message(first_ns=when if first is None else first, last_ns=when, data=encode(what))


def subscribe(when: int = 100) -> Message:
    return at(when, Subscribing(topics=("a",)))


def told(when: int, on: bool, *, first: int | None = None, n: int | None = None, **rest: object) -> Message:
    number = "" if n is None else f',"n":{n}'
    payload = f'{{"on":{"true" if on else "false"}{number}}}'.encode()
    return at(when, Published(topic="a", payload=payload, **rest), first)  # type: ignore[arg-type]


def kept(when: int, on: bool, n: int | None = None) -> Message:
    return told(when, on, n=n, retain=True)


def other(when: int, payload: bytes = b"x", topic: str = "b", *, retain: bool = False) -> Message:
    return at(when, Published(topic=topic, payload=payload, retain=retain))


def read(
    *messages: Message, spec: MqttLink | None = None, lost: tuple[int, ...] = (), end: int = 100_000, topic: str = "a"
) -> list[S]:
    states = [StateChange(at_ns=when, state=DOWN, why="") for when in lost]
    place = MqttPlace(topic=topic, pointer="/on") if topic == "a" else MqttPlace(topic=topic, on_values=("gone",))
    return samples(mqtt_trace("p", place, spec or link(), list(messages), states, end))


def test_nothing_heard_is_no_evidence() -> None:
    assert read() == []
    assert read(subscribe(), other(500)) == []
    assert read(told(300, on=True)) == []  # without a connection nothing can have come


def test_a_kept_message_is_a_state_since_subscribing_less_the_delay() -> None:
    assert read(subscribe(), kept(110, on=True)) == [S(50, 110, on=True)]
    assert read(subscribe(), kept(110, on=False), spec=link(None)) == [S(100, 110, on=False)]


def test_the_first_live_message_is_a_state_too() -> None:
    assert read(subscribe(), told(300, on=True, first=290)) == [S(240, 300, on=True)]


def test_a_change_lies_between_its_arrival_less_the_delay_and_its_arrival() -> None:
    assert read(subscribe(), kept(110, on=False), told(300, on=True, first=290), told(500, on=False)) == [
        S(50, 110, on=False),
        S(240, 300, on=True, edge=True, sealed=True),
        S(450, 500, on=False, edge=True, sealed=True),
    ]


def test_without_a_delay_the_change_before_is_the_lower_bound() -> None:
    messages = [subscribe(), kept(110, on=False), told(300, on=True), told(400, on=True), told(500, on=False)]
    assert read(*messages, spec=link(None)) == [
        S(100, 110, on=False),
        S(101, 300, on=True, edge=True, sealed=True),
        S(101, 400, on=True, sealed=True),
        S(102, 500, on=False, edge=True, sealed=True),
    ]


def test_the_same_state_again_is_no_event() -> None:
    assert read(subscribe(), kept(110, on=False), told(300, on=True), told(400, on=True)) == [
        S(50, 110, on=False),
        S(250, 300, on=True, edge=True, sealed=True),
        S(350, 400, on=True, sealed=True),
    ]


def test_a_path_that_promises_nothing_is_never_sealed() -> None:
    messages = [subscribe(), kept(110, on=False), told(300, on=True), other(900)]
    assert read(*messages, spec=link(promises=False)) == [S(50, 110, on=False), S(250, 300, on=True)]


def test_where_a_message_may_be_lost_the_next_one_is_a_state_unless_they_are_numbered() -> None:
    """A controller may publish its state every minute: the change that it tells of may be the one that was lost."""
    numbered = [subscribe(), kept(110, on=False, n=3), told(300, on=True, n=4), told(500, on=False, n=6)]
    assert read(*numbered, spec=link(promises=False, sequence_pointer="/n")) == [
        S(50, 110, on=False),
        S(250, 300, on=True, edge=True),
        S(450, 500, on=False),
    ]


def test_what_comes_with_qos_0_was_promised_by_nobody() -> None:
    messages = [subscribe(), kept(110, on=False), told(300, on=True, qos=0), told(500, on=False), other(900)]
    assert read(*messages) == [
        S(50, 110, on=False),
        S(250, 300, on=True),
        S(450, 500, on=False),
        S(850, 850, on=False, sealed=True),
    ]


def test_another_message_proves_that_nothing_changed_until_it_came_less_the_delay() -> None:
    assert read(subscribe(), kept(110, on=False), other(900)) == [
        S(50, 110, on=False),
        S(850, 850, on=False, sealed=True),
    ]
    assert read(subscribe(), kept(110, on=False), told(300, on=True), other(900)) == [
        S(50, 110, on=False),
        S(250, 300, on=True, edge=True, sealed=True),
        S(850, 850, on=True, sealed=True),
    ]
    assert read(subscribe(), kept(110, on=False), other(900, retain=True)) == [S(50, 110, on=False)]
    assert read(subscribe(), kept(110, on=False), other(900), spec=link(None)) == [S(100, 110, on=False)]


def test_silence_alone_proves_nothing() -> None:
    assert read(subscribe(), kept(110, on=False), lost=(5_000,)) == [S(50, 110, on=False)]


def test_after_a_lost_connection_another_state_is_no_edge_and_nothing_is_sealed() -> None:
    messages = [subscribe(), kept(110, on=False), other(300), subscribe(600), kept(610, on=True), told(800, on=False)]
    assert read(*messages, lost=(400,)) == [
        S(50, 110, on=False),
        S(250, 250, on=False, sealed=True),
        S(550, 610, on=True),
        S(750, 800, on=False, edge=True, sealed=True),
    ]


def test_a_new_connection_is_a_break_even_where_nobody_said_that_the_old_one_was_lost() -> None:
    messages = [subscribe(), kept(110, on=False), subscribe(600), kept(610, on=False)]
    assert read(*messages) == [S(50, 110, on=False), S(550, 610, on=False)]


def test_nothing_is_claimed_between_a_lost_connection_and_the_next_message_of_the_topic() -> None:
    messages = [subscribe(), kept(110, on=False), subscribe(600), other(900), told(1_000, on=True)]
    assert read(*messages, lost=(400,)) == [S(50, 110, on=False), S(950, 1_000, on=True)]


def test_what_comes_after_the_end_is_not_read() -> None:
    assert read(subscribe(), kept(110, on=False), told(300, on=True), end=299) == [S(50, 110, on=False)]


def test_a_payload_that_tells_nothing_is_a_break_of_its_topic_only() -> None:
    garbage = at(300, Published(topic="a", payload=b"\xff"))
    assert read(subscribe(), kept(110, on=False), garbage, other(900), told(1_000, on=True)) == [
        S(50, 110, on=False),
        S(950, 1_000, on=True),
    ]
    elsewhere = at(300, Published(topic="b", payload=b"\xff"))
    assert read(subscribe(), kept(110, on=False), elsewhere, told(1_000, on=True))[-1] == S(
        950, 1_000, on=True, edge=True, sealed=True
    )


def test_a_message_that_was_not_kept_is_a_break_of_its_topic_only() -> None:
    for topic, sample in (("a", S(950, 1_000, on=True)), ("b", S(950, 1_000, on=True, edge=True, sealed=True))):
        gone = at(300, Lost(topic=topic, why="too long"))
        assert read(subscribe(), kept(110, on=False), gone, told(1_000, on=True))[-1] == sample


def test_a_message_sent_again_by_the_broker_is_no_event() -> None:
    messages = [subscribe(), kept(110, on=False), told(300, on=True), told(400, on=True, dup=True)]
    assert read(*messages)[2:] == [S(350, 400, on=True, sealed=True)]
    messages = [subscribe(), kept(110, on=False), told(300, on=True, dup=True), told(900, on=True)]
    assert read(*messages) == [S(50, 110, on=False), S(850, 900, on=True)]


def test_no_sign_of_life_proves_silence_where_a_number_shows_that_something_was_said_and_lost() -> None:
    before = [subscribe(), kept(110, on=False, n=3), other(400)]
    assert read(*before, told(500, on=False, n=6), spec=COUNTED) == [S(50, 110, on=False), S(450, 500, on=False)]
    assert read(*before, told(500, on=False, n=4), spec=COUNTED) == [
        S(50, 110, on=False),
        S(450, 500, on=False, sealed=True),
    ]


# --- sequence numbers -------------------------------------------------------------------------------


def test_numbers_in_order_are_edges_and_a_duplicate_is_nothing() -> None:
    messages = [subscribe(), kept(110, on=False, n=4), told(300, on=True, n=5), told(400, on=True, n=5)]
    assert read(*messages, told(500, on=False, n=6), spec=COUNTED) == [
        S(50, 110, on=False),
        S(250, 300, on=True, edge=True, sealed=True),
        S(450, 500, on=False, edge=True, sealed=True),
    ]


def test_a_jump_is_a_break() -> None:
    messages = [subscribe(), kept(110, on=False, n=4), told(300, on=True, n=7), told(500, on=False, n=8)]
    assert read(*messages, spec=COUNTED) == [
        S(50, 110, on=False),
        S(250, 300, on=True),
        S(450, 500, on=False, edge=True, sealed=True),
    ]


def test_an_old_message_that_comes_again_is_no_second_onset() -> None:
    messages = [kept(110, on=False, n=4), told(300, on=True, n=5), told(400, on=False, n=6)]
    again = [told(500, on=True, n=5), told(600, on=False, n=6), told(900, on=True, n=7)]
    assert read(subscribe(), *messages, *again, spec=COUNTED) == [
        S(50, 110, on=False),
        S(250, 300, on=True, edge=True, sealed=True),
        S(350, 400, on=False, edge=True, sealed=True),
        S(550, 600, on=False),
        S(850, 900, on=True, edge=True, sealed=True),
    ]


def test_a_message_without_its_number_is_a_break() -> None:
    assert read(subscribe(), kept(110, on=False, n=4), told(300, on=True), spec=COUNTED)[-1] == S(250, 300, on=True)


def test_the_watch_in_words() -> None:
    watch = SequenceWatch()
    assert watch.wrong(7) == ""
    assert watch.wrong(8) == ""
    assert watch.wrong(10) == "1 message lost: sequence number 8 was followed by 10"
    assert watch.wrong(13) == "2 messages lost: sequence number 10 was followed by 13"
    assert "began anew" in watch.wrong(1)
    assert watch.is_again(1)
    assert "no sequence number" in watch.wrong(None)


# --- the controller behind the broker ---------------------------------------------------------------


def test_a_last_will_is_a_break_and_nothing_counts_until_the_controller_is_back() -> None:
    messages = [
        subscribe(),
        other(105, b"here", "alive", retain=True),
        kept(110, on=False),
        other(400),
        other(1_000, b"gone", "alive"),
        told(1_100, on=True),
        other(1_200),
        other(2_000, b"here", "alive"),
        told(2_100, on=False),
        other(2_300, b"here", "alive"),
    ]
    assert read(*messages, spec=CONTROLLED) == [
        S(50, 110, on=False),
        S(350, 350, on=False, sealed=True),
        S(2_050, 2_100, on=False),
        S(2_250, 2_250, on=False, sealed=True),
    ]


def test_a_controller_that_was_gone_before_farend_came_has_no_states() -> None:
    gone = other(105, b"gone", "alive", retain=True)
    assert read(subscribe(), gone, kept(110, on=False), other(900), spec=CONTROLLED) == []


def test_a_point_on_the_alive_topic_itself_is_told_by_the_broker() -> None:
    messages = [subscribe(), other(105, b"here", "alive", retain=True), other(1_000, b"gone", "alive")]
    assert read(*messages, spec=CONTROLLED, topic="alive") == [
        S(50, 105, on=False),
        S(950, 1_000, on=True, edge=True, sealed=True),
    ]


def test_an_answer_of_the_broker_proves_the_controller_only_as_far_as_its_will_would_have_come() -> None:
    here, answered = other(105, b"here", "alive", retain=True), at(1_000, Answered())
    messages = [subscribe(), here, kept(110, on=False), answered]
    assert read(*messages, spec=CONTROLLED) == [S(50, 110, on=False), S(750, 750, on=False, sealed=True)]
    undeclared = link(alive_topic="alive", down_payload="gone")
    assert read(*messages, spec=undeclared) == [S(50, 110, on=False)]
    assert read(subscribe(), kept(110, on=False), answered, spec=CONTROLLED) == [S(50, 110, on=False)]
    assert read(*messages, other(1_010, b"gone", "alive"), spec=CONTROLLED)[-1] == S(750, 750, on=False, sealed=True)
    assert read(subscribe(), kept(110, on=False), answered) == [S(50, 110, on=False)]


def test_what_a_broker_kept_or_answers_by_itself_is_no_sign_of_life() -> None:
    spec = link()
    assert is_sign_of_life(spec, other(900).data)
    assert not is_sign_of_life(spec, other(900, retain=True).data)
    assert not is_sign_of_life(spec, at(900, Answered()).data)
    assert not is_sign_of_life(spec, subscribe().data)
    assert not is_sign_of_life(spec, b"?")
