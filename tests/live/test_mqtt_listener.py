"""The MQTT listener and a real broker: what comes is told with honest bounds, what is not heard is said."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from harness.core.links import MqttLink, MqttVersion
from harness.core.model import Point
from harness.core.places import MqttPlace
from harness.links.base import LinkState
from harness.links.mqtt import MqttListener
from harness.links.mqtt_messages import MqttMessage, Published, Subscribing, decode
from tests.peers.broker import broker, needs_mosquitto, publisher
from tests.peers.recorder import ORIGIN, Recorder, listening

pytestmark = needs_mosquitto

clock = time.monotonic_ns
VERSIONS = pytest.mark.parametrize("version", [MqttVersion.V311, MqttVersion.V5])


def mqtt_link(port: int, **rest: object) -> MqttLink:
    settings: dict[str, object] = {"timeout_ns": 5_000_000_000, "keep_alive_s": 5, **rest}
    return MqttLink(name="broker", host="127.0.0.1", port=port, origin=ORIGIN, **settings)  # type: ignore[arg-type]


def points(*topics: str) -> list[Point]:
    return [
        Point(name=topic, link="broker", place=MqttPlace(topic=topic, pointer="/active"), origin=ORIGIN)
        for topic in topics
    ]


def heard(recorder: Recorder) -> list[MqttMessage]:
    found = [decode(data) for _, _, _, data in recorder.lines]
    assert None not in found
    return [it for it in found if it is not None]


def published(recorder: Recorder) -> list[Published]:
    return [it for it in heard(recorder) if isinstance(it, Published)]


def ups(recorder: Recorder) -> int:
    return sum(state is LinkState.UP for _, _, state, _ in recorder.states)


@VERSIONS
async def test_messages_come_with_bounds_that_hold_the_instant_at_which_they_were_published(
    tmp_path: Path, version: MqttVersion
) -> None:
    recorder = Recorder()
    async with broker(tmp_path) as one:
        listener = MqttListener(mqtt_link(one.port, version=version), points("a/1", "a/2"), recorder, clock)
        async with publisher(one.port) as other, listening(listener):
            await recorder.until(lambda: ups(recorder) == 1)
            for number in range(20):
                before = clock()
                await other.publish(f"a/{number % 2 + 1}", f'{{"active":{number}}}', qos=1)
                await recorder.until(lambda wanted=number + 1: len(published(recorder)) == wanted)  # type: ignore[misc]
                _, first_ns, last_ns, _ = recorder.lines[-1]
                assert first_ns <= last_ns
                assert before <= last_ns <= clock()
    assert heard(recorder)[0] == Subscribing(topics=("a/1", "a/2"))
    assert [it.payload for it in published(recorder)] == [f'{{"active":{n}}}'.encode() for n in range(20)]
    assert {(it.qos, it.retain, it.dup) for it in published(recorder)} == {(1, False, False)}
    assert [state for _, _, state, _ in recorder.states] == [LinkState.UP, LinkState.DOWN]
    assert recorder.states[-1][3] == "the listener was ended"
    assert not recorder.drops
