"""Hundreds of alarms by guided steps: ``python tests/bench/bench_guided.py [--alarms 300] [--real]``.

An invented site: each alarm at an input of its own, a common alarm, a horn until acknowledged, and a latched bit; every
other one has a reference point. A robot raises, acknowledges and clears at a simulated device and presses the keys a
moment after it is asked. Shown: how long an alarm takes, what of it is the robot's own time (from the asking to its
key) and settling (as the site file declares), and what is left, which is the outputs' own delays and farend's.

In virtual time, in which waiting costs nothing and is counted exactly; the processor's time beside it. ``--real`` takes
as long as it takes.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from statistics import median, quantiles

sys.path.insert(0, str(Path(__file__).parents[2]))

from harness.cli.guide_keys import GuideKeys
from harness.core.model import Step
from harness.core.verdicts import VerdictClass
from harness.links.person_reports import Reports
from harness.results.judging import judge_record
from harness.run.gate import Reviews
from harness.run.guide import Guide
from harness.run.order import Selection
from harness.run.testing import TestOptions, run_test
from harness.site.reading import Documents, read_site
from sims.modbus_server import ModbusDevice
from sims.outputs import Image
from sims.points import Table
from tests.peers.views import Ignoring
from tests.peers.virtual_time import run

THINKS_S = 0.4
"""Of the robot, from the asking to what it does; its key comes at once."""
DELAY_S = 0.15
"""Of every output."""
SETTLE_S = 0.5
LATCHED, COMMON, HORN = 100, 900, 0


def site_text(alarms: int, port: int) -> str:
    """The site file."""
    names = [f"area-{number // 20 + 1}.alarm-{number + 1}" for number in range(alarms)]
    lines = [
        "site: brackwater\ntitle: Brackwater works (invented)\ncontroller: {name: c}\nlinks:\n",
        *(
            f"  {name}: {{modbus-tcp: '127.0.0.1:{port}', numbering: reference, poll every: 100 ms, timeout: 500 ms,\n"
            "    shortest on: 200 ms, shortest off: 200 ms}\n"
            for name in ("panel", "bms")
        ),
        "stimulus: {key within: 500 ms}\n",
        f"defaults: {{appears within: 2 s, gone within: 2 s, search: 3 s, settle: {round(SETTLE_S * 1000)} ms}}\n",
        "alarms:\n",
    ]
    for number, name in enumerate(names):
        reference = f", reference: panel:{10001 + number}" if number % 2 else ""
        lines.append(f"  {name}: {{text: ALARM {number + 1}, side effects: none{reference}}}\n")
    lines.append("points:\n")
    for number, name in enumerate(names):
        rows = (
            (10001 + number, "follows"),
            (10001 + COMMON, "follows, point: common"),
            ("00001", "until-acknowledged, point: horn"),
            (f"{40001 + LATCHED + number // 16}.{number % 16}", "latched"),
        )
        lines += [f"  - {{alarm: {name}, link: bms, address: '{at}', behaviour: {what}}}\n" for at, what in rows]
    return "".join(lines)


class Plant:
    """One alarm at a time, and what shows it."""

    def __init__(self, image: Image) -> None:
        self._image = image
        self._is_acknowledged = False

    def do(self, number: int, step: Step) -> None:
        """Its outputs show it a little later."""
        asyncio.get_running_loop().call_later(DELAY_S, self._show, number, step)

    def _show(self, number: int, step: Step) -> None:
        if step is Step.RAISE:
            self._is_acknowledged = False
            self._set(number, on=True, latched=True, horn=True)
        elif step is Step.ACKNOWLEDGE:
            self._is_acknowledged = True
            self._set(number, on=True, latched=True, horn=False)
        elif step is Step.CLEAR:
            self._set(number, on=False, latched=not self._is_acknowledged, horn=False)

    def _set(self, number: int, *, on: bool, latched: bool, horn: bool) -> None:
        self._bit(Table.DISCRETE_INPUT, number, on)
        self._bit(Table.DISCRETE_INPUT, COMMON, on)
        self._bit(Table.COIL, HORN, horn)
        self._image.set_registers(Table.HOLDING_REGISTER, LATCHED + number // 16, [int(latched) << number % 16])

    def _bit(self, table: Table, address: int, value: bool) -> None:  # a state, not a switch
        words = self._image.words[table]
        words[address // 16] = words[address // 16] & ~(1 << address % 16) | int(value) << address % 16


class Robot:
    """Does what it is asked after it has thought, and presses Enter; notes how long each alarm took it."""

    def __init__(self, guide: Guide, plant: Plant) -> None:
        self._guide = guide
        self._plant = plant
        self._keys = GuideKeys(guide)
        self._news = asyncio.Event()
        self.own_s: list[float] = []
        self.raised_s: list[float] = []

    async def attend(self, people: Sequence[Reports]) -> None:
        """Until cancelled."""
        del people
        with self._guide.attached(self._news.set):
            while True:
                while (asked := self._guide.pending()).step is None:
                    self._news.clear()
                    await self._news.wait()
                began = time.monotonic()
                if asked.step is Step.RAISE:
                    self.own_s.append(0.0)
                    self.raised_s.append(began)
                await asyncio.sleep(THINKS_S)
                self._plant.do(int(asked.alarm.rpartition("-")[2]) - 1, asked.step)
                self._keys.press("\r", time.monotonic_ns())
                self.own_s[-1] += time.monotonic() - began


async def bench(alarms: int, folder: Path) -> tuple[Robot, float, float]:
    """Returns the robot, and the run's time and processor time."""
    image = Image()
    image.define(Table.DISCRETE_INPUT, 0, 1024)
    image.define(Table.COIL, 0, 16)
    image.define(Table.HOLDING_REGISTER, LATCHED, alarms // 16 + 1)
    device = ModbusDevice(image)
    port = await device.start()
    documents = Documents(files={"site.yaml": site_text(alarms, port).encode()}, entry="site.yaml", point_map="")
    site, _ = read_site(documents.files, "site.yaml")
    guide = Guide(time.monotonic_ns)
    robot = Robot(guide, Plant(image))
    options = TestOptions(
        record=folder / "run.farend",
        selection=Selection(links=("bms",)),
        arm=None,
        guided=True,
        reviews=Reviews(by="bench"),
        who="bench",
        seed=0,
        command=(),
    )
    began, used = time.monotonic(), time.process_time()
    try:
        why = await run_test(site, documents, options, time.monotonic_ns, Ignoring(), robot.attend, guide=guide)
        assert why == "", why
    finally:
        await device.stop()
    return robot, time.monotonic() - began, time.process_time() - used


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--alarms", type=int, default=300)
    parser.add_argument("--real", action="store_true", help="in real time")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        work = bench(given.alarms, folder)
        robot, whole_s, used_s = asyncio.run(work) if given.real else run(lambda: work, tick_ns=1_000)
        judged = judge_record(folder / "run.farend")
        verdicts = [it.verdict.verdict_class for it in judged.judgement.results]
        judged.reader.close()
    each = [later - at for at, later in zip(robot.raised_s, robot.raised_s[1:], strict=False)]
    beyond = [it - own - SETTLE_S for it, own in zip(each, robot.own_s, strict=False)]
    print(f"{given.alarms} alarms in {whole_s:.1f} s{'' if given.real else ' of virtual time'}; ", end="")
    print(", ".join(f"{verdicts.count(one)} {one.value}" for one in VerdictClass))
    print(f"an alarm: {median(each):.2f} s, of it the robot {median(robot.own_s):.2f} s and settling {SETTLE_S:.2f} s")
    print(f"beyond that: median {median(beyond):.2f} s, 95 % below {quantiles(beyond, n=20)[-1]:.2f} s, ", end="")
    print(f"longest {max(beyond):.2f} s, of it the outputs' own delays {3 * DELAY_S:.2f} s")
    print(f"processor: {1000 * used_s / given.alarms:.0f} ms an alarm, device and robot included")


if __name__ == "__main__":
    main()
