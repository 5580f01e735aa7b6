"""A claim about one output, decided as its trials come in: "at least so many of these alarms pass". Pure.

A trial whose verdict is unknown counts against the claim where it is to be proven, and for it where it is to be
refuted. So an unknown never proves and never refutes anything, and both error rates of the rule stay as they were.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.core.verdicts import VerdictClass
from harness.measure.sequential import Decision, Rule


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """``after``: how many trials it took, or all that there were. ``is_open``: further ones may still decide it."""

    decision: Decision
    after: int
    is_open: bool


def decide(rule: Rule, classes: Sequence[VerdictClass]) -> Decided:
    """What the trials so far, in the order of raising, decide by ``rule``."""
    proving, after_proving = rule.decided(it is not VerdictClass.PASS for it in classes)
    refuting, after_refuting = rule.decided(it is VerdictClass.FAIL for it in classes)
    if proving is Decision.PROVEN:
        return Decided(decision=proving, after=after_proving, is_open=False)
    if refuting is Decision.REFUTED:
        return Decided(decision=refuting, after=after_refuting, is_open=False)
    is_open = Decision.UNDECIDED in (proving, refuting) and len(classes) < rule.trials_max
    return Decided(decision=Decision.UNDECIDED, after=len(classes), is_open=is_open)
