"""The simulated site's MQTT publisher and a real broker: topics, payloads, numbers, last will, and each defect."""

from __future__ import annotations

import asyncio
import itertools
import json
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from sims import SimulatedSite, SiteOptions
from sims.controller import Action
from sims.durations import NS_PER_MS
from sims.mqtt_publisher import ALIVE_TOPIC, topic_of
from sims.points import BROKER
from sims.truth import shown
from tests.peers.broker import Broker, broker, needs_mosquitto, publisher
from tests.peers.recorder import DEADLINE_S

pytestmark = needs_mosquitto

HIGH, LOW = "bulk-a.high", "day.low"


@dataclass
class Heard:
    """What a subscriber of everything got: topic, payload, retained, and when."""

    messages: list[tuple[str, bytes, bool, int]] = field(default_factory=list)
    news: asyncio.Event = field(default_factory=asyncio.Event)

    async def until(self, condition: Callable[[], bool]) -> None:
        async with asyncio.timeout(DEADLINE_S):
            while not condition():
                self.news.clear()
                await self.news.wait()

    def of(self, alarm: str) -> list[dict[str, Any]]:
        """The payloads of an alarm's topic; what is no JSON is {}."""
        found = []
        for topic, payload, _, _ in self.messages:
            if topic == topic_of(alarm):
                try:
                    found.append(json.loads(payload))
                except ValueError:
                    found.append({})
        return found

    def alive(self) -> list[bytes]:
        return [payload for topic, payload, _, _ in self.messages if topic == ALIVE_TOPIC]


@asynccontextmanager
async def everything(port: int) -> AsyncIterator[Heard]:
    heard = Heard()

    async def read() -> None:
        async for message in client.messages:
            payload = message.payload
            assert isinstance(payload, bytes)
            heard.messages.append((message.topic.value, payload, message.retain, time.monotonic_ns()))
            heard.news.set()

    async with publisher(port) as client:
        await client.subscribe("hollowmere/#", qos=1)
        task = asyncio.create_task(read(), name="reader")
        try:
            yield heard
        finally:
            task.cancel()
            await asyncio.wait([task])


def options(port: int, *defects: str, **rest: Any) -> SiteOptions:
    settings: dict[str, Any] = {"mqtt_delay_ns": 20 * NS_PER_MS, "scan_ns": 5 * NS_PER_MS, **rest}
    return SiteOptions(
        mqtt_host="127.0.0.1", mqtt_port=port, bus_port=None, annunciator_port=None, defects=defects, **settings
    )


@asynccontextmanager
async def site_and_reader(
    folder: Path, *defects: str, **rest: Any
) -> AsyncIterator[tuple[Broker, SimulatedSite, Heard]]:
    """A site whose first states have all been heard already."""
    async with (
        broker(folder) as one,
        everything(one.port) as heard,
        SimulatedSite(options(one.port, *defects, **rest)) as site,
    ):
        yield one, site, heard


async def test_everything_is_there_from_the_start_and_kept_by_the_broker(tmp_path: Path) -> None:
    async with broker(tmp_path) as one, SimulatedSite(options(one.port)) as site, everything(one.port) as heard:
        assert site.ready()["mqtt"] == f"127.0.0.1:{one.port}"
        await heard.until(lambda: len(heard.messages) >= len(BROKER) + 1)
        assert all(retained for _, _, retained, _ in heard.messages)
        assert heard.alive() == [b"online"]
        assert heard.of(HIGH) == [{"seq": 1, "active": False, "state": 0, "text": "BULK A HIGH"}]
        assert not [topic for topic, *_ in heard.messages if "battery" in topic], "warnings stay on the panel"


