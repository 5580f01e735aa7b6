"""What an MQTT listener tells, as bytes of a record and back."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.links.mqtt_messages import Answered, Lost, MqttMessage, Published, Refused, Subscribing, decode, encode

TEXTS = st.text(st.characters(exclude_categories=["Cs"]))


@pytest.mark.parametrize(
    "message",
    [
        Published(topic="a/b", payload=b"ON", qos=2, retain=True, dup=True),
        Published(topic="A\U0002a6d4", payload=b"\xff\x00", qos=0),
        Published(topic="a", payload=b""),
        Subscribing(topics=("a", "b/c")),
        Refused(topic="a", why="not authorised"),
        Lost(topic="a", why="too long"),
        Answered(),
    ],
)
def test_there_and_back(message: MqttMessage) -> None:
    assert decode(encode(message)) == message


@given(topic=TEXTS, payload=st.binary(), qos=st.sampled_from([0, 1, 2]), retain=st.booleans(), dup=st.booleans())
def test_any_message_comes_back(topic: str, payload: bytes, qos: int, retain: bool, dup: bool) -> None:
    message = Published(topic=topic, payload=payload, qos=qos, retain=retain, dup=dup)
    assert decode(encode(message)) == message


def test_the_bytes_are_canonical_and_for_people_to_read() -> None:
    assert encode(Published(topic="a", payload="Öl".encode())) == (
        '{"dup":false,"payload":"Öl","qos":1,"retain":false,"topic":"a"}'.encode()
    )
    assert json.loads(encode(Published(topic="a", payload=b"\xff"))) == {
        "topic": "a", "qos": 1, "retain": False, "dup": False, "payload_base64": "/w==",
    }  # fmt: skip


@pytest.mark.parametrize(
    "data",
    [
        b"", b"\xff", b"[]", b"1", b"{}", b'{"topic":"a"}', b"[" * 100_000, b'{"answered":false}',
        b'{"topic":"a","qos":1,"retain":false,"dup":false}',
        b'{"topic":"a","qos":1,"retain":false,"dup":false,"payload_base64":"/"}',
        b'{"topic":"a","qos":1,"retain":false,"dup":false,"payload_base64":3}',
    ],
)  # fmt: skip
def test_anything_else_is_none(data: bytes) -> None:
    assert decode(data) is None
