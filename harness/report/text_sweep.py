"""Sweeps as plain lines: for each output, how often it showed an alarm that was held for so long."""

from __future__ import annotations

from harness.core.durations import duration
from harness.core.sweep import Sweep, Tries
from harness.report.columns import Terminal
from harness.report.document import ReportDocument


def sweep_lines(document: ReportDocument, to: Terminal) -> list[str]:
    """None where nothing was swept."""
    swept = [(at, attempt) for at, attempt in enumerate(document.attempts) if attempt.sweeps]
    lines = []
    for position, attempt in swept:
        lines.append(f"held for ever shorter times (attempt {len(document.attempts) - position}):")
        for one in attempt.sweeps:
            lines += to.wrapped(f"{one.alarm} at {one.point}: {one.words}", first=4, hang=8)
            lines += to.wrapped(counts(one), first=8, hang=8)
    return lines


def counts(sweep: Sweep) -> str:
    """``1 s 5 of 5, 500 ms 4 of 5 (1 not shown)``."""
    return ", ".join(f"{duration(it.asked_ns)} {it.shown} of {it.total}{_rest(it)}" for it in sweep.tries)


def _rest(tries: Tries) -> str:
    parts = [f"{tries.not_shown} not shown"] * bool(tries.not_shown)
    parts += [f"{tries.unknown} cannot be told"] * bool(tries.unknown)
    return f" ({', '.join(parts)})" if parts else ""
