"""Two BACnet devices of two stacks on one listening port: each link hears its own, and only that."""

from __future__ import annotations

import time
from contextlib import AsyncExitStack

import pytest

pytest.importorskip("rusty_bacnet", reason="rusty-bacnet is not installed")

from harness.core.instants import NS_PER_MS
from harness.core.places import Arrival
from harness.links.bacnet import BacnetListener
from harness.links.bacnet_app import BacnetPorts
from harness.links.bacnet_messages import EventNotice, Subscription, SubscriptionStep, ValueChange, decode
from harness.links.base import LinkState
from sims import SimulatedSite, SiteOptions
from sims.building_options import BuildingOptions
from sims.controller import Action
from tests.live.test_bacnet_peers import device, level
from tests.peers.bacnet import AI, BI, bacnet_link, bacnet_point
from tests.peers.free_ports import free_udp_port
from tests.peers.recorder import Recorder, listening

EAST, WEST = 260_001, 260_002
SIGNAL = "bulk-a.high"
"""Binary-input 2 of the simulated building; it raises no other alarm."""

OF_EAST = (BI, 2)
OF_WEST = (AI, 1)


def told(heard: Recorder, link: str, kind: type[ValueChange | EventNotice]) -> list[object]:
    """What a link heard of its device's object."""
    of_link = [it for name, _, _, data in heard.lines if name == link and isinstance(it := decode(data), kind)]
    return [it for it in of_link if it.object == (OF_EAST if link == "east" else OF_WEST)]


def states(heard: Recorder, link: str) -> list[LinkState]:
    return [state for name, _, state, _ in heard.states if name == link]


async def test_each_link_hears_its_own_device_and_one_that_dies_takes_nothing_from_the_other() -> None:
    own, port, heard = free_udp_port(), free_udp_port(), Recorder()
    ports = BacnetPorts()
    async with AsyncExitStack() as stack:
        building = BuildingOptions(recipients=(("127.0.0.1", own),))
        sim = await stack.enter_async_context(SimulatedSite(SiteOptions(building=building)))
        assert sim.building_port is not None
        specs = [
            bacnet_link(sim.building_port, EAST, "east", listen_port=own),
            bacnet_link(port, WEST, "west", listen_port=own, timeout_ns=300 * NS_PER_MS),
        ]
        points = [bacnet_point(2, way, link="east") for way in Arrival]
        points += [bacnet_point(1, way, AI, link="west") for way in Arrival]
        async with device(port, own, instance=WEST) as server:
            for spec in specs:
                link = BacnetListener(spec, points, heard, time.monotonic_ns, heard.next_id, ports)
                await stack.enter_async_context(listening(link))
            kept = (Subscription, SubscriptionStep.KEPT)
            await heard.until(
                lambda: (
                    {
                        name
                        for name, _, _, data in heard.lines
                        if (type(it := decode(data)), getattr(it, "step", None)) == kept
                    }
                    == {"east", "west"}
                )
            )
            assert len({block.link for block in heard.object_blocks.values()}) == 2
            before = len(told(heard, "east", ValueChange))
            await level(server, 90.0)
            await heard.until(lambda: len(told(heard, "west", EventNotice)) == 1)
            await heard.until(lambda: len(told(heard, "west", ValueChange)) >= 2)
            assert len(told(heard, "east", ValueChange)) == before
            assert not told(heard, "east", EventNotice)
            west = len(told(heard, "west", ValueChange))
            sim.command(SIGNAL, Action.RAISE)
            await heard.until(lambda: len(told(heard, "east", EventNotice)) == 1)
            await heard.until(lambda: len(told(heard, "east", ValueChange)) > before)
            assert len(told(heard, "west", ValueChange)) == west
        await heard.until(lambda: states(heard, "west")[-1] is LinkState.DOWN)
        sim.command(SIGNAL, Action.CLEAR)
        await heard.until(lambda: len(told(heard, "east", EventNotice)) == 2)
        assert states(heard, "east") == [LinkState.UP]
    heard_by_west = {getattr(decode(data), "object", None) for name, _, _, data in heard.lines if name == "west"}
    assert OF_EAST not in heard_by_west
