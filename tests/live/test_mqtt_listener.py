"""The MQTT listener and a real broker: what comes is told with honest bounds, what is not heard is said."""

from __future__ import annotations

import asyncio
import itertools
import json
import re
import socket
import ssl
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from random import Random

import aiomqtt
import pytest

from harness.core.links import MqttLink, MqttVersion, Tls
from harness.core.model import Point
from harness.core.places import MqttPlace
from harness.core.trace import Trace
from harness.links.base import LinkState
from harness.links.mqtt import PAYLOAD_BYTES_MAX, MqttListener
from harness.links.mqtt_messages import Answered, Lost, MqttMessage, Published, Refused, Subscribing, decode
from harness.links.mqtt_trace import mqtt_trace
from harness.links.seen import Message, StateChange
from tests.peers.broker import SECURITY_PLUGIN, Broker, broker, needs_mosquitto, needs_security_plugin, publisher
from tests.peers.recorder import DEADLINE_S, ORIGIN, Recorder, eventually, listening

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


@VERSIONS
@pytest.mark.parametrize("qos", [0, 1, 2])
async def test_every_quality_of_service_is_subscribed_as_declared(
    tmp_path: Path, version: MqttVersion, qos: int
) -> None:
    recorder = Recorder()
    async with broker(tmp_path) as one, publisher(one.port) as other:
        listener = MqttListener(mqtt_link(one.port, version=version, qos=qos), points("a"), recorder, clock)
        async with listening(listener):
            await recorder.until(lambda: ups(recorder) == 1)
            await other.publish("a", b'{"active":true}', qos=2)
            await recorder.until(lambda: len(published(recorder)) == 1)
    assert published(recorder) == [Published(topic="a", payload=b'{"active":true}', qos=qos)]


@VERSIONS
async def test_what_the_broker_kept_is_marked_as_a_state(tmp_path: Path, version: MqttVersion) -> None:
    recorder = Recorder()
    async with broker(tmp_path) as one, publisher(one.port) as other:
        await other.publish("a", b"kept", qos=1, retain=True)
        async with listening(MqttListener(mqtt_link(one.port, version=version), points("a"), recorder, clock)):
            await recorder.until(lambda: len(published(recorder)) == 1)
            await other.publish("a", b"new", qos=1, retain=True)
            await recorder.until(lambda: len(published(recorder)) == 2)
    assert [(it.payload, it.retain) for it in published(recorder)] == [(b"kept", True), (b"new", False)]


async def test_more_topics_than_one_request_takes_are_all_subscribed(tmp_path: Path) -> None:
    recorder = Recorder()
    topics = [f"a/{number}" for number in range(250)]
    async with (
        broker(tmp_path) as one,
        publisher(one.port) as other,
        listening(MqttListener(mqtt_link(one.port), points(*topics), recorder, clock)),
    ):
        await recorder.until(lambda: ups(recorder) == 1)
        for topic in topics:
            await other.publish(topic, b"x", qos=1)
        await recorder.until(lambda: len(published(recorder)) == 250)
    assert [it.topic for it in published(recorder)] == topics


@VERSIONS
async def test_a_broker_that_is_killed_and_started_again_is_blind_time_in_between(
    tmp_path: Path, version: MqttVersion
) -> None:
    recorder = Recorder()
    async with (
        broker(tmp_path) as one,
        listening(MqttListener(mqtt_link(one.port, version=version), points("a"), recorder, clock)),
    ):
        await recorder.until(lambda: ups(recorder) == 1)
        before = clock()
        await one.kill()
        await recorder.until(lambda: recorder.states[-1][2] is LinkState.DOWN)
        assert before <= recorder.states[1][1] <= clock()
        await recorder.until(lambda: "Connection refused" in recorder.states[-1][3])
        await one.start()
        started = clock()
        await recorder.until(lambda: ups(recorder) == 2)
        assert recorder.states[-1][1] >= started - 1_000_000_000
        async with publisher(one.port) as other:
            await other.publish("a", b"x", qos=1)
            await recorder.until(lambda: len(published(recorder)) == 1)
    said = [it for it in heard(recorder) if isinstance(it, Subscribing)]
    assert len(said) == 2
    assert "connection lost: the other end closed it" in recorder.states[1][3]


