"""A claim decided trial by trial: unknown results prove nothing and refute nothing, and the error rates stay."""

from __future__ import annotations

import random

import pytest

from harness.core.verdicts import VerdictClass
from harness.measure.claims import decide
from harness.measure.sequential import Decision, curtailed, ratio_rule

PASS, FAIL, UNKNOWN = VerdictClass.PASS, VerdictClass.FAIL, VerdictClass.UNKNOWN


def test_a_success_run_proves_and_one_trial_less_does_not() -> None:
    rule = curtailed(0.95)
    assert decide(rule, [PASS] * 59).decision is Decision.PROVEN
    before = decide(rule, [PASS] * 58)
    assert (before.decision, before.is_open) == (Decision.UNDECIDED, True)


def test_a_fail_refutes_a_plan_that_allows_none_and_says_after_how_many() -> None:
    decided = decide(curtailed(0.95), [PASS, PASS, FAIL, PASS])
    assert (decided.decision, decided.after, decided.is_open) == (Decision.REFUTED, 3, False)


def test_an_unknown_result_neither_proves_nor_refutes() -> None:
    rule = curtailed(0.95)
    one_unknown = decide(rule, [PASS] * 30 + [UNKNOWN] + [PASS] * 58)
    assert one_unknown.decision is Decision.UNDECIDED
    assert not one_unknown.is_open
    assert decide(rule, [UNKNOWN] * 5).decision is Decision.UNDECIDED
    assert decide(rule, [UNKNOWN, FAIL]).decision is Decision.REFUTED


@pytest.mark.parametrize("seed", [7])
def test_error_rates_hold_with_unknown_results_among_them(seed: int) -> None:
    """A share of 10 % unknown, drawn apart from what really passes: proven wrongly no more often than was allowed."""
    rng = random.Random(seed)
    for rule in (
        curtailed(0.8),
        curtailed(0.8, misses_allowed=2),
        ratio_rule(good=0.05, bad=0.2, trials_max=80),
    ):
        proven = refuted = 0
        rounds = 2000
        for _ in range(rounds):
            bad = [FAIL if rng.random() < 0.2 else PASS for _ in range(rule.trials_max)]
            proven += decide(rule, [_hidden(it, rng) for it in bad]).decision is Decision.PROVEN
            good = [FAIL if rng.random() < 0.05 else PASS for _ in range(rule.trials_max)]
            refuted += decide(rule, [_hidden(it, rng) for it in good]).decision is Decision.REFUTED
        assert proven / rounds <= 0.05
        assert refuted / rounds <= rule.rates(0.05).refuted + 0.03


def _hidden(it: VerdictClass, rng: random.Random) -> VerdictClass:
    return UNKNOWN if rng.random() < 0.1 else it
