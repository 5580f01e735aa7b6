"""Every defect of the table alone, in pairs, and healthy sites without end: what is named, counted.

Run by hand: ``python -m tests.bench.bench_explain alone|pairs|healthy [COUNT] [SEED]``. Not part of the test suite.
"""

from __future__ import annotations

import itertools
import logging
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from random import Random
from types import FrameType

from harness.core.verdicts import VerdictClass
from tests.peers.defect_runs import Trial, run_trial
from tests.peers.defect_table import TABLE, concerned, misnamed, trial_of

WORKERS = 2
LONGEST_S = 120
"""A run that takes longer is counted as such, and the others go on."""


def one(job: tuple[tuple[str, ...], int]) -> tuple[tuple[str, ...], str, list[str]]:
    """Run one set of defects; what it came to (named, misnamed, unseen, healthy, refused), and details."""
    specs, seed = job
    logging.disable(logging.CRITICAL)

    def too_long(_number: int, _frame: FrameType | None) -> None:
        raise TimeoutError(f"longer than {LONGEST_S} s")

    signal.signal(signal.SIGALRM, too_long)
    signal.alarm(LONGEST_S)
    try:
        trial, chosen = trial_of(specs, seed) if specs else (healthy(seed), ())
    except ValueError as exc:
        return specs, "refused", [str(exc)]
    with tempfile.TemporaryDirectory() as folder:
        try:
            outcome = run_trial(Path(folder), trial)
        except TimeoutError as exc:
            return specs, "too long", [str(exc)]
        except Exception as exc:  # noqa: BLE001  # counted as such, and the others go on
            return specs, "crashed", [f"{type(exc).__name__}: {exc}"]
        finally:
            signal.alarm(0)
        judged = outcome.judged
        try:
            if not specs:
                causes = [f"{it.alarm} at {it.point}: {it.verdict} {it.reason}" for it in judged.judgement.results
                          if it.causes or it.verdict.verdict_class is VerdictClass.FAIL]  # fmt: skip
                return specs, "a cause named" if causes or judged.judgement.strays else "healthy", causes[:3]
            seen, wrong = 0, []
            for defect in chosen:
                results, strays = concerned(judged, defect)
                seen += bool(results or strays)
                codes = TABLE[defect.name, defect.place]
                if len(chosen) > 1 and defect.place.device == "gateway":
                    codes |= {"passed-on-by-hop"}
                wrong += [f"{defect.spec}: {text}" for text in misnamed([*results, *strays], codes)]
            return specs, "misnamed" if wrong else "named" if seen else "unseen", wrong
        finally:
            judged.reader.close()


def healthy(seed: int) -> Trial:
    """A random handful of alarms over random links of a site without defects."""
    from sims.alarms import ALARMS

    random = Random(f"healthy {seed}")
    links = ("panel", *random.sample(("bms", "printer", "bus", "gateway"), random.randrange(1, 3)))
    alarms = tuple(it.name for it in random.sample(ALARMS, 3))
    return Trial(defects=(), seed=seed, alarms=alarms, links=links)


def jobs(what: str, count: int, seed: int) -> Iterator[tuple[tuple[str, ...], int]]:
    """What is run."""
    rows = [f"{name}@{place}" for name, place in TABLE]
    match what:
        case "alone":
            yield from (((row,), seed + turn) for turn in range(count) for row in rows)
        case "pairs":
            pairs = list(itertools.combinations(rows, 2))
            yield from ((pair, seed) for pair in Random(seed).sample(pairs, min(count or len(pairs), len(pairs))))
        case _:
            yield from (((), seed + turn) for turn in range(count))


def main() -> None:
    """Print each misnaming, and the counts."""
    what = sys.argv[1] if len(sys.argv) > 1 else "alone"
    count = int(sys.argv[2]) if len(sys.argv) > 2 else {"alone": 1, "pairs": 60}.get(what, 1_000)
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 1
    counts: Counter[str] = Counter()
    began = time.monotonic()
    with ProcessPoolExecutor(WORKERS) as pool:
        for specs, came_to, details in pool.map(one, jobs(what, count, seed), chunksize=1):
            counts[came_to] += 1
            if came_to not in ("named", "healthy"):
                sys.stdout.write(f"{' and '.join(specs) or 'healthy'}: {came_to}\n")
                sys.stdout.writelines(f"    {text[:300]}\n" for text in details[:4])
                sys.stdout.flush()
    sys.stdout.write(f"{what}, seed {seed}: {dict(counts)} in {time.monotonic() - began:.0f} s\n")


if __name__ == "__main__":
    main()