async def test_a_broker_that_is_away_for_long_is_one_report(tmp_path: Path) -> None:
    recorder = Recorder()
    one = Broker(tmp_path)
    listener = MqttListener(mqtt_link(one.port), points("a"), recorder, clock)
    waits: list[float] = []
    async with listening(listener):
        await recorder.until(lambda: bool(recorder.states))
        reported = listener._report

        def report(state: LinkState, why: str, at_ns: int | None = None) -> None:
            waits.append(clock() / 1e9)
            reported(state, why, at_ns)

        listener._report = report  # type: ignore[method-assign]
        await eventually(lambda: len(waits) >= 3)
    assert [state for _, _, state, _ in recorder.states] == [LinkState.DOWN, LinkState.DOWN]
    assert "Connection refused" in recorder.states[0][3]
    assert recorder.states[1][3] == "the listener was ended"


async def test_a_frozen_broker_is_noticed_and_its_silence_proves_nothing(tmp_path: Path) -> None:
    recorder = Recorder()
    spec = mqtt_link(
        0, keep_alive_s=1, promises_every_change=True, longest_delay_ns=100_000_000,
        alive_topic="alive", down_payload="gone", will_within_ns=0,
    )  # fmt: skip
    async with broker(tmp_path) as one, publisher(one.port) as other:
        spec = replace(spec, port=one.port)
        await other.publish("alive", b"here", qos=1, retain=True)
        await other.publish("a", b'{"active":false}', qos=1, retain=True)
        async with listening(MqttListener(spec, points("a"), recorder, clock)):
            await recorder.until(lambda: Answered() in heard(recorder))
            one.freeze()
            frozen = clock()
            try:
                await recorder.until(lambda: recorder.states[-1][2] is LinkState.DOWN)
            finally:
                one.thaw()
            _, down_ns, _, why = recorder.states[-1]
            heard_ns = recorder.lines[-1][2]
            assert heard_ns < down_ns <= frozen, "it is blind from the last packet on, not from when that was noticed"
            assert "the broker no longer answers" in why
            await recorder.until(lambda: ups(recorder) == 2)
            await recorder.until(lambda: sum(it.retain for it in published(recorder)) == 4)
    trace = trace_of_point(recorder, spec)
    assert trace.sealed is not None
    sealed_until = [int(hi) for hi, sealed in zip(trace.hi, trace.sealed, strict=True) if sealed]
    assert sealed_until, "its answers before it froze prove that nothing changed"
    assert all(until <= frozen for until in sealed_until)


def trace_of_point(recorder: Recorder, spec: MqttLink, topic: str = "a") -> Trace:
    messages = [Message(first_ns=first, last_ns=last, data=data) for _, first, last, data in recorder.lines]
    states = [StateChange(at_ns=at, state=state, why=why) for _, at, state, why in recorder.states]
    return mqtt_trace(topic, MqttPlace(topic=topic, pointer="/active"), spec, messages, states, clock())


async def test_a_flood_is_taken_in_whole_and_in_order(tmp_path: Path) -> None:
    recorder = Recorder()
    settings = ["max_queued_messages 0", "max_inflight_messages 0"]
    async with (
        broker(tmp_path, settings) as one,
        publisher(one.port) as other,
        listening(MqttListener(mqtt_link(one.port), points("a"), recorder, clock)),
    ):
        await recorder.until(lambda: ups(recorder) == 1)
        for number in range(10_000):
            await other.publish("a", f'{{"active":{number}}}', qos=0 if number % 100 else 1)
        await recorder.until(lambda: len(published(recorder)) == 10_000)
    assert [it.payload for it in published(recorder)] == [f'{{"active":{n}}}'.encode() for n in range(10_000)]
    stamps = [(first, last) for _, first, last, _ in recorder.lines[1:]]
    assert all(first <= last for first, last in stamps)
    assert stamps == sorted(stamps)
    assert not recorder.drops


