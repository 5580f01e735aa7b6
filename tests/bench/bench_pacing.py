"""How exactly the simulated bus paces its bytes: ``python -m tests.bench.bench_pacing [--cycles 500]``.

libmodbus, a C master, reads 16 discrete inputs over the pseudo-terminal, and each cycle is compared with what the wire
needs for it by the formula: request + 3.5 characters + answer (MODBUS over Serial Line V1.02, 2.5.1), to which the
master's own 3.5 characters come before the next request. The site runs in a process of its own. What the simulator says
of itself, how late its characters left, is shown beside.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from sims import SiteProcess
from sims.truth import read_truth
from tests.peers.libmodbus_master import RtuMaster

REQUEST_BYTES = 8
ANSWER_BYTES = 7
BAUDS = (1200, 9600, 19_200, 38_400, 115_200)


def wire_ms(baud: int) -> float:
    """From the first bit of the request to the last one of the answer."""
    character_ms = 11_000 / baud
    return (REQUEST_BYTES + ANSWER_BYTES) * character_ms + (3.5 * character_ms if baud <= 19_200 else 1.75)


def measured_ms(baud: int, cycles: int) -> tuple[list[float], dict[str, int]]:
    """The time of each cycle, and what the simulator says of its characters."""
    with tempfile.TemporaryDirectory() as folder:
        truth = Path(folder) / "truth.jsonl"
        with (
            SiteProcess(["--bus-pty", "--bus-baud", str(baud), "--truth", str(truth)]) as site,
            RtuMaster(str(site.ready["bus_pty"]), baud) as master,
        ):
            times_ms = []
            for _ in range(cycles):
                asked_ns = time.perf_counter_ns()
                master.discrete_inputs(1, 0, 16)
                times_ms.append((time.perf_counter_ns() - asked_ns) / 1e6)
        (paced,) = [entry for entry in read_truth(truth) if entry["kind"] == "paced"]
    return sorted(times_ms), paced


def main() -> int:
    """Print one line for each speed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cycles", type=int, default=500)
    cycles = parser.parse_args().cycles
    print(f"{'baud':>7} {'wire ms':>9} {'mean':>9} {'p50':>9} {'p99':>9} {'mean/wire':>9}   late us: mean, max")
    for baud in BAUDS:
        times_ms, paced = measured_ms(baud, max(20, cycles * baud // 115_200) if baud < 9600 else cycles)
        mean = sum(times_ms) / len(times_ms)
        print(
            f"{baud:>7} {wire_ms(baud):>9.3f} {mean:>9.3f} {times_ms[len(times_ms) // 2]:>9.3f} "
            f"{times_ms[len(times_ms) * 99 // 100]:>9.3f} {mean / wire_ms(baud):>9.4f}   "
            f"{paced['late_mean_ns'] / 1000:.0f}, {paced['late_max_ns'] / 1000:.0f}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
