"""How many transients pollers really see, beside the prediction: ``python -m tests.bench.bench_seen [--trials 200]``.

On the simulated site with its second-hop gateway, in virtual time: farend polls what the building system reads, and the
gateway, which polls the same by itself. Transients come at random phases; for each length and poll the table shows the
prediction, what was seen with its exact 95 % bounds (Clopper, Pearson), and what min(1, length / farend's poll) would
have made of it. One in twenty right predictions lies outside at 95 %.
"""

from __future__ import annotations

import argparse
import time
from fractions import Fraction

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.measure.proportions import clopper_pearson
from tests.peers.polls_of_polls import seen_chance
from tests.peers.seen_trials import Setting, seen_trials

POLLS_MS = ((1877, 1531, 2309), (4003, 2237, 1409), (997, 3259, 743), (2503, 701, 4507))
"""farend's poll of the building system's registers, the gateway's own, farend's of the gateway."""
LENGTHS_MS = (250, 500, 1000, 2000, 3500)


def seconds(milliseconds: int) -> Fraction:
    """Exactly."""
    return Fraction(milliseconds, 1000)


def main() -> int:
    """Print one line for each length and poll; 1 where more lie outside than one in twenty right ones would."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    print(f"{options.trials} transients of each length at random phases, seed {options.seed}")
    print(f"{'polls, s':<22} {'length':>7} {'predicted':>9} {'seen':>6} {'95 % bounds':>17} {'within':>6} {'naive':>7}")
    began, outside, total = time.perf_counter(), 0, 0
    for bms, device, gateway in POLLS_MS:
        setting = Setting(
            bms_poll_ns=bms * NS_PER_MS,
            device_poll_ns=device * NS_PER_MS,
            gateway_poll_ns=gateway * NS_PER_MS,
            lengths_ns=tuple(it * NS_PER_MS for it in LENGTHS_MS),
        )
        for (link, alarm), count in seen_trials(setting, options.trials, options.seed).items():
            length = Fraction(setting.lasts_ns[alarm], NS_PER_S)
            periods = [seconds(bms)] if link == "bms" else [seconds(device), seconds(gateway)]
            chance = seen_chance(length, periods)
            bounds = clopper_pearson(count, options.trials)
            within = bounds.low <= float(chance) <= bounds.high
            naive = min(1.0, float(length / periods[-1]))
            is_ruled_out = not bounds.low <= naive <= bounds.high
            polls = " then ".join(f"{float(it):g}" for it in periods)
            print(
                f"{link + ' ' + polls:<22} {float(length):>7g} {float(chance):>9.5f} {count / options.trials:>6.3f} "
                f"{bounds.low:>8.4f} {bounds.high:>8.4f} {'yes' if within else 'NO':>6} {naive:>7.4f}"
                f"{'  ruled out' if is_ruled_out else ''}"
            )
            outside, total = outside + (not within), total + 1
    print(f"{outside} of {total} outside their bounds; {time.perf_counter() - began:.0f} s")
    return int(outside > max(1, total // 10))


if __name__ == "__main__":
    raise SystemExit(main())
