"""What the key of a person cannot certify: a claim finer than anybody presses a key is refused."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from harness.core.durations import duration
from harness.core.model import Behaviour, Expectation, Judgement, Result, Site, Step, Stimulus
from harness.core.release import freed_of
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
        if not finest_ns or result.verdict.verdict_class is not VerdictClass.PASS:
            return result
        freed, cleared = freed_of(stimulus, row), stimulus.cleared
        is_freed = freed is not None and cleared is not None and freed.hi <= cleared.lo
        limits = limits_by_key(row, is_timed=bool(stimulus.timed_by), is_freed_before_clear=is_freed)
        fine = {name: limit for name, limit in limits.items() if limit < finest_ns}
        if not fine:
            return result
        named = " and ".join(f"{name} {duration(limit)}" for name, limit in fine.items())
        remedy = "state a longer limit" if stimulus.timed_by else "give the alarm a reference point"
        reason = f"{named} is finer than the key of a person tells ({duration(finest_ns)}): {remedy}"
        return replace(result, verdict=Verdict.UNRESOLVED, reason=reason)

    return replace(judgement, results=tuple(refused(it) for it in judgement.results))


def limits_by_key(row: Expectation, *, is_timed: bool, is_freed_before_clear: bool) -> dict[str, int]:
    """The limits of a row, in ns by name, that hang on a step which a key alone times, where a person raises.

    ``is_timed``: a reference point times the raise and the clear. ``is_freed_before_clear``: the person acknowledged
    before the clear, so that a latched point has to go with the clear.
    """
    if row.behaviour is Behaviour.QUIET:
        return {}
    is_of_clear = row.behaviour is Behaviour.FOLLOWS and row.released_by is not Step.SILENCE
    is_of_clear |= row.behaviour is Behaviour.LATCHED and is_freed_before_clear
    ends_by_itself = row.behaviour is Behaviour.PULSE  # after its onset, so that no step matters
    limits = {
        "appears within": None if is_timed else row.limits.appears_within_ns,
        "gone within": None if ends_by_itself or (is_of_clear and is_timed) else row.limits.gone_within_ns,
    }
    return {name: limit for name, limit in limits.items() if limit is not None}
