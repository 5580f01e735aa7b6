"""Likely causes, from the wire upwards, so that one fault yields one cause.

Finders look in an order in which what would mimic something else comes first: what was not looked at, inverted points,
whole blocks at the wrong place, blocks that do not live, single alarms at the wrong place, then what the points do and
when. What one finder explains, the next ones do not look at. A cause of several results is named once, and each of them
repeats it.
"""

from __future__ import annotations

import traceback
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from harness.core.model import Cause, CauseKind, Judgement, Site, Stimulus
from harness.core.verdicts import VerdictClass
from harness.correlate.again import Again
from harness.correlate.causes.bacnet_objects import objects
from harness.correlate.causes.blocks import dead_or_frozen
from harness.correlate.causes.case import Case, Finder
from harness.correlate.causes.decoding import swapped_numbers
from harness.correlate.causes.delays import late, late_again, later_than_search
from harness.correlate.causes.findings import Finding
from harness.correlate.causes.hop_lateness import late_along, late_before_hops
from harness.correlate.causes.hops import passed_on_by_hops, slow_hops
from harness.correlate.causes.lasting import left_on, stuck
from harness.correlate.causes.loop_readings import dead_loops, out_of_range
from harness.correlate.causes.loops import loops
from harness.correlate.causes.meaning import came_again, inverted, leaks, repeats
from harness.correlate.causes.misplaced import swapped_pairs, wrong_bits, wrong_tables
from harness.correlate.causes.notifying import held_back, not_notified
from harness.correlate.causes.observation import unknown
from harness.correlate.causes.offsets import offsets
from harness.correlate.causes.one_object import once_an_object
from harness.correlate.causes.references import wrong_references
from harness.correlate.causes.shortness import brief
from harness.correlate.causes.silence import silenced
from harness.correlate.causes.silent import silent_points
from harness.correlate.causes.still_active import still_active
from harness.correlate.causes.stimuli import contradicted, not_proven, sent_nowhere
from harness.correlate.causes.strays import strays
from harness.correlate.causes.swapped_parts import swapped_parts
from harness.correlate.causes.transport import blind_references, blind_windows
from harness.correlate.causes.units import noise, refused_tables, silent_units
from harness.correlate.causes.unreadable import unreadable
from harness.correlate.evidence import Evidence
from harness.correlate.outline import Outline
from harness.correlate.relate import Crossing

FINDERS: Final[tuple[Finder, ...]] = (
    not_notified,
    wrong_references,
    objects,
    late_before_hops,
    passed_on_by_hops,
    refused_tables,
    silent_units,
    noise,
    dead_loops,
    out_of_range,
    unreadable,
    blind_windows,
    blind_references,
    held_back,
    inverted,
    swapped_numbers,
    loops,
    swapped_parts,
    swapped_pairs,
    offsets,
    wrong_tables,
    dead_or_frozen,
    later_than_search,
    wrong_bits,
    slow_hops,
    contradicted,
    not_proven,
    sent_nowhere,
    silent_points,
    leaks,
    repeats,
    came_again,
    late,
    late_again,
    late_along,
    silenced,
    still_active,
    stuck,
    left_on,
    brief,
    unknown,
    strays,
)

_ORDER: Final = {kind: number for number, kind in enumerate(CauseKind)}


def explain(
    site: Site,
    evidence: Evidence,
    sketches: Mapping[str, Outline],
    stimuli: Mapping[str, Stimulus],
    judgement: Judgement,
    crossings: Sequence[Crossing],
    again: Again,
) -> Judgement:
    """The judgement with causes: in each result that failed or is unknown, and those shared by several results.

    ``again``: what made a pass unknown, since it may be a second onset of the alarm.
    """
    passed = all(it.verdict.verdict_class is VerdictClass.PASS for it in judgement.results)
    if passed and not judgement.strays:
        return judgement
    case = Case(site, evidence, sketches, stimuli, judgement, crossings, again)
    findings: list[Finding] = []
    crashed: list[str] = []
    for finder in FINDERS:
        try:
            for finding in finder(case):
                case.claim(finding)
                findings.append(finding)
        except Exception:  # noqa: BLE001  # a cause is help, not a verdict: without one the verdicts stand
            crashed.append(traceback.format_exc())
    findings = once_an_object(case, findings)
    return replace(_entered(judgement, findings), failures_of_checkers=(*judgement.failures_of_checkers, *crashed))


def _entered(judgement: Judgement, findings: Sequence[Finding]) -> Judgement:
    """Each cause in the results and strays that it explains; those of several once more, from the wire upwards."""
    of_result: dict[int, Cause] = {}
    of_stray: dict[int, Cause] = {}
    shared: list[Cause] = []
    for finding in findings:
        of_result.update(dict.fromkeys(finding.results, finding.cause))
        of_stray.update(dict.fromkeys(finding.all_strays, finding.cause))
        if len(finding.results) + len(finding.all_strays) > 1 and finding.cause not in shared:
            shared.append(finding.cause)
    results = tuple(
        replace(it, causes=(of_result[n],)) if n in of_result else it for n, it in enumerate(judgement.results)
    )
    strays_ = tuple(
        replace(it, causes=(of_stray[n],)) if n in of_stray else it for n, it in enumerate(judgement.strays)
    )
    shared.sort(key=lambda it: _ORDER[it.kind])
    return replace(judgement, results=results, strays=strays_, causes=tuple(shared))