async def test_what_the_broker_itself_threw_away_shows_in_the_sequence_numbers(tmp_path: Path) -> None:
    """Its queue for a slow reader overflows without a word; the numbers jump."""
    recorder = Recorder()
    spec = mqtt_link(0, sequence_pointer="/n", promises_every_change=True, longest_delay_ns=1_000_000)
    settings = ["max_queued_messages 10", "max_inflight_messages 1"]
    async with broker(tmp_path, settings) as one, publisher(one.port) as other:
        spec = replace(spec, port=one.port)
        async with listening(MqttListener(spec, points("a"), recorder, clock)):
            await recorder.until(lambda: ups(recorder) == 1)
            await other.publish("a", b'{"active":false,"n":0}', qos=1)
            await recorder.until(lambda: len(published(recorder)) == 1)
            await hold_up_the_loop_while_publishing(one.port, 200)
            async with asyncio.timeout(DEADLINE_S):
                for number in itertools.count(201):
                    await other.publish("a", f'{{"active":true,"n":{number}}}', qos=1)
                    if recorder.drops:
                        break
    assert any("lost: sequence number" in what for _, _, what, _ in recorder.drops), recorder.drops
    trace = trace_of_point(recorder, spec)
    assert trace.sealed is not None
    assert not all(trace.sealed[1:])


async def hold_up_the_loop_while_publishing(port: int, count: int) -> None:
    """Another process publishes while this one's loop stands still."""
    program = (
        "import sys, paho.mqtt.client as m\n"
        "c = m.Client(m.CallbackAPIVersion.VERSION2)\n"
        "c.max_inflight_messages_set(0)\n"
        f"c.connect('127.0.0.1', {port})\n"
        "c.loop_start()\n"
        f"i = [c.publish('a', '{{\"active\":false,\"n\":%d}}' % n, qos=1) for n in range(1, {count + 1})]\n"
        "[x.wait_for_publish(20) for x in i]\n"
        "c.disconnect()\n"
    )
    subprocess.run([sys.executable, "-c", program], check=True, timeout=60)  # noqa: ASYNC221, S603 - on purpose


async def test_garbage_is_kept_as_it_is_and_what_is_too_long_is_said(tmp_path: Path) -> None:
    recorder = Recorder()
    random = Random(7)
    sent = [b"", b"\xff" * 100, b"\x00", b"{" * 5_000, *(random.randbytes(random.randrange(200)) for _ in range(50))]
    async with (
        broker(tmp_path) as one,
        publisher(one.port) as other,
        listening(MqttListener(mqtt_link(one.port), points("a"), recorder, clock)),
    ):
        await recorder.until(lambda: ups(recorder) == 1)
        for payload in sent:
            await other.publish("a", payload, qos=1)
        await other.publish("a", b"x" * (PAYLOAD_BYTES_MAX + 1), qos=1)
        await other.publish("a", b"y" * PAYLOAD_BYTES_MAX, qos=1)
        await recorder.until(lambda: len(published(recorder)) == len(sent) + 1)
    assert [it.payload for it in published(recorder)] == [*sent, b"y" * PAYLOAD_BYTES_MAX]
    why = f"a payload of {PAYLOAD_BYTES_MAX + 1} bytes; no more than {PAYLOAD_BYTES_MAX} are kept"
    assert [it for it in heard(recorder) if isinstance(it, Lost)] == [Lost(topic="a", why=why)]
    assert [(what, data) for _, _, what, data in recorder.drops] == [(f"topic a: {why}", b"x" * 64)]


async def test_a_loop_that_stood_still_widens_the_arrival_down_to_before_the_message_came(tmp_path: Path) -> None:
    recorder = Recorder()
    async with broker(tmp_path) as one, listening(MqttListener(mqtt_link(one.port), points("a"), recorder, clock)):
        await recorder.until(lambda: ups(recorder) == 1)
        for round_ in range(5):
            recorder.lines.clear()
            before = clock()
            await hold_up_the_loop_while_publishing(one.port, 3)
            await recorder.until(lambda: len(published(recorder)) == 3)
            for _, first_ns, last_ns, _ in recorder.lines:
                assert first_ns <= before, round_
                assert last_ns > before


