"""Many results in few words: how many of each pass, and the slowest of them. What is no pass is never gathered here."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from harness.core.model import Result
from harness.core.verdicts import Verdict, VerdictClass
from harness.report import human


def slowest(results: Iterable[Result]) -> Result | None:
    """The pass whose latency may have been the longest; None where none was timed. The first one of equals."""
    timed = [it for it in results if it.verdict.verdict_class is VerdictClass.PASS and it.latency is not None]
    return max(timed, key=lambda it: 0 if it.latency is None else it.latency.hi, default=None)


def pass_words(results: Sequence[Result], *, where: bool = True) -> str:
    """``17 on-time within 0.34 s (slowest: gateway:10002), 23 quiet``; '' where nothing passed.

    ``where``: whether the slowest point is named.
    """
    counts = Counter(it.verdict for it in results if it.verdict.verdict_class is VerdictClass.PASS)
    parts = []
    for verdict in Verdict:
        if not counts[verdict]:
            continue
        found = slowest(it for it in results if it.verdict is verdict and verdict is not Verdict.QUIET)
        text = f"{counts[verdict]} {verdict}"
        if found is not None and found.latency is not None and not found.latency.is_open_above:
            text += f" within {human.at_most(found.latency.hi)}"
            text += f" (slowest: {found.point})" if where and counts[verdict] > 1 else ""
        parts.append(text)
    return ", ".join(parts)
