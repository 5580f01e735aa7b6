"""Every defect of the table alone, in pairs, and healthy sites without end: what is named, counted.

Run by hand: ``python -m tests.bench.bench_explain alone|pairs|healthy|broker [COUNT] [SEED] [ONLY]``. ``broker``: those
that need one, in real time. ``ONLY``: a part of the specification. Not part of the test suite.
"""

from __future__ import annotations

import asyncio
import itertools
import logging
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from random import Random
from types import FrameType
from typing import Final

from harness.core.verdicts import VerdictClass
from harness.results.judging import JudgedRecord
from sims.defect_kinds import Name
from sims.defects import Defect
from sims.points import Place
from tests.peers.defect_runs import run_trial, run_with_broker
from tests.peers.defect_table import NOTHING_TO_SEE, TABLE
from tests.peers.defect_trials import aimed, concerned, healthy, misnamed, trial_of

WORKERS: Final = 2
LONGEST_S: Final = 120
"""A run that takes longer is counted as such, and the others go on."""

AT_ONCE: Final = 3
"""Runs in real time beside each other; each keeps a fraction of a processor busy."""

Job = tuple[tuple[str, ...], int]
Came = tuple[tuple[str, ...], str, list[str]]
"""Defects as they were asked for, what it came to, and details."""

ALLOWED_IN_PAIRS: Final = frozenset({"passed-on-by-hop"})
"""Named of a gateway where what it polls has the other defect of the two."""


def one(job: Job) -> Came:
    """Run one set of defects; what it came to, and details. Unseen: all passed; stopped: nothing was raised."""
    specs, seed = job
    logging.disable(logging.CRITICAL)

    def too_long(_number: int, _frame: FrameType | None) -> None:
        raise TimeoutError(f"longer than {LONGEST_S} s")

    signal.signal(signal.SIGALRM, too_long)
    signal.alarm(LONGEST_S)
    with tempfile.TemporaryDirectory() as folder:
        try:
            trial, chosen = trial_of(specs, seed) if specs else (healthy(seed), ())
            judged = run_trial(Path(folder), trial).judged
        except ValueError as exc:
            return specs, "refused", [str(exc)]
        except TimeoutError as exc:
            return specs, "too long", [str(exc)]
        except Exception as exc:  # noqa: BLE001  # counted as such, and the others go on
            return specs, "crashed", [f"{type(exc).__name__}: {exc}"]
        finally:
            signal.alarm(0)
        try:
            return specs, *told(judged, chosen)
        finally:
            judged.reader.close()


def told(judged: JudgedRecord, chosen: Sequence[Defect]) -> tuple[str, list[str]]:
    """What a judged run came to, and details."""
    if judged.judgement.failures_of_checkers:
        return "crashed", list(judged.judgement.failures_of_checkers)
    if not judged.evidence.stimuli:
        return "stopped", ["nothing was raised: an alarm stood, or came on that nothing explains"]
    silent = all((it.name, it.place) in NOTHING_TO_SEE for it in chosen)
    if silent:
        causes = [f"{it.alarm} at {it.point}: {it.verdict} {it.reason}" for it in judged.judgement.results
                  if it.causes or it.verdict.verdict_class is VerdictClass.FAIL]  # fmt: skip
        return ("a cause named" if causes or judged.judgement.strays else "healthy"), causes
    seen, wrong, right = 0, [], Counter[str]()
    for defect in chosen:
        if (defect.name, defect.place) not in TABLE:
            continue
        results, strays = concerned(judged, defect)
        seen += bool(results or strays)
        codes = TABLE[defect.name, defect.place]
        if len(chosen) > 1 and defect.place.device == "gateway":
            codes |= ALLOWED_IN_PAIRS
        wrong += [f"{defect.spec}: {text}" for text in misnamed([*results, *strays], codes)]
        right.update(cause.code for it in results for cause in it.causes)
        right.update(cause.code for it in strays for cause in it.causes)
    return ("misnamed" if wrong else "named" if seen else "unseen"), wrong or [f"{dict(right)}"]


async def _in_real_time(jobs: Sequence[Job]) -> list[Came]:
    """Those that need a broker, some beside each other."""
    free = asyncio.Semaphore(AT_ONCE)

    async def run(job: Job) -> Came:
        specs, seed = job
        async with free:
            with tempfile.TemporaryDirectory() as folder:
                try:
                    trial, chosen = trial_of(specs, seed) if specs else (healthy(seed), ())
                    judged = (await run_with_broker(Path(folder), trial)).judged
                except Exception as exc:  # noqa: BLE001  # counted as such, and the others go on
                    return specs, "crashed", [f"{type(exc).__name__}: {exc}"]
                try:
                    return specs, *told(judged, chosen)
                finally:
                    judged.reader.close()

    return list(await asyncio.gather(*(run(job) for job in jobs)))


def _specs(seed: int, only: str, *, broker: bool) -> list[str]:
    every = [*TABLE, *NOTHING_TO_SEE]
    return [aimed(name, place, seed) for name, place in every
            if (place is Place.BROKER) is broker and only in f"{name}@{place}"]  # fmt: skip


def jobs(what: str, count: int, seed: int, only: str) -> Iterator[Job]:
    """What is run."""
    match what:
        case "alone" | "broker":
            for turn in range(count):
                yield from (((spec,), seed + turn) for spec in _specs(seed + turn, only, broker=what == "broker"))
        case "pairs":
            rows = [(name, place) for name, place in TABLE if place is not Place.BROKER]
            pairs = [pair for pair in itertools.combinations(rows, 2) if _are_apart(*pair)]
            random = Random(seed)
            for number in range(count):
                pair = random.choice(pairs)
                yield tuple(aimed(name, place, seed + number) for name, place in pair), seed + number
        case _:
            yield from (((), seed + turn) for turn in range(count))


def _are_apart(one: tuple[Name, Place], other: tuple[Name, Place]) -> bool:
    """Two defects of one device may hide each other; and what is wrong at the reference hides everything."""
    devices = {one[1].device, other[1].device}
    return len(devices) == 2 and "panel" not in devices


def main() -> None:
    """Print each misnaming, and the counts."""
    what, count, seed, only = (*sys.argv[1:], *("alone", "0", "1", "")[len(sys.argv) - 1 :])
    number = int(count) or {"alone": 1, "broker": 1, "pairs": 60}.get(what, 1_000)
    counts: Counter[str] = Counter()
    began = time.monotonic()

    def tell(came: Came) -> None:
        specs, came_to, details = came
        counts[came_to] += 1
        if came_to != "healthy":
            sys.stdout.write(f"{' and '.join(specs) or 'healthy'}: {came_to}\n")
            sys.stdout.writelines(f"    {text[:300]}\n" for text in details[:6])
            sys.stdout.flush()

    todo = jobs(what, number, int(seed), only)
    if what == "broker":
        logging.disable(logging.CRITICAL)
        for came in asyncio.run(_in_real_time(list(todo))):
            tell(came)
    else:
        with ProcessPoolExecutor(WORKERS) as pool:
            for came in pool.map(one, todo, chunksize=1):
                tell(came)
    sys.stdout.write(f"{what}, seed {seed}: {dict(counts)} in {time.monotonic() - began:.0f} s\n")


if __name__ == "__main__":
    main()
