"""Whole tests of the simulated site for comparisons, in virtual time: a few alarms, each raised several times."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path

from harness.core.instants import NS_PER_US
from harness.run.order import Selection
from harness.run.testing import TestOptions, run_test
from harness.site.reading import gather, read_site
from sims import SimulatedSite, SiteOptions
from tests.peers import virtual_time
from tests.peers.command import PORTS, demo_files
from tests.peers.reviewed import accepted
from tests.peers.views import Keeping

ALARMS = ("bulk-a.high", "bulk-a.water")


def run_repeated(
    record: Path,
    *,
    seed: int,
    defects: Sequence[str] = (),
    alarms: Sequence[str] = ALARMS,
    repeat: int = 6,
    poll_ms: int = 100,
) -> Path:
    """A record of the demo's site, panel and bms alone, with these defects; ``poll_ms``: of bms."""
    files = record.with_suffix("")
    files.mkdir(parents=True)
    return virtual_time.run(lambda: _run(record, files, seed, tuple(defects), alarms, repeat, poll_ms), NS_PER_US)


async def _run(
    record: Path, files: Path, seed: int, defects: tuple[str, ...], alarms: Sequence[str], repeat: int, poll_ms: int
) -> Path:
    async with SimulatedSite(SiteOptions(defects=defects, seed=seed, keep_truth=False)) as sim:
        ready = sim.ready()
        ports = {name: int(ready[f"{name}_port"]) for name in PORTS}  # type: ignore[call-overload]  # all have one
        slower = [("poll every: 100 ms", f"poll every: {poll_ms} ms")] if poll_ms != 100 else []
        entry = demo_files(files, ports, *slower)
        documents = gather(entry)
        site, _ = read_site(documents.files, documents.entry)
        options = TestOptions(
            record=record,
            selection=Selection(only=tuple(alarms), links=("panel", "bms")),
            arm=site.name,
            reviews=accepted(site),
            who="test",
            seed=seed,
            repeat=repeat,
            command=(),
        )
        why = await run_test(site, documents, options, lambda: time.monotonic_ns(), Keeping())  # noqa: PLW0108
        assert not why
    return record
