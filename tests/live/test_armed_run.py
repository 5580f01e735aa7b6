"""A whole test that raises its alarm by a BACnet command, observed at the panel; in virtual time.

What was commanded, and when, is the building device's own truth.
"""

from __future__ import annotations

import time
from collections.abc import Awaitable, Callable
from pathlib import Path

from bacpypes3.apdu import SimpleAckPDU, WritePropertyRequest
from bacpypes3.constructeddata import Any as AnyValue
from bacpypes3.primitivedata import Enumerated, ObjectIdentifier

from harness.core.verdicts import ExitCode, Verdict
from harness.results.judging import JudgedRecord, judge_record
from harness.results.steps import STEP_EVENT, StepDone
from harness.run.gate import Reviews
from harness.run.order import Selection
from harness.run.testing import TestOptions, run_test
from harness.site.reading import gather, read_site
from sims import SimulatedSite, SiteOptions
from sims.building_options import BuildingOptions
from tests.peers.bacnet_client import BacnetClient, bacnet_client
from tests.peers.free_ports import free_udp_port
from tests.peers.safety_runs import Seen
from tests.peers.virtual_time import run

OBJECT = ("binary-value", 205)
SITE = """
site: wharf
controller: {{name: plant controller (simulated)}}
links:
  panel: {{modbus-tcp: "127.0.0.1:{panel}", numbering: reference, poll every: 20 ms, shortest on: 200 ms,
           shortest off: 200 ms}}
  building: {{bacnet: "127.0.0.1:{building}", device: 260001, listen on: "127.0.0.1/8:{own}", own device: 260099,
              poll every: 100 ms}}
defaults: {{appears within: 2 s, gone within: 2 s, search: 3 s, settle: 500 ms}}
stimulus: {{hold off: 0 s}}
writable:
  - {{link: building, object: binary-value 205, property: present-value, priority: 8}}
alarms:
  bulk-a.water:
    text: BULK A WATER
    side effects: none
    raise: {{link: building, object: binary-value 205, property: present-value, value: active, priority: 8}}
    clear: {{link: building, object: binary-value 205, property: present-value, value: relinquish, priority: 8}}
points:
  - {{alarm: bulk-a.water, link: panel, address: "10005", behaviour: follows, visible for: 300 ms}}
"""

Before = Callable[[BacnetClient], Awaitable[None]]


def whole_run(folder: Path, before: Before | None = None) -> tuple[JudgedRecord, Seen, list[dict[str, object]]]:
    """A whole run; ``before``: what somebody else does at the building device first."""

    async def main() -> tuple[Seen, list[dict[str, object]]]:
        async with SimulatedSite(SiteOptions(building=BuildingOptions(test_objects=True))) as sim:
            if before is not None:
                async with bacnet_client() as client:
                    client.talk_to(sim.building_port)
                    await before(client)
            text = SITE.format(panel=sim.panel_port, building=sim.building_port, own=free_udp_port())
            (folder / "site.yaml").write_text(text, encoding="utf-8")
            documents = gather(folder / "site.yaml")
            site, _ = read_site(documents.files, documents.entry)
            view = Seen()
            options = TestOptions(
                record=folder / "run.farend", selection=Selection(), arm="wharf",
                reviews=Reviews(by="test", decisions={}), who="test", seed=1, command=(),
            )  # fmt: skip
            await run_test(site, documents, options, time.monotonic_ns, view)
            assert not sim.controller.state("bulk-a.water").active
            return view, [it for it in sim.truth.entries if it["kind"] == "command"]

    view, commands = run(main, tick_ns=1000)
    return judge_record(folder / "run.farend"), view, commands


def test_raised_by_a_command_and_given_back(tmp_path: Path) -> None:
    judged, view, commands = whole_run(tmp_path)
    assert judged.exit_code is ExitCode.ALL_PASS, (view.troubles, view.urgent_texts)
    assert list(judged.verdicts()) == [Verdict.ON_TIME]
    assert [(it["priority"], it["value"]) for it in commands] == [(8, 1.0), (8, None)]
    (stimulus,) = judged.evidence.stimuli
    assert stimulus.cleared is not None
    for bounds, command in zip((stimulus.raised, stimulus.cleared), commands, strict=True):
        assert bounds.lo <= int(str(command["at_ns"])) <= bounds.hi
    steps = [StepDone.from_data(event.data) for event in judged.reader.events(STEP_EVENT)]
    assert {it.note for it in steps} == {"answered and read back"}
    (left,) = judged.reader.events("as-left")
    assert (left.data["differs"], left.data["changed"], left.data["not_cleared"]) == ([], [], [])
    judged.reader.close()


def test_under_a_higher_command_nothing_is_judged_and_nothing_is_left(tmp_path: Path) -> None:
    """The device takes the command and does not show it: somebody holds the object inactive at priority 5."""

    async def hold(client: BacnetClient) -> None:
        request = WritePropertyRequest(
            objectIdentifier=ObjectIdentifier(OBJECT), propertyIdentifier="present-value",
            propertyValue=AnyValue(Enumerated(0)), priority=5,
        )  # fmt: skip
        assert isinstance(await client.ask(request), SimpleAckPDU)

    judged, view, commands = whole_run(tmp_path, hold)
    assert list(judged.verdicts()) == [Verdict.NOT_RUN]
    assert judged.exit_code is ExitCode.UNKNOWN
    assert any("a command of priority 5 stands above priority 8" in it for it in view.troubles)
    assert [(it["priority"], it["value"]) for it in commands] == [(5, 0.0), (8, 1.0), (8, None)]
    (left,) = judged.reader.events("as-left")
    assert (left.data["changed"], left.data["not_cleared"]) == ([], [])
    judged.reader.close()
