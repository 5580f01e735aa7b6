"""The simulated gateway, read by pymodbus: what it shows, how old that is, and what it says without its source."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from typing import Any

import pytest
from pymodbus.client import AsyncModbusTcpClient

from sims import SimulatedSite, SiteOptions
from sims.alarms import ALARMS
from sims.controller import Action
from sims.durations import NS_PER_MS
from sims.truth import changes, shown

DEADLINE_S = 60.0
POLL_NS = 20 * NS_PER_MS


@contextlib.asynccontextmanager
async def reading(*defects: str, **options: Any) -> AsyncIterator[tuple[SimulatedSite, AsyncModbusTcpClient]]:
    settings = {"gateway_port": 0, "gateway_poll_ns": POLL_NS, "output_delay_ns": 0} | options
    async with asyncio.timeout(DEADLINE_S), SimulatedSite(SiteOptions(defects=defects, **settings)) as site:
        client = AsyncModbusTcpClient("127.0.0.1", port=site.gateway_port, timeout=20, retries=0, reconnect_delay=0)
        assert await client.connect()
        try:
            yield site, client
        finally:
            client.close()


async def alarms_on(client: AsyncModbusTcpClient, table: str = "discrete_inputs") -> set[str]:
    answer = await getattr(client, f"read_{table}")(0, count=24)
    assert not answer.isError(), answer
    return {alarm.name for alarm in ALARMS[:24] if answer.bits[alarm.number]}


async def until_shown(site: SimulatedSite, place: str, name: str, value: int) -> None:
    await site.until(lambda: bool(seen := changes(site.truth.entries, place, name)) and seen[-1][0] == value)


async def until_source(site: SimulatedSite, *, lost: bool) -> None:
    def so() -> bool:
        entries = [e for e in site.truth.entries if e["kind"] == "source"]
        return bool(entries) and entries[-1]["lost"] is lost

    await site.until(so)


async def test_it_serves_what_it_polled() -> None:
    async with reading() as (site, client):
        await until_source(site, lost=False)
        assert await alarms_on(client) == set()
        site.command("day.high-high", Action.RAISE)
        await until_shown(site, "gateway", "day.high-high", 1)
        assert await alarms_on(client) == {"day.high-high", "day.high"}
        assert (await client.read_discrete_inputs(100, count=1)).bits[0]
        site.command("day.high-high", Action.CLEAR)
        await until_shown(site, "gateway", "common-alarm", 0)
        assert await alarms_on(client) == set()
        entries = site.truth.entries
    bms, gateway = shown(entries, "bms", "day.high")[0], shown(entries, "gateway", "day.high")[0]
    assert gateway.appeared.after_ns > bms.appeared.before_ns
    assert gateway.gone is not None
    assert bms.gone is not None
    assert gateway.gone.after_ns > bms.gone.before_ns


async def test_a_warning_does_not_get_there_and_nothing_can_be_written() -> None:
    async with reading() as (site, client):
        await until_source(site, lost=False)
        site.command("printer.paper-low", Action.RAISE)
        site.command("day.low", Action.RAISE)
        await until_shown(site, "gateway", "day.low", 1)
        assert await alarms_on(client) == {"day.low"}
        for answer in (await client.write_coil(0, True), await client.read_input_registers(0, count=1)):
            assert (answer.isError(), answer.exception_code) == (True, 2)


async def test_before_its_first_poll_is_answered_it_answers_no_values() -> None:
    """Zeros that nobody read would be a lie: gateway target failed to respond (Application Protocol V1.1b3, 7)."""
    async with reading("dropped-answers@bms=100%") as (site, client):
        answer = await client.read_discrete_inputs(0, count=24)
        assert (answer.isError(), answer.exception_code) == (True, 11)
        await site.until(lambda: any(e["kind"] == "fault" for e in site.truth.entries))


async def test_what_comes_and_goes_between_two_polls_is_never_seen() -> None:
    async with reading("slow-polls=20s", lasts_ns={"fill-sump.splash": 30 * NS_PER_MS}) as (site, client):
        await until_source(site, lost=False)
        site.command("fill-sump.splash", Action.RAISE)
        await until_shown(site, "bms", "fill-sump.splash", 1)
        await until_shown(site, "bms", "fill-sump.splash", 0)
        assert await alarms_on(client) == set()
        assert shown(site.truth.entries, "gateway", "fill-sump.splash") == []
        assert len(shown(site.truth.entries, "bms", "fill-sump.splash")) == 1


@pytest.mark.parametrize("spec", ["stale-cache=0s", "lost-source=0s"])
async def test_without_a_source_from_the_start(spec: str) -> None:
    async with reading(spec) as (site, client):
        site.command("day.low", Action.RAISE)
        await until_shown(site, "bms", "day.low", 1)
        answer = await client.read_discrete_inputs(0, count=24)
    assert answer.isError() == spec.startswith("lost-source")
    assert answer.exception_code == 11 if answer.isError() else not any(answer.bits)
    assert changes(site.truth.entries, "gateway", "day.low") == []


@pytest.mark.parametrize("spec", ["stale-cache=400ms", "lost-source=400ms"])
async def test_the_source_is_lost_on_the_way(spec: str) -> None:
    async with reading(spec) as (site, client):
        site.command("day.low", Action.RAISE)
        await until_shown(site, "gateway", "day.low", 1)
        await until_source(site, lost=True)
        site.command("day.low", Action.CLEAR)
        await until_shown(site, "bms", "day.low", 0)
        answer = await client.read_discrete_inputs(0, count=24)
        lost = [e for e in site.truth.entries if e["kind"] == "source"][-1]
        assert lost["asked_ns"] >= site.truth.entries[0]["started_ns"] + 400 * NS_PER_MS
    if spec.startswith("lost-source"):
        assert (answer.isError(), answer.exception_code) == (True, 11)
    else:
        assert answer.bits[14], "day.low, as it was"


async def test_it_passes_on_what_is_frozen_behind_it() -> None:
    async with reading("frozen:day.low@bms") as (site, client):
        site.command("day.low", Action.RAISE)
        await until_shown(site, "gateway", "day.low", 1)
        site.command("day.low", Action.CLEAR)
        site.command("day.high", Action.RAISE)
        await until_shown(site, "bms.states", "day.high", 1)
        await until_shown(site, "bms.horn", "horn", 1)
        assert await alarms_on(client) == {"day.low"}


@pytest.mark.parametrize(
    ("spec", "on"),
    [
        ("wrong-bit:day.low@gateway=sump-a.leak", {"sump-a.leak"}),
        ("swapped-pair:day.low@gateway=bulk-a.water", {"bulk-a.water"}),
        ("off-by-one@gateway", {"day.low-low"}),
        ("inverted:day.high@gateway", {"day.low", "day.high"}),
    ],
)
async def test_it_shows_something_else(spec: str, on: set[str]) -> None:
    async with reading(spec) as (site, client):
        await until_source(site, lost=False)
        site.command("day.low", Action.RAISE)
        await until_shown(site, "gateway", "common-alarm", 1)
        assert await alarms_on(client) == on


async def test_it_never_shows_an_alarm_or_not_for_long() -> None:
    async with reading("never-appears:day.low@gateway", "too-short:day.high@gateway=40ms") as (site, client):
        site.command("day.low", Action.RAISE)
        site.command("day.high", Action.RAISE)
        await until_shown(site, "gateway", "day.high", 1)
        await until_shown(site, "gateway", "day.high", 0)
        assert await alarms_on(client) == set()


async def test_another_table_and_exceptions() -> None:
    async with reading("other-table@gateway") as (site, client):
        site.command("day.low", Action.RAISE)
        await until_shown(site, "gateway", "day.low", 1)
        answer = await client.read_discrete_inputs(0, count=24)
        assert (answer.isError(), answer.exception_code) == (True, 2)
        assert await alarms_on(client, "coils") == {"day.low"}
    async with reading("exceptions@gateway=6") as (site, client):
        await until_source(site, lost=False)
        answer = await client.read_discrete_inputs(0, count=24)
        assert (answer.isError(), answer.exception_code) == (True, 6)


async def test_answers_of_the_gateway_itself_are_lost_or_cut() -> None:
    for spec, received in (("half-frames@gateway=100%", 6), ("dropped-answers@gateway=100%", 0)):
        async with reading(spec) as (site, _):
            await until_source(site, lost=False)
            stream, writer = await asyncio.open_connection("127.0.0.1", site.gateway_port)
            writer.write(bytes.fromhex("0001 0000 0006 01 02 0000 0018"))
            writer.write_eof()
            assert len(await stream.read()) == received
            writer.close()
            assert [e["place"] for e in site.truth.entries if e["kind"] == "fault"] == ["gateway"]
    async with reading("resets@gateway=100%") as (site, _):
        stream, writer = await asyncio.open_connection("127.0.0.1", site.gateway_port)
        writer.write(bytes.fromhex("0001 0000 0006 01 02 0000 0018"))
        with pytest.raises(ConnectionResetError):
            await stream.read()
        writer.close()


async def test_a_gateway_that_polls_does_not_decide_what_others_lose() -> None:
    """Answers are lost by chance, in the order in which one client asks: the gateway has a chance of its own."""
    lost = []
    for gateway_port in (0, None):
        settings = SiteOptions(
            defects=("dropped-answers@bms=40%",), seed=1, gateway_port=gateway_port, gateway_poll_ns=NS_PER_MS
        )
        async with asyncio.timeout(DEADLINE_S), SimulatedSite(settings) as site:
            reader, writer = await asyncio.open_connection("127.0.0.1", site.bms_port)
            writer.write(b"".join(n.to_bytes(2, "big") + bytes.fromhex("0000 0006 01 02 0000 001c") for n in range(30)))
            writer.write_eof()
            lost.append(await reader.read())
            writer.close()
    assert lost[0] == lost[1]
    assert 0 < len(lost[0]) < 30 * 13


async def test_it_ends_while_a_poll_is_on_its_way() -> None:
    async with reading("late-answers@bms=20s,100%") as (site, _):
        await site.until(lambda: any(e["kind"] == "fault" for e in site.truth.entries))