async def test_the_last_will_of_a_controller_is_said_and_blind(tmp_path: Path) -> None:
    recorder = Recorder()
    spec = mqtt_link(
        0, alive_topic="alive", down_payload="gone", promises_every_change=True, longest_delay_ns=100_000_000
    )
    async with broker(tmp_path) as one:
        spec = replace(spec, port=one.port)
        async with listening(MqttListener(spec, points("a"), recorder, clock)):
            await recorder.until(lambda: ups(recorder) == 1)
            controller = Cut("127.0.0.1", one.port, will=aiomqtt.Will("alive", "gone", qos=1, retain=True))
            await controller.__aenter__()
            await controller.publish("alive", "here", qos=1, retain=True)
            await controller.publish("a", '{"active":false}', qos=1, retain=True)
            await recorder.until(lambda: len(published(recorder)) == 2)
            controller.cut()
            await recorder.until(lambda: len(published(recorder)) == 3)
            gone_ns = recorder.lines[-1][2]
            async with publisher(one.port) as other:
                await other.publish("alive", "here", qos=1, retain=True)
                await other.publish("a", '{"active":true}', qos=1, retain=True)
                await recorder.until(lambda: len(published(recorder)) == 5)
    assert [what for _, _, what, _ in recorder.drops] == ["topic alive: the controller is gone, by its last will"]
    trace = trace_of_point(recorder, spec)
    assert [trace.run_is_on(run) for run in range(len(trace.starts))] == [False, True]
    assert not trace.edges[1], "what changed while it was gone, changed at some instant in between"
    assert trace.sealed is not None
    assert not trace.sealed[int(trace.starts[1])]
    assert int(trace.lo[int(trace.starts[1])]) <= gone_ns + 100_000_000


class Cut(aiomqtt.Client):
    """A client whose connection can be cut without a word."""

    def cut(self) -> None:
        one = self._client.socket()
        assert isinstance(one, socket.socket)
        one.shutdown(socket.SHUT_RDWR)


async def test_two_farends_do_not_throw_each_other_out_and_one_with_a_declared_name_does(tmp_path: Path) -> None:
    first, second, third = Recorder(), Recorder(), Recorder()
    async with (
        broker(tmp_path) as one,
        listening(MqttListener(mqtt_link(one.port), points("a"), first, clock)),
        listening(MqttListener(mqtt_link(one.port, client_id="site-1"), points("a"), second, clock)),
    ):
        await first.until(lambda: ups(first) == 1)
        await second.until(lambda: ups(second) == 1)
        async with publisher(one.port, identifier="site-1"):
            await second.until(lambda: second.states[-1][2] is LinkState.DOWN)
        await second.until(lambda: ups(second) == 2)
        async with listening(MqttListener(mqtt_link(one.port), points("a"), third, clock)):
            await third.until(lambda: ups(third) == 1)
        assert ups(first) == 1
        assert len(first.states) == 1


# --- who may listen -----------------------------------------------------------------------------------


@VERSIONS
async def test_user_and_password_from_the_environment(
    tmp_path: Path, version: MqttVersion, monkeypatch: pytest.MonkeyPatch
) -> None:
    passwords = tmp_path / "passwords"
    passwords.write_text("anna:secret-word\n", encoding="utf-8")
    await run("mosquitto_passwd", "-U", str(passwords))
    settings = [f"password_file {passwords}", "allow_anonymous false"]
    recorder = Recorder()
    async with broker(tmp_path, settings, plain=False) as one:
        spec = mqtt_link(one.port, version=version, user_name="anna", password_env="FAREND_TEST_PASSWORD")  # noqa: S106
        async with listening(MqttListener(spec, points("a"), recorder, clock)):
            await recorder.until(lambda: bool(recorder.states))
            assert "password_env=FAREND_TEST_PASSWORD: this environment variable is not set" in recorder.states[0][3]
            monkeypatch.setenv("FAREND_TEST_PASSWORD", "wrong")
            await recorder.until(lambda: "not authori" in recorder.states[-1][3].lower()
                                 or "bad user" in recorder.states[-1][3].lower())  # fmt: skip
            monkeypatch.setenv("FAREND_TEST_PASSWORD", "secret-word")
            await recorder.until(lambda: ups(recorder) == 1)
    assert "secret-word" not in f"{recorder.states} {recorder.lines} {recorder.drops}"


