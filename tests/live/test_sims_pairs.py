"""Any two defects at places that the seed chooses: the site runs, tells of both, and lets an alarm come and go."""

from __future__ import annotations

import asyncio
import dataclasses
import random
import sys

import pytest

from sims import SimulatedSite, SiteOptions
from sims.controller import Action
from sims.defect_kinds import KINDS, Name
from sims.durations import NS_PER_MS
from sims.points import Place
from sims.truth import changes

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")

DEADLINE_S = 60.0
# What needs something that not every computer has (a broker) or a device of its own is tested with that device.
DEVICES = {"panel", "bms", "printer", "bus", "gateway", "annunciator"}
KINDS_HERE = [name for name in Name if any(Place(place).device in DEVICES for place in KINDS[name].places)]


@pytest.mark.parametrize("seed", range(24))
async def test_two_defects(seed: int) -> None:
    specs = tuple(f"{name}@any" for name in random.Random(seed).sample(KINDS_HERE, 2))
    options = SiteOptions(
        defects=specs,
        seed=seed,
        gateway_port=0,
        gateway_poll_ns=10 * NS_PER_MS,
        bus_master=True,
        bus_round_ns=20 * NS_PER_MS,
        bus_baud=115_200,
        output_delay_ns=0,
        bus_delay_ns=0,
        annunciator_delay_ns=0,
    )
    async with asyncio.timeout(DEADLINE_S), SimulatedSite(options) as site:
        waiting = asyncio.create_task(site.wait())
        for action, active in ((Action.RAISE, True), (Action.ACKNOWLEDGE, True), (Action.CLEAR, False)):
            for name in ("bulk-a.high-high", "bulk-b.probe-fault", "day.low", "printer.paper-low"):
                site.command(name, action)
            await site.until(lambda: site.controller.state("day.low").active is active)  # noqa: B023
        assert not waiting.done()
        waiting.cancel()
        entries = site.truth.entries
    header = entries[0]["defects"]
    assert [defect["name"] for defect in header] == [spec.removesuffix("@any") for spec in specs]
    assert all(defect["sentence"] for defect in header)
    spoilt = {defect["place"] for defect in header}
    healthy = next(place for place in ("bus.1", "bus.3", "bus.4") if place not in spoilt)
    assert changes(entries, healthy, "day.low"), "what no defect is at works"


def test_most_kinds_are_here() -> None:
    assert len(KINDS_HERE) >= 25


@pytest.mark.parametrize("name", ["bus_port", "bus_tap_port", "gateway_port", "annunciator_port"])
async def test_a_port_that_is_taken_is_an_error_and_leaves_nothing_behind(name: str) -> None:
    async with asyncio.timeout(DEADLINE_S), SimulatedSite(SiteOptions(gateway_port=0)) as site:
        taken = dataclasses.replace(SiteOptions(gateway_port=0, bus_pty=True), **{name: getattr(site, name)})
        with pytest.raises(OSError, match=r"in use|10048"):
            async with SimulatedSite(taken):
                pass