async def test_raised_acknowledged_cleared_and_what_the_truth_log_says(tmp_path: Path) -> None:
    async with site_and_reader(tmp_path) as (_, site, heard):
        for number, action in enumerate((Action.RAISE, Action.ACKNOWLEDGE, Action.CLEAR), start=2):
            site.command(HIGH, action)
            await heard.until(lambda wanted=number: len(heard.of(HIGH)) == wanted)  # type: ignore[misc]
        told = [(it["seq"], it["active"], it["state"]) for it in heard.of(HIGH)]
        assert told == [(1, False, 0), (2, True, 1), (3, True, 2), (4, False, 0)]
        await site.until(lambda: len(shown(site.truth.entries, "broker", HIGH)) == 1
                         and shown(site.truth.entries, "broker", HIGH)[0].gone is not None)  # fmt: skip
        (truth,) = shown(site.truth.entries, "broker", HIGH)
        arrived = [at for topic, payload, _, at in heard.messages if topic == topic_of(HIGH)]
        assert truth.appeared.before_ns <= arrived[1]
        assert truth.gone is not None
        assert truth.gone.before_ns <= arrived[3]
        accepted = [entry["at_ns"] for entry in site.truth.entries if entry["kind"] == "stimulus"]
        assert truth.appeared.before_ns >= accepted[0] + 20 * NS_PER_MS


async def test_it_says_again_and_again_that_it_is_there_and_says_goodbye(tmp_path: Path) -> None:
    async with site_and_reader(tmp_path, heartbeat_ns=30 * NS_PER_MS) as (_, _, heard):
        await heard.until(lambda: len(heard.alive()) >= 3)
        assert set(heard.alive()) == {b"online"}
    assert heard.alive()[-1] == b"offline"


async def test_a_broker_that_was_away_gets_everything_anew(tmp_path: Path) -> None:
    async with broker(tmp_path) as one, SimulatedSite(options(one.port)) as site:
        await one.kill()
        site.command(HIGH, Action.RAISE)
        await one.start()
        async with everything(one.port) as heard:
            await heard.until(lambda: any(it["active"] for it in heard.of(HIGH)))
            await heard.until(lambda: b"online" in heard.alive())
            await heard.until(lambda: any(it["seq"] == 2 for it in heard.of(LOW)))
    (truth,) = shown(site.truth.entries, "broker", HIGH)
    assert truth.gone is None


async def test_without_a_broker_it_does_not_start(tmp_path: Path) -> None:
    port = Broker(tmp_path).port
    with pytest.raises(OSError, match=rf"mqtt=127.0.0.1:{port}: .*expected a broker that takes connections"):
        async with SimulatedSite(options(port)):
            pass


# --- defects ----------------------------------------------------------------------------------------


async def raise_and_clear(site: SimulatedSite, heard: Heard, alarm: str, witness: str = LOW) -> None:
    """Raise and clear an alarm; what was published of it has been heard when the witness's clearing has."""
    for name in (alarm, witness):
        before = len(heard.of(witness))
        site.command(name, Action.RAISE)
        site.command(name, Action.ACKNOWLEDGE)
        site.command(name, Action.CLEAR)
    await heard.until(lambda: len(heard.of(witness)) > before and not heard.of(witness)[-1]["active"])


async def test_never_appears_and_another_topic(tmp_path: Path) -> None:
    defects = (f"never-appears:{HIGH}@broker", "wrong-bit:day.high@broker=bulk-b.water")
    async with site_and_reader(tmp_path, *defects) as (_, site, heard):
        await raise_and_clear(site, heard, HIGH)
        assert not any(it["active"] for it in heard.of(HIGH))
        site.command("day.high", Action.RAISE)
        await heard.until(lambda: heard.of("bulk-b.water")[-1]["active"])
        assert not any(it["active"] for it in heard.of("day.high"))


async def test_inverted_and_stuck(tmp_path: Path) -> None:
    async with site_and_reader(tmp_path, f"inverted:{HIGH}@broker", "stuck:day.high@broker") as (_, site, heard):
        assert heard.of(HIGH)[-1]["active"]
        site.command(HIGH, Action.RAISE)
        await heard.until(lambda: not heard.of(HIGH)[-1]["active"])
        await raise_and_clear(site, heard, "day.high")
        assert heard.of("day.high")[-1]["active"]


