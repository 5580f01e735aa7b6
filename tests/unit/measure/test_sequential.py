"""Rules that stop early: their rates, counted out in full."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from harness.measure.binomial import cumulative
from harness.measure.sequential import Decision, Rule, curtailed, ratio_rule


def test_the_plan_of_the_nist_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.2.6: p1 0.01, p2 0.10, alpha 0.05, beta 0.10 give x_a = -0.939 + 0.0397 n and
    x_r = 1.205 + 0.0397 n (from memory; Wald's formulas give the same): no miss in 24 accepts, 2 in 2 to 19 reject,
    then 3.
    """
    rule = ratio_rule(good=0.01, bad=0.10, wrongly_refuted=0.05, wrongly_proven=0.10, trials_max=60)
    assert rule.proven_up_to[:24] == (-1,) * 23 + (0,)
    assert rule.refuted_from[1:19] == (2,) * 18
    assert rule.refuted_from[19] == 3
    assert rule.rates(0.10).proven <= 0.10
    assert rule.rates(0.01).refuted <= 0.05


def brute(rule: Rule, share: float) -> tuple[float, float, float]:
    """Over every sequence of passes and misses."""
    proven = refuted = trials = 0.0
    for misses in product((False, True), repeat=rule.trials_max):
        chance = float(np.prod([share if it else 1 - share for it in misses]))
        decision, taken = rule.decided(misses)
        proven += chance * (decision is Decision.PROVEN)
        refuted += chance * (decision is Decision.REFUTED)
        trials += chance * taken
    return proven, refuted, trials


RULES = [
    ratio_rule(good=0.05, bad=0.4, wrongly_refuted=0.1, wrongly_proven=0.1, trials_max=12),
    ratio_rule(good=0.2, bad=0.6, trials_max=11),
    curtailed(0.7, confidence=0.9, misses_allowed=1),
    curtailed(0.75, confidence=0.9),
]


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("share", [0.0, 0.1, 0.37, 0.9])
def test_rates_are_those_of_every_sequence(rule: Rule, share: float) -> None:
    found = rule.rates(share)
    assert (found.proven, found.refuted, found.trials_mean) == pytest.approx(brute(rule, share), abs=1e-12)
    assert found.proven + found.refuted + found.undecided == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("misses", [0, 1, 3])
def test_stopping_a_plan_early_changes_none_of_its_rates(misses: int) -> None:
    """Proven as often as the whole plan finds so few misses, and never undecided."""
    rule = curtailed(0.95, misses_allowed=misses)
    for share in (0.001, 0.01, 0.05, 0.2):
        found = rule.rates(share)
        assert found.proven == pytest.approx(cumulative(misses, rule.trials_max, share), abs=1e-12)
        assert found.undecided == pytest.approx(0.0, abs=1e-12)
        assert found.trials_mean < rule.trials_max
    assert rule.rates(0.05).proven <= 0.05


def test_fifty_nine_passes_prove_95_of_100_and_the_first_miss_ends_it() -> None:
    rule = curtailed(0.95)
    assert rule.decided([False] * 100) == (Decision.PROVEN, 59)
    assert rule.decided([False] * 58) == (Decision.UNDECIDED, 58)
    assert rule.decided([False] * 7 + [True] * 100) == (Decision.REFUTED, 8)


@pytest.mark.parametrize("good", [0.001, 0.01, 0.03])
@pytest.mark.parametrize("bad", [0.05, 0.1, 0.3])
@pytest.mark.parametrize("error", [0.01, 0.05, 0.2])
def test_the_stated_errors_hold(good: float, bad: float, error: float) -> None:
    """At the two shares and beyond them."""
    rule = ratio_rule(good=good, bad=bad, wrongly_refuted=error, wrongly_proven=error, trials_max=200)
    assert all(rule.rates(it).proven <= error + 1e-12 for it in (bad, bad * 1.5, 0.9))
    assert all(rule.rates(it).refuted <= error + 1e-12 for it in (good, good / 2, 0.0))


def test_looking_after_every_trial_would_not_hold() -> None:
    """Ending whenever the plain bound of the moment allows it: far more than 5 % wrong, and rates() says so."""
    looks = [max((m for m in range(k + 1) if cumulative(m, k, 0.1) <= 0.05), default=-1) for k in range(1, 400)]
    careless = Rule(proven_up_to=tuple(looks), refuted_from=(10**6,) * len(looks))
    assert careless.rates(0.1).proven > 0.15


def test_what_is_no_rule_is_refused() -> None:
    with pytest.raises(ValueError, match=r"good=0\.2, bad=0\.1"):
        ratio_rule(good=0.2, bad=0.1, trials_max=9)
    with pytest.raises(ValueError, match=r"wrongly_proven=0\.7"):
        ratio_rule(good=0.1, bad=0.2, wrongly_proven=0.7, trials_max=9)
    with pytest.raises(ValueError, match="miss_share=2"):
        curtailed(0.9).rates(2)
