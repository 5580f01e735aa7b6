"""How long a cycle of a serial bus takes, beside the prediction: ``python -m tests.bench.bench_bus_cycle``.

farend reads four units of the simulated bus as fast as it can, at each speed, with all units alive and with one dead.
No cycle can be shorter than predicted; what is longer is the computer's own.
"""

from __future__ import annotations

import argparse
import asyncio

from tests.peers.saturated_bus import saturated

BAUDS = (9600, 19_200, 38_400, 57_600, 115_200)
"""Below, a device server has to keep the silence of 3.5 characters between frames, and the simulated one does not."""
DEAD = ("dead-unit@bus.4",)


def main() -> int:
    """Print one line for each speed; 1 where a cycle was shorter than predicted."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cycles", type=int, default=60)
    cycles, shorter = parser.parse_args().cycles, 0
    print(f"{'baud':>7} {'predicted':>10} {'least':>9} {'median':>9}    {'one dead':>10} {'measured':>9}   seconds")
    for baud in BAUDS:
        alive = asyncio.run(saturated(baud, cycles))
        dead = asyncio.run(saturated(baud, 12, DEAD))
        assert dead.cycle.with_dead is not None
        predicted, with_dead = float(alive.cycle.poll.period.least), float(dead.cycle.with_dead.period.least)
        gaps = sorted(alive.gaps_s)
        print(
            f"{baud:>7} {predicted:>10.6f} {gaps[0]:>9.6f} {gaps[len(gaps) // 2]:>9.6f}    "
            f"{with_dead:>10.6f} {max(dead.gaps_s):>9.6f}"
        )
        shorter += gaps[0] < predicted - 11 / baud
        shorter += max(dead.gaps_s) < with_dead - 11 / baud
    return int(shorter > 0)


if __name__ == "__main__":
    raise SystemExit(main())