async def test_late(tmp_path: Path) -> None:
    async with site_and_reader(tmp_path, f"late:{HIGH}@broker=300ms") as (_, site, heard):
        site.command(HIGH, Action.RAISE)
        await heard.until(lambda: heard.of(HIGH)[-1]["active"])
        (stimulus,) = (entry["at_ns"] for entry in site.truth.entries if entry["kind"] == "stimulus")
        await site.until(lambda: bool(shown(site.truth.entries, "broker", HIGH)))
        assert shown(site.truth.entries, "broker", HIGH)[0].appeared.before_ns >= stimulus + 320 * NS_PER_MS


async def test_a_message_that_is_sent_twice_has_one_number(tmp_path: Path) -> None:
    async with site_and_reader(tmp_path, f"retransmitted-line:{HIGH}@broker=20ms") as (_, site, heard):
        site.command(HIGH, Action.RAISE)
        await heard.until(lambda: [it["seq"] for it in heard.of(HIGH)] == [1, 2, 2])
        assert heard.of(HIGH)[1] == heard.of(HIGH)[2]
        assert len(shown(site.truth.entries, "broker", HIGH)) == 1


async def test_lost_messages_leave_a_gap_in_the_numbers(tmp_path: Path) -> None:
    async with site_and_reader(tmp_path, "lost-messages@broker=50%") as (_, site, heard):
        for _ in range(20):
            await raise_and_clear_unheard(site, HIGH)
        await site.until(lambda: sum(e["kind"] == "fault" for e in site.truth.entries) >= 20)
        seqs = [it["seq"] for it in heard.of(HIGH)]
        assert seqs == sorted(set(seqs))
        assert any(after - before > 1 for before, after in itertools.pairwise(seqs))


async def raise_and_clear_unheard(site: SimulatedSite, alarm: str) -> None:
    for action, active in ((Action.RAISE, True), (Action.CLEAR, False)):
        site.command(alarm, action)
        await site.until(lambda wanted=active: site.controller.state(alarm).active is wanted)  # type: ignore[misc]
        done = len(site.truth.entries)
        await site.until(lambda seen=done: len(site.truth.entries) > seen)  # type: ignore[misc]


async def test_halved_messages_are_garbage_and_no_truth(tmp_path: Path) -> None:
    async with site_and_reader(tmp_path, "half-frames@broker=100%") as (_, site, heard):
        site.command(HIGH, Action.RAISE)
        await heard.until(lambda: len(heard.of(HIGH)) == 2)
        assert heard.of(HIGH)[1] == {}
        assert not shown(site.truth.entries, "broker", HIGH)


async def test_a_frozen_publisher_lives_and_says_nothing(tmp_path: Path) -> None:
    async with site_and_reader(tmp_path, "frozen@broker=0ms", heartbeat_ns=30 * NS_PER_MS) as (_, site, heard):
        site.command(HIGH, Action.RAISE)
        await site.until(lambda: site.controller.state(HIGH).active)
        beats = len(heard.alive())
        await heard.until(lambda: len(heard.alive()) >= beats + 5)
        assert not any(it["active"] for it in heard.of(HIGH))
        assert not shown(site.truth.entries, "broker", HIGH)


async def test_a_cut_connection_brings_the_last_will_and_then_everything_anew(tmp_path: Path) -> None:
    async with site_and_reader(tmp_path, "resets@broker=2%", seed=3) as (_, site, heard):
        for _ in range(200):
            await raise_and_clear_unheard(site, HIGH)
            if b"offline" in heard.alive():
                break
        await heard.until(lambda: b"offline" in heard.alive())
        await heard.until(lambda: heard.alive()[-1] == b"online" and heard.alive().count(b"online") >= 2)
