"""How often all of fourteen transients are seen behind a gateway whose beat nobody declared, or declared too short.

    python -m tests.bench.bench_locking [SEEDS]

A transient of 0.8 s is met by a poll every 1.4 s with 57 %, so that all of fourteen raises at random phases are seen
once in 2600 runs; while raises fell in step with the gateway, a run in three saw them all.
"""

from __future__ import annotations

import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from harness.core.instants import NS_PER_MS
from harness.measure.phase_lock import phase_lock
from harness.measure.trials import Shown
from harness.results.judging import judge_record
from harness.studies.row_trials import row_trials
from tests.live.test_spread import raise_transients

CASES: Final = ((1400, None), (1500, 500), (500, 500))
"""How often the gateway polls and what is declared of it, in ms."""
RAISES: Final = 14


def main(seeds: int) -> None:
    """Each case over so many seeds."""
    for real_ms, declared_ms in CASES:
        seen = raised = whole = 0
        phases: list[float] = []
        for seed in range(1, seeds + 1):
            with TemporaryDirectory() as folder:
                path = Path(folder) / "a.farend"
                declared_ns = None if declared_ms is None else declared_ms * NS_PER_MS
                raise_transients(path, real_ms * NS_PER_MS, declared_ns, None, repeat=RAISES, seed=seed)
                judged = judge_record(path)
                row = next(it for it in row_trials([judged]) if it.point == "gateway:10021")
                judged.reader.close()
            beat_ns = real_ms * NS_PER_MS
            phases += [it.raised.lo % beat_ns / beat_ns for it in row.trials]
            shown = row.count(Shown.SHOWN)
            seen, raised, whole = seen + shown, raised + len(row.trials), whole + (shown == len(row.trials))
        lock = phase_lock(phases)
        print(f"polls every {real_ms} ms, declared {declared_ms}: {seen} of {raised} seen, all in {whole} of {seeds} "
              f"runs; phases: {lock.finding.value}, chance {lock.chance:.3f}")  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
