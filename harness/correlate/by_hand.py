"""What the key of a person cannot certify: a claim finer than anybody presses a key is refused."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from harness.core.durations import duration
from harness.core.model import Behaviour, Expectation, Judgement, Result, Site, Step, Stimulus
from harness.core.verdicts import Verdict, VerdictClass


def refuse_fine_claims(site: Site, stimuli: Mapping[str, Stimulus], judgement: Judgement) -> Judgement:
    """Passes of limits that are shorter than the key of a stimulus can tell become unknown.

    ``stimuli``: by id, as their reference points timed them; a raise or a clear that one of those timed is as fine as
    its polls, but no reference point sees an acknowledge, a silence or a reset. That an assumption about a person would
    prove such a limit is no proof. A fail needs no such fineness: every course of events breaks the limit.
    """
    rows = {row.key: row for row in site.expectations}

    def refused(result: Result) -> Result:
        stimulus, row = stimuli[result.stimulus], rows[result.expectation]
        finest_ns = stimulus.finest_ns
        if not finest_ns or row.behaviour is Behaviour.QUIET or result.verdict.verdict_class is not VerdictClass.PASS:
            return result
        limits = {
            "appears within": None if stimulus.timed_by else row.limits.appears_within_ns,
            "gone within": row.limits.gone_within_ns if _goes_by_a_key(row, stimulus) else None,
        }
        fine = {name: limit for name, limit in limits.items() if limit is not None and limit < finest_ns}
        if not fine:
            return result
        named = " and ".join(f"{name} {duration(limit)}" for name, limit in fine.items())
        remedy = "state a longer limit" if stimulus.timed_by else "give the alarm a reference point"
        reason = f"{named} is finer than the key of a person tells ({duration(finest_ns)}): {remedy}"
        return replace(result, verdict=Verdict.UNRESOLVED, reason=reason)

    return replace(judgement, results=tuple(refused(it) for it in judgement.results))


def _goes_by_a_key(row: Expectation, stimulus: Stimulus) -> bool:
    """Whether when a point must be gone hangs on a step that only a key timed."""
    if row.behaviour is Behaviour.PULSE:
        return False  # it ends by itself, after its onset
    if row.behaviour is Behaviour.FOLLOWS and row.released_by is not Step.SILENCE:
        return not stimulus.timed_by
    return True