def no_subscriptions_below(folder: Path, prefix: str) -> list[str]:
    """Settings of a broker that refuses subscriptions; its plain access lists accept them and stay silent."""
    rules = [{"acltype": "subscribePattern", "topic": f"{prefix}#", "allow": False, "priority": 1}]
    everything = ("publishClientSend", "publishClientReceive", "subscribe", "unsubscribe")
    config = {
        "defaultACLAccess": dict.fromkeys(everything, True),
        "roles": [{"rolename": "guest", "acls": rules}],
        "groups": [{"groupname": "guests", "roles": [{"rolename": "guest"}]}],
        "anonymousGroup": "guests",
        "clients": [],
    }  # fmt: skip
    file = folder / "rules.json"
    file.write_text(json.dumps(config), encoding="utf-8")
    return [f"plugin {SECURITY_PLUGIN}", f"plugin_opt_config_file {file}"]


@needs_security_plugin
@VERSIONS
async def test_a_topic_that_is_refused_is_said_and_not_observed(tmp_path: Path, version: MqttVersion) -> None:
    recorder = Recorder()
    async with broker(tmp_path, no_subscriptions_below(tmp_path, "b/")) as one, publisher(one.port) as other:
        spec = mqtt_link(one.port, version=version)
        async with listening(MqttListener(spec, points("a/1", "b/1"), recorder, clock)):
            await recorder.until(lambda: ups(recorder) == 1)
            await other.publish("b/1", b'{"active":true}', qos=1)
            await other.publish("a/1", b'{"active":true}', qos=1)
            await recorder.until(lambda: len(published(recorder)) == 1)
    refused = [it for it in heard(recorder) if isinstance(it, Refused)]
    assert [it.topic for it in refused] == ["b/1"]
    assert "the broker refused the subscription" in refused[0].why
    assert [what.split(":")[0] for _, _, what, _ in recorder.drops] == ["topic b/1"]
    assert len(trace_of_point(recorder, spec, "b/1")) == 0


@needs_security_plugin
async def test_a_broker_that_refuses_every_topic_is_down(tmp_path: Path) -> None:
    recorder = Recorder()
    async with broker(tmp_path, no_subscriptions_below(tmp_path, "")) as one:
        listener = MqttListener(mqtt_link(one.port), points("a"), recorder, clock)
        async with listening(listener):
            await recorder.until(lambda: bool(recorder.states))
            assert recorder.states[0][2] is LinkState.DOWN
            assert "refuses every topic" in recorder.states[0][3]


async def test_a_broker_that_grants_no_more_than_qos_0_seals_nothing(tmp_path: Path) -> None:
    recorder = Recorder()
    async with broker(tmp_path, ["max_qos 0"]) as one, publisher(one.port) as other:
        spec = mqtt_link(one.port, promises_every_change=True, longest_delay_ns=100_000_000)
        async with listening(MqttListener(spec, points("a"), recorder, clock)):
            await recorder.until(lambda: ups(recorder) == 1)
            for number, state in enumerate((b"false", b"true", b"false")):
                await other.publish("a", b'{"active":%s}' % state, qos=0)
                await recorder.until(lambda wanted=number + 1: len(published(recorder)) == wanted)  # type: ignore[misc]
    trace = trace_of_point(recorder, spec)
    assert len(trace) == 3
    assert trace.sealed is not None
    assert not any(trace.sealed)


