"""What came on at a point only after another alarm was raised: whose it is, is not said as if it were known.

An offence is proven or it does not count; but a pass needs every world, and in one of these the alarm came twice. So a
pass becomes unknown. And what leaked, by all that its own point says, becomes unknown where another alarm was missed
and may have shown there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from harness.core.model import Judgement, Result, Stimulus, Stray
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.relate import Crossing
from harness.correlate.untaken import Untaken

Again = Mapping[tuple[str, str], Stray]
"""By (stimulus, expectation): the sighting that may be the second onset of its alarm, or its leak."""


def doubt_again(
    stimuli: Mapping[str, Stimulus], judgement: Judgement, left: Sequence[Untaken], crossings: Sequence[Crossing]
) -> tuple[Judgement, Again]:
    """Make unknown what passed although it may have come twice, and what leaked unless another alarm is wired to it.

    A pass not where a crossing explains what came on: one wrong wire is likelier than a dead output and a repeat beside
    it. But a crossing that alone says that its alarm was raised at all, while all else of that alarm was missed,
    explains no more than a raise that never was.
    """
    crossed = {(it.stray.point, it.stray.onset): it.result for it in crossings}
    shown = _shown(stimuli, judgement)
    again: dict[tuple[str, str], Stray] = {}
    leaks: dict[tuple[str, str], Untaken] = {}
    for it in left:
        by = crossed.get((it.sighting.point, it.sighting.onset))
        if by is None or by.stimulus not in shown:
            again = dict.fromkeys(it.again, it.sighting) | again
        if by is not None:
            leaks = dict.fromkeys(it.leaks, it) | leaks
    results = []
    doubted: dict[tuple[str, str], Stray] = {}
    for result in judgement.results:
        key = (result.stimulus, result.expectation)
        reason = ""
        if result.verdict.verdict_class is VerdictClass.PASS and key in again:
            doubted[key] = again[key]
            reason = _either(stimuli, result, again[key])
        elif result.verdict is Verdict.LEAKED and key in leaks and leaks[key].sighting.onset == result.onset:
            doubted[key] = leaks[key].sighting
            reason = _by_another(crossed[result.point, leaks[key].sighting.onset])
        results.append(replace(result, verdict=Verdict.UNRESOLVED, also=(), reason=reason) if reason else result)
    return replace(judgement, results=tuple(results)), doubted


def _shown(stimuli: Mapping[str, Stimulus], judgement: Judgement) -> frozenset[str]:
    """The stimuli of which more than a crossing says that they were raised, or that nothing contradicts."""
    seen, missed = set[str](), set[str]()
    for result in judgement.results:
        if result.verdict is Verdict.MISSED:
            missed.add(result.stimulus)
        elif result.verdict is not Verdict.CROSSED and result.onset is not None:
            seen.add(result.stimulus)
    return frozenset(name for name, it in stimuli.items() if it.timed_by or name in seen or name not in missed)


def _either(stimuli: Mapping[str, Stimulus], result: Result, seen: Stray) -> str:
    """Whose it may be: its own, or of whatever was raised last before it."""
    before = [it for it in stimuli.values() if it.raised.lo <= seen.onset.hi]
    newest = max(before, key=lambda it: (it.raised.lo, it.raised.hi, it.alarm))
    if newest.id == result.stimulus:
        return "it came on again, and whether that was before it had settled is not proven"
    return (
        f"it came on again after {newest.alarm} ({newest.id}) was raised, and may have before it had settled: "
        f"a second onset of its own, or {newest.alarm} at the wrong place"
    )


def _by_another(crossed: Result) -> str:
    return (
        f"it reacted only after {crossed.alarm} ({crossed.stimulus}) was raised, which did not appear at its own "
        f"point: {crossed.alarm} at the wrong place, or a leak"
    )
