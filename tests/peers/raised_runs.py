"""A test of the simulated site that is stopped while an alarm is raised: ``farend`` in a process of its own."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from sims import SiteProcess
from tests.peers.command import DEADLINE_S, Running, active, demo_files, panel, ports_of

ARMED: Final = ("--arm", "hollowmere", "--reviews", "reviews.yaml", "--who", "Kim")

LONG: Final = ("bulk-a.high-high,bms,10001,,,follows,,", "bulk-a.high-high,bms,10001,,,follows,50 s,")
"""It stays raised for so long that the middle of it is easily met."""


@contextmanager
def raised(where: Path, site: SiteProcess) -> Iterator[Running]:
    """A test that has raised bulk-a.high-high, which bms and the printer show, and brings bulk-a.high with it."""
    demo_files(where, ports_of(site), LONG)
    only = ("--only", "bulk-a.high-high", "--only", "bulk-a.water")
    with Running("test", "site.yaml", *ARMED, *only, "--record", "run.farend", "--json", cwd=where) as running:
        running.until(lambda line: "raising bulk-a.high-high" in line, "err")
        with panel(site) as client:
            while not client.read_discrete_inputs(0, count=1, device_id=1).bits[0]:
                assert running.process.poll() is None
        assert active(site) == [0, 1]
        yield running


def wait_for_step(path: Path) -> None:
    """Wait until the raise is in the file: what was done in the last quarter of a second may be lost."""
    deadline = time.monotonic() + DEADLINE_S
    while not any(b'"step": "raise"' in file.read_bytes() for file in path.parent.glob(f"{path.name}*")):
        assert time.monotonic() < deadline
