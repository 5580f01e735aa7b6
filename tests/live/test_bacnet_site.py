"""A whole test over BACnet/IP against the simulated site: poll, COV, events, acknowledging, and no recipient."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

from harness.core.verdicts import ExitCode, Verdict
from harness.links.bacnet_messages import NOTIFY_ACK, EventNotice, decode
from harness.results.judging import JudgedRecord, judge_record
from harness.run.gate import Reviews
from harness.run.order import Selection
from harness.run.testing import TestOptions, run_test
from harness.site.reading import gather, read_site
from sims import SimulatedSite, SiteOptions
from sims.building_alarming import NotificationClass
from sims.building_options import BuildingOptions
from tests.live.test_put_back import View
from tests.peers.bacnet_client import bacnet_client
from tests.peers.free_ports import free_udp_port
from tests.peers.hand_bacnet import DEVICE, hand_device, identifier, unicast
from tests.peers.recorder import eventually
from tests.peers.virtual_time import run

DEADLINE_S = 60

SITE = """
site: wharf
title: a building system over BACnet/IP
controller: {{name: plant controller (simulated), firmware: 1.4.2}}
links:
  panel:
    modbus-tcp: 127.0.0.1:{panel}
    numbering: reference
    unit: 1
    poll every: 20 ms
    timeout: 2 s
    shortest on: 200 ms
    shortest off: 200 ms
  building:
    bacnet: 127.0.0.1:{building}
    device: 260001
    listen on: 127.0.0.1/8:{own}
    own device: 260099
    poll every: 50 ms
    timeout: 2 s
    longest delay: 400 ms
    promises every change: yes
    shortest on: 300 ms
    shortest off: 300 ms
defaults:
  appears within: 2 s
  gone within: 2 s
  search: 3 s
  settle: 500 ms
stimulus:
  raise: {{link: panel, holding register: 40901, values: [code, 1]}}
  acknowledge:
    - {{link: panel, holding register: 40901, values: [code, 3]}}
    - {{link: building, object: binary-input code}}
  clear: {{link: panel, holding register: 40901, values: [code, 4]}}
  hold off: 0 s
writable:
  - {{link: panel, holding register: 40901-40902, as left: may differ}}
  - {{link: building, acknowledge: yes}}
alarms:
  bulk-a.water:
    class: alarm
    text: BULK A WATER
    code: 5
    reference: panel:10005
    side effects: none
points:
  - {{alarm: bulk-a.water, link: building, object: binary-input 5, behaviour: follows, visible for: 300 ms}}
  - {{alarm: bulk-a.water, link: building, object: binary-input 5, arrives by: cov, behaviour: follows}}
  - {{alarm: bulk-a.water, link: building, object: binary-input 5, arrives by: event, behaviour: follows}}
"""


class Wharf:
    """A run of one alarm at one object, by all three ways."""

    def __init__(self, folder: Path, sim: SimulatedSite, own: int) -> None:
        self.view = View()
        self._record = folder / "run.farend"
        text = SITE.format(panel=sim.panel_port, building=sim.building_port, own=own)
        (folder / "site.yaml").write_text(text, encoding="utf-8")
        documents = gather(folder / "site.yaml")
        site, _ = read_site(documents.files, documents.entry)
        options = TestOptions(
            record=self._record,
            selection=Selection(),
            arm=site.name,
            reviews=Reviews(by="test", decisions={}),
            who="test",
            seed=1,
            command=(),
        )
        self.run = asyncio.create_task(run_test(site, documents, options, time.monotonic_ns, self.view))

    async def over(self) -> tuple[str, JudgedRecord]:
        async with asyncio.timeout(DEADLINE_S):
            why = await self.run
        return why, judge_record(self._record)


def building(recipient: int | None) -> SiteOptions:
    who = () if recipient is None else (("127.0.0.1", recipient),)
    asks = NotificationClass(ack_required=(True, True, True))
    return SiteOptions(building=BuildingOptions(recipients=who, notification_class=asks))


def by_point(judged: JudgedRecord) -> dict[str, Verdict]:
    return {it.point: it.verdict for it in judged.judgement.results}


def test_poll_change_of_value_and_event_each_prove_their_own_path(tmp_path: Path) -> None:
    """In virtual time, so that a busy computer has no say in what is on time, or in what is sent a second time."""

    async def whole() -> tuple[str, JudgedRecord, list[int]]:
        own = free_udp_port()
        async with SimulatedSite(building(own)) as sim:
            why, judged = await Wharf(tmp_path, sim, own).over()
            async with bacnet_client() as client:
                client.talk_to(sim.building_port)
                return why, judged, list(await client.read("binary-input,5", "acked-transitions"))

    why, judged, acked = run(whole)
    assert why == ""
    assert set(by_point(judged).values()) == {Verdict.ON_TIME}, [it.reason for it in judged.judgement.results]
    assert len(by_point(judged)) == 3
    assert judged.exit_code is ExitCode.ALL_PASS
    steps = [event.data for event in judged.reader.events("step")]
    assert [(it["step"], it["proven"]) for it in steps] == [("raise", True), ("clear", True), ("acknowledge", True)]
    notices = [decode(it.data) for it in judged.reader.messages("building")]
    acknowledged = [it.to_state for it in notices if isinstance(it, EventNotice) and it.notify_type == NOTIFY_ACK]
    # Each transition once, to normal and to off-normal; the device's notice of the last may come after the run's end.
    assert acked == [1, 1, 1]
    assert sorted(set(acknowledged)) == sorted(acknowledged)
    assert set(acknowledged) <= {0, 2}
    judged.reader.close()


async def test_where_farend_is_no_recipient_the_event_row_is_not_run(tmp_path: Path) -> None:
    async with SimulatedSite(building(None)) as sim:
        why, judged = await Wharf(tmp_path, sim, free_udp_port()).over()
    assert why == ""
    verdicts = by_point(judged)
    (event,) = [name for name in verdicts if "event" in name]
    assert verdicts.pop(event) is Verdict.NOT_RUN
    assert set(verdicts.values()) == {Verdict.ON_TIME}, [it.reason for it in judged.judgement.results]
    (result,) = [it for it in judged.judgement.results if it.point == event]
    assert result.reason.startswith("not a recipient: ask the site")
    assert result.causes[0].code == "not-a-recipient"
    assert judged.exit_code is ExitCode.UNKNOWN
    judged.reader.close()


async def test_two_devices_of_one_instance_end_a_test_and_what_was_raised_is_cleared(tmp_path: Path) -> None:
    own = free_udp_port()
    async with SimulatedSite(building(own)) as sim, hand_device(260_001) as double:
        wharf = Wharf(tmp_path, sim, own)
        await eventually(lambda: sim.controller.state("bulk-a.water").active)
        double.send(
            unicast(b"\x10\x00\xc4" + identifier(DEVICE, 260_001) + bytes.fromhex("2205C491032100")), ("127.0.0.1", own)
        )
        why, judged = await wharf.over()
        assert not sim.controller.state("bulk-a.water").active
    assert "device instance 260001 is claimed by" in why
    assert wharf.view.told == [why]
    judged.reader.close()
