"""Watching a broker: addresses of the command line, and what a message says on the screen."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.core.errors import UsageError
from harness.core.links import MqttVersion, Tls
from harness.core.model import Point
from harness.core.places import MqttPlace
from harness.links.mqtt_messages import Answered, MqttMessage, Published, Subscribing, encode
from harness.run.preview import mqtt_cost, mqtt_topics
from harness.run.watching import Change, FirstRead, Notice, Watcher
from harness.run.watching_mqtt import SHOWN_CHARACTERS_MAX, mqtt_of_address, said
from tests.peers.recorder import ORIGIN


def test_an_address_with_everything_left_out() -> None:
    link, point = mqtt_of_address("mqtt://broker.example/plant/#")
    assert (link.host, link.port, link.version, link.qos, link.tls) == (
        "broker.example", 1883, MqttVersion.V311, 1, None,
    )  # fmt: skip
    assert point.place == MqttPlace(topic="plant/#")


def test_an_address_with_everything_said() -> None:
    link, point = mqtt_of_address(
        "mqtts://[::1]:9000/a/+/b%3F?version=5&qos=0&user=anna&password_env=WORD&ca=c.pem&cert=d.pem&key=e.pem"
    )
    assert (link.host, link.port, link.version, link.qos) == ("::1", 9000, MqttVersion.V5, 0)
    assert (link.user_name, link.password_env) == ("anna", "WORD")
    assert link.tls == Tls(ca_file="c.pem", certificate_file="d.pem", key_file="e.pem")
    assert point.name == "a/+/b?"
    assert mqtt_of_address("mqtts://h/a")[0].port == 8883


@pytest.mark.parametrize(
    ("address", "message"),
    [
        ("mqtt:///a", "no host; expected mqtt://HOST"),
        ("mqtt://h", "no topic; expected mqtt://HOST.*in quotes"),
        ("mqtt://h/a+b", r"topic=a\+b: \+ stands for one whole level"),
        ("mqtt://h/#/a", "topic=#/a: .*# for all below at the very end"),
        ("mqtt://h/a#", "topic=a#"),
        ("mqtt://h:99999/a", "expected a port from 1 to 65535"),
        ("mqtt://h/a?qos=3", "qos=3: expected one of 0, 1, 2"),
        ("mqtt://h/a?version=4", "version=4: expected one of 3.1.1, 5"),
        ("mqtt://h/a?colour=red", "colour=red: expected one of version, qos"),
        ("mqtt://h/a?ca=x", "ca=x: belongs to TLS; write mqtts://"),
        ("mqtts://h/a?cert=x", "expected both cert and key"),
        ("mqtt://h/a%00b", "without NUL"),
    ],
)
def test_what_is_no_address(address: str, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        mqtt_of_address(address)


def test_a_password_on_the_command_line_is_refused_and_not_repeated() -> None:
    with pytest.raises(UsageError, match="put it into an environment variable") as caught:
        mqtt_of_address("mqtt://anna:secret-word@h/a")
    assert "secret-word" not in str(caught.value)


def point(name: str, **place: object) -> Point:
    return Point(name=name, link="broker", place=MqttPlace(topic="a", **place), origin=ORIGIN)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("points", "payload", "words"),
    [
        ([], b"x", [("a", "x")]),
        ([], b"", [("a", "(empty)")]),
        ([], b"\xff", [("a", "\\xff")]),
        ([], b"x" * 1000, [("a", "x" * (SHOWN_CHARACTERS_MAX - 1) + "…")]),
        ([point("p")], b"true", [("p", "true")]),
        ([point("p", pointer="/on")], b'{"on":true}', [("p", "on")]),
        ([point("p", pointer="/on")], b"garbage", [("p", "garbage")]),
        ([point("p", pointer="/on"), point("q", on_values=("x",))], b"x", [("p", "x"), ("q", "on")]),
    ],
)
def test_what_a_message_says(points: list[Point], payload: bytes, words: list[tuple[str, str]]) -> None:
    assert said(points, encode(Published(topic="a", payload=payload))) == words


def test_the_first_value_is_a_state_and_the_same_again_is_no_change() -> None:
    shown: list[Change | Notice | FirstRead] = []
    link, everything = mqtt_of_address("mqtt://h/#")
    watcher = Watcher([everything], shown.append, [link])
    messages: tuple[MqttMessage, ...] = (
        Subscribing(topics=("#",)),
        Published(topic="a", payload=b"1", retain=True),
        Published(topic="a", payload=b"1"),
        Published(topic="b", payload=b"1"),
        Answered(),
        Published(topic="a", payload=b"2"),
    )
    for number, what in enumerate(messages):
        watcher.message("broker", 10 * number, 10 * number + 1, encode(what))
    first, second, change = shown
    assert isinstance(first, FirstRead)
    assert isinstance(second, FirstRead)
    assert [it.place for it in (*first.changes, *second.changes)] == ["a", "b"]
    assert isinstance(change, Change)
    assert (change.place, change.was, change.now, change.at.lo, change.at.hi) == ("a", "1", "2", 50, 51)
    assert watcher.changes == 1


def test_what_listening_costs_a_broker_is_said_before() -> None:
    link, everything = mqtt_of_address("mqtt://h/a")
    assert mqtt_cost(link, mqtt_topics(link, [everything])) == (
        "1 connection, 1 topic with QoS 1, a ping after 15 s of silence, a clean session, nothing published"
    )
    named = replace(link, client_id="site-1", alive_topic="alive")
    assert mqtt_topics(named, [everything, everything]) == ("alive", "a")
    assert "as client site-1: of two clients with one identifier" in mqtt_cost(named, ("alive", "a"))
