"""What the key of a person cannot certify: a claim finer than anybody presses a key is refused."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from harness.core.model import Behaviour, Judgement, Result, Site, Stimulus
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.wording import time_text


def refuse_fine_claims(site: Site, stimuli: Mapping[str, Stimulus], judgement: Judgement) -> Judgement:
    """Passes of limits that are shorter than the key of a stimulus can tell become unknown.

    ``stimuli``: by id, as their reference points timed them; what one of those timed is as fine as its polls. That an
    assumption about a person would prove such a limit is no proof. A fail needs no such fineness: every course of
    events breaks the limit.
    """
    rows = {row.key: row for row in site.expectations}

    def refused(result: Result) -> Result:
        stimulus, row = stimuli[result.stimulus], rows[result.expectation]
        finest_ns = 0 if stimulus.timed_by else stimulus.finest_ns
        if not finest_ns or row.behaviour is Behaviour.QUIET or result.verdict.verdict_class is not VerdictClass.PASS:
            return result
        limits = {
            "appears within": row.limits.appears_within_ns,
            "gone within": row.limits.gone_within_ns,
        }
        fine = {name: limit for name, limit in limits.items() if limit is not None and limit < finest_ns}
        if not fine:
            return result
        named = " and ".join(f"{name} {time_text(limit)}" for name, limit in fine.items())
        reason = (
            f"{named} is finer than the key of a person tells ({time_text(finest_ns)}): give the alarm a reference point"
        )
        return replace(result, verdict=Verdict.UNRESOLVED, reason=reason)

    return replace(judgement, results=tuple(refused(it) for it in judgement.results))