@VERSIONS
async def test_tls_with_an_own_authority_and_client_certificates(tmp_path: Path, version: MqttVersion) -> None:
    await make_authority(tmp_path)
    settings = [
        f"cafile {tmp_path}/ca.pem", f"certfile {tmp_path}/server.pem", f"keyfile {tmp_path}/server.key",
        "require_certificate true", "use_identity_as_username true",
    ]  # fmt: skip
    files = Tls(
        ca_file=f"{tmp_path}/ca.pem", certificate_file=f"{tmp_path}/client.pem", key_file=f"{tmp_path}/client.key"
    )
    async with broker(tmp_path, settings) as one:
        spec = mqtt_link(one.port, version=version, tls=files, timeout_ns=1_000_000_000)
        recorder = Recorder()
        async with listening(MqttListener(spec, points("a"), recorder, clock)):
            await recorder.until(lambda: ups(recorder) == 1)
            context = ssl.create_default_context(cafile=files.ca_file)
            context.load_cert_chain(f"{tmp_path}/client.pem", f"{tmp_path}/client.key")
            async with publisher(one.port, tls_context=context) as other:
                for number in range(50):
                    await other.publish("a", f'{{"active":{number}}}', qos=1)
                await recorder.until(lambda: len(published(recorder)) == 50)
        for wrong, words in (
            (Tls(ca_file=files.ca_file), "certificate required|alert|timed out"),
            (Tls(certificate_file=files.certificate_file, key_file=files.key_file), "certificate verify failed"),
            (Tls(ca_file=f"{tmp_path}/none.pem"), "ca_file=.*none.pem: No such file.*expected certificates"),
            (replace(files, key_file=f"{tmp_path}/server.key"), "certificate_file=.*key_file=.*KEY_VALUES_MISMATCH"),
        ):
            why = await why_down(replace(spec, tls=wrong))
            assert re.search(words, why), why


async def why_down(spec: MqttLink) -> str:
    """What is said first of a link that cannot come up."""
    recorder = Recorder()
    async with listening(MqttListener(spec, points("a"), recorder, clock)):
        await recorder.until(lambda: bool(recorder.states))
    assert recorder.states[0][2] is LinkState.DOWN
    assert ups(recorder) == 0
    return recorder.states[0][3]


async def run(*command: str) -> None:
    process = await asyncio.create_subprocess_exec(
        *command, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT
    )
    out, _ = await process.communicate()
    assert process.returncode == 0, out.decode()


async def make_authority(folder: Path) -> None:
    """A certificate authority, and certificates of a server and of a client, as openssl makes them."""
    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2")
    await run(
        "openssl", "req", "-x509", *curve, "-keyout", f"{folder}/ca.key", "-out", f"{folder}/ca.pem",
        "-subj", "/CN=test authority", "-addext", "keyUsage=critical,keyCertSign",
    )  # fmt: skip
    for name in ("server", "client"):
        await run(
            "openssl", "req", "-x509", *curve, "-keyout", f"{folder}/{name}.key", "-out", f"{folder}/{name}.pem",
            "-subj", f"/CN={name}", "-addext", "subjectAltName=IP:127.0.0.1", "-CA", f"{folder}/ca.pem",
            "-CAkey", f"{folder}/ca.key",
        )  # fmt: skip


# --- peers that are no brokers --------------------------------------------------------------------------


@pytest.mark.parametrize("says", [b"", b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\x20\x02\x00\x05", b"\xff" * 100])
async def test_a_peer_that_does_not_answer_as_a_broker_does(says: bytes) -> None:
    recorder = Recorder()
    writers: list[asyncio.StreamWriter] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers.append(writer)
        writer.write(says)

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    spec = mqtt_link(port, timeout_ns=200_000_000)
    async with listening(MqttListener(spec, points("a"), recorder, clock)):
        await recorder.until(lambda: bool(recorder.states))
        await eventually(lambda: len(writers) >= 3)
    assert [state for _, _, state, _ in recorder.states] == [LinkState.DOWN] * len(recorder.states)
    assert ups(recorder) == 0
    server.close()
    for writer in writers:
        # Each attempt has closed its socket, and nothing is left of it.
        writer.close()
    await server.wait_closed()
    await eventually(lambda: asyncio.all_tasks() == {asyncio.current_task()})


async def test_an_end_while_connecting_leaves_nothing_behind() -> None:
    recorder = Recorder()
    come = asyncio.Event()
    gone = asyncio.Event()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        come.set()
        while await reader.read(100):
            pass
        gone.set()
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    async with listening(MqttListener(mqtt_link(port, timeout_ns=500_000_000), points("a"), recorder, clock)):
        async with asyncio.timeout(DEADLINE_S):
            await come.wait()
    async with asyncio.timeout(DEADLINE_S):
        await gone.wait()
    server.close()
    await server.wait_closed()


def test_points_that_are_no_topics_are_refused() -> None:
    with pytest.raises(ValueError, match=r"link broker: points=.*expected at least one point with a topic"):
        MqttListener(mqtt_link(1), [], Recorder(), clock)
