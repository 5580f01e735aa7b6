"""What a test left untested of silence and acknowledge, in words: it goes with the results, since no row says it."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from harness.core.model import Behaviour, Result, Site, Step, Stimulus
from harness.core.verdicts import VerdictClass


def untested_steps(site: Site, stimuli: Sequence[Stimulus], results: Sequence[Result]) -> tuple[str, ...]:
    """Steps that no stimulus had, as far as alarms that were raised have outputs that they could change by mistake."""
    passed = [it for it in results if it.verdict.verdict_class is VerdictClass.PASS]
    return tuple(_untested(site, stimuli, passed)) if passed else ()


def _untested(site: Site, stimuli: Sequence[Stimulus], passed: Sequence[Result]) -> Iterator[str]:
    rows = {row.key: row for row in site.expectations}
    loud = [it for it in passed if it.expectation in rows and rows[it.expectation].behaviour is not Behaviour.QUIET]
    if loud and not any(it.silenced for it in stimuli):
        yield "nothing was silenced in this test, so what an output does on silence is not shown"
    by_id = {it.id: it for it in stimuli}
    latched = [it for it in loud if _is_latched(rows[it.expectation].behaviour, rows[it.expectation].released_by)]
    over_clear = {it.expectation for it in latched if _cleared_first(by_id.get(it.stimulus))}
    first = {it.expectation for it in latched} - over_clear
    if first:
        yield (
            f"acknowledged before the clear alone: {_counted(first)}, so that they hold on over a clear is not shown; "
            "'acknowledge after: [raise, clear]' tests both"
        )


def _is_latched(behaviour: Behaviour, released_by: Step) -> bool:
    return behaviour is Behaviour.LATCHED and released_by is Step.ACKNOWLEDGE


def _cleared_first(stimulus: Stimulus | None) -> bool:
    if stimulus is None or stimulus.acknowledged is None or stimulus.cleared is None:
        return False
    return stimulus.acknowledged.lo >= stimulus.cleared.hi


def _counted(keys: Collection[str]) -> str:
    return "1 latched row" if len(keys) == 1 else f"{len(keys)} latched rows"
