"""The judge against worlds reasoned out by hand, against the hidden truth, and with finer clocks and more evidence."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, assume, event, given, seed, settings
from hypothesis import strategies as st

from harness.core.instants import Bounds
from harness.core.model import Behaviour, Hold, Limits, Result, Step, Stimulus
from harness.core.verdicts import Verdict, VerdictClass
from harness.correlate.judge import judge_one
from tests.properties import naive
from tests.properties.cases import Drawn, Sample, cases, in_words, shortest_unsampled
from tests.properties.test_worlds import ALL_BY_HAND, ByHand, by_hand
from tests.properties.worlds import OracleAnswer, judge_by_enumeration

PASS, FAIL, UNKNOWN = VerdictClass.PASS, VerdictClass.FAIL, VerdictClass.UNKNOWN
FOLLOWS, ACKED, PULSE = Behaviour.FOLLOWS, Behaviour.UNTIL_ACKNOWLEDGED, Behaviour.PULSE

thorough = settings(
    max_examples=1000,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)


def judged(case: Drawn) -> Result:
    return judge_one(
        case.trace, case.stimulus, case.expectation, case.hold, case.next_raise, next_other=case.next_other
    )


def oracle(case: Drawn) -> OracleAnswer:
    return judge_by_enumeration(
        case.trace, case.stimulus, case.expectation, case.hold, case.next_raise, next_other=case.next_other
    )


def assert_sound(case: Drawn, answer: OracleAnswer) -> Result:
    """A definite verdict is the oracle's."""
    result = judged(case)
    found = result.verdict.verdict_class
    shown = f"{case}\njudge: {result.verdict}, {result.reason}\noracle: {answer}"
    assert found is UNKNOWN or found is answer.verdict_class, shown
    return result


def is_about_contradiction(error: ValueError) -> bool:
    """The refusal of evidence that contradicts itself, and no other error."""
    return "contradicts itself" in str(error) or "once put in order" in str(error)


# --- by hand ------------------------------------------------------------------------------------------

NO_WORLD = [
    by_hand(
        "two states at one instant", in_words("off 2, off 4, on 4", within=1, behaviour=PULSE), UNKNOWN, "no world"
    ),
    by_hand("an onset where it was on", in_words("off 2-4, on 3, off 3", behaviour=PULSE), UNKNOWN, "on and off at 3"),
    by_hand(
        "an onset that the path should have told",
        in_words("off 2, on 5~", behaviour=PULSE, within=1),
        UNKNOWN,
        "sealed",
    ),
]

REGRESSIONS = [
    by_hand(
        "a second onset that came before anything else was raised",
        in_words("off 2, on 4, off 6, on 8", cleared=(5, 5), within=2, gone=2, settle=5, hold=(1, 1), next_other=9),
        FAIL,
        "it came on at 7 or 8, and nothing else was raised before 9",
    ),
    by_hand(
        "a second onset that may have come after another alarm was raised",
        in_words("off 2, on 4, off 6, on 8", cleared=(5, 5), within=2, gone=2, settle=5, hold=(1, 1), next_other=8),
        PASS,
        "at 7 it would be a repeat, at 8 it may be the other alarm at the wrong place: not proven",
    ),
    by_hand(
        "the onset after another alarm was raised is not the one that is wanted either",
        in_words("off 2, on 4, off 5, on 9", cleared=(8, 8), within=2, hold=(1, 1), next_other=7, search=6),
        FAIL,
        "the first went off before it was released, the second is late",
    ),
    by_hand(
        "no instant is left for an on-sample",
        in_words("off 2, off 4, off 8, on 8-9, off 9!", raised=(5, 5), within=4),
        UNKNOWN,
        "off at 8, and a change to off at 9 needs on at 8: no world",
    ),
    by_hand("never released, still on", in_words("off 2, on 4", within=3), PASS, "no second onset is forced"),
    by_hand("never released, nothing seen", in_words("", search=0, hold=(1, 1)), UNKNOWN, "on from the raise fits"),
    by_hand(
        "latched, never cleared, still on",
        in_words("off 2, on 4, on 7", behaviour=Behaviour.LATCHED, freed=(6, 6), within=3),
        PASS,
        "it holds on, as it must",
    ),
    by_hand(
        "off and on again before a message that it went off",
        in_words("off 1, on 2!, off 9!", raised=(2, 2), visible=5, behaviour=PULSE, hold=(1, 1)),
        UNKNOWN,
        "on from 2 to 3 and from 8 to 9 fits: visible for 1",
    ),
    by_hand(
        "a drop before a message that it went off ends it before the raise",
        in_words("on 2-5!, off 8-9!", raised=(4, 6), within=1, search=1, behaviour=PULSE, hold=(3, 3)),
        UNKNOWN,
        "on from 2 to 3 and from 6 to 9, raised at 4: the first is over, the second is late",
    ),
    by_hand(
        "a drop before a message that it went off, though the alarm follows",
        in_words("on 1-4!, off 4-8!", raised=(1, 3), within=3, search=4, hold=(1, 2), next_raise=12),
        UNKNOWN,
        "on from 1 to 2 and from 6 to 7, raised at 2",
    ),
    by_hand(
        "acknowledged before it had to show, and gone in a gap",
        in_words(
            "on 1-3!, on 7",
            behaviour=ACKED,
            raised=(2, 4),
            freed=(4, 5),
            visible=3,
            gone=1,
            dwell=2,
            search=1,
            settle=1,
            hold=(1, 2),
        ),
        UNKNOWN,
        "on from 1 to 2 and from 7, raised at 3, acknowledged at 4: nothing showed, nothing was owed",
    ),
    by_hand(
        "acknowledged before it had to show, between two sightings",
        in_words(
            "off 1, off 3, on 4, off 5-6!, on 7!~",
            behaviour=ACKED,
            raised=(1, 3),
            freed=(2, 4),
            search=0,
            settle=4,
            hold=(1, 1),
        ),
        UNKNOWN,
        "raised at 2 and acknowledged at 2, on from 4: nothing showed, nothing was owed",
    ),
    by_hand(
        "acknowledged before it had to show, and the rest belongs to the next raise",
        in_words(
            "off 1, on 3!, off 7!",
            behaviour=ACKED,
            raised=(5, 5),
            freed=(7, 7),
            dwell=2,
            search=2,
            next_raise=6,
            hold=(1, 1),
        ),
        UNKNOWN,
        "on from 3 to 4 and from 6 to 7, raised at 5, acknowledged at 7: nothing of this raise showed, or had to",
    ),
    by_hand(
        "acknowledged before it had to show, and what came on again in a gap belongs to the next raise",
        in_words(
            "off 2, off 3, on 4, on 6, off 7",
            behaviour=Behaviour.LATCHED,
            raised=(5, 5),
            freed=(6, 6),
            cleared=(8, 8),
            within=4,
            search=6,
            next_raise=6,
            hold=(3, 1),
        ),
        UNKNOWN,
        "on from 4 to 5 and from 6 to 7, raised at 5, released at 8: nothing of this raise showed, or had to",
    ),
    by_hand(
        "an off-sample lies before the onset behind it",
        in_words(
            "off 1, on 2!~, on 4-5, off 5-6, on 6!~", raised=(2, 4), cleared=(4, 6), dwell=2, search=4, next_raise=5
        ),
        FAIL,
        "on again at 6, so off by 5, and it must stay until 6 at least; the second onset is the next raise's",
    ),
    by_hand(
        "the end lies before the next onset",
        in_words(
            "on 1!, off 4-7!, on 6-7!", raised=(1, 2), cleared=(5, 5), dwell=2, gone=1, search=0, settle=3, next_raise=7
        ),
        FAIL,
        "on at 7 at the latest, so off by 6, and it must stay until 7",
    ),
]


@pytest.mark.parametrize("hand", [*ALL_BY_HAND, *REGRESSIONS, *NO_WORLD], ids=lambda it: it.name)
def test_oracle_and_judge_by_hand(hand: ByHand) -> None:
    """The oracle says what was reasoned out, and the judge nothing else that is definite."""
    answer = oracle(hand.case)
    assert answer.verdict_class is hand.expected, hand.why
    try:
        assert_sound(hand.case, answer)
    except ValueError as error:  # evidence that contradicts itself may be refused instead of judged
        if answer.worlds or not is_about_contradiction(error):
            raise


@pytest.mark.parametrize("hand", REGRESSIONS, ids=lambda it: it.name)
def test_definite_by_hand(hand: ByHand) -> None:
    """Where the oracle is definite in these, so is the judge."""
    if hand.expected is not UNKNOWN:
        assert judged(hand.case).verdict.verdict_class is hand.expected, hand.why


# --- against the oracle -------------------------------------------------------------------------------


@seed(1)
@thorough
@given(cases())
def test_sound_on_consistent_evidence(case: Drawn) -> None:
    """Never a pass or a fail that some world denies, where there is a true world."""
    answer = oracle(case)
    assert answer.worlds > 0, f"the hidden true world is not among the worlds of {case}"
    event(f"{case.expectation.behaviour.value} {answer.verdict_class.value}")
    assert_sound(case, answer)


@seed(3)
@thorough
@given(cases(last=12, samples_max=10))
def test_hidden_truth_keeps_to_the_verdict(case: Drawn) -> None:
    """What passed keeps its obligations in the true world; what failed does not meet the expectation there."""
    silenced, freed, cleared = (naive.INFINITY if it is None else it for it in case.true_steps)
    verdict = judged(case).verdict
    for release, excused in naive.releases(case.expectation, silenced, freed, freed, cleared):
        good, obliges = naive.meets(
            naive.runs_of(list(case.true_on)),
            len(case.true_on),
            case.expectation,
            case.true_raised,
            release,
            excused,
            case.next_raise,
            case.next_other,
        )
        assert verdict.verdict_class is not PASS or obliges, f"{verdict}: {case}"
        assert verdict.verdict_class is not FAIL or not good, f"{verdict}: {case}"


# --- nothing but the evidence -------------------------------------------------------------------------


def moved(case: Drawn, by: int, times: int = 1) -> Drawn:
    """All instants times ``times`` and plus ``by``; durations times ``times``."""

    def bounds(it: Bounds | None) -> Bounds | None:
        return None if it is None else Bounds(it.lo * times + by, it.hi * times + by)

    def duration(it: int | None) -> int | None:
        return None if it is None else it * times

    limits = case.expectation.limits
    raised = bounds(case.stimulus.raised)
    assert raised is not None
    return replace(
        case,
        samples=tuple(replace(it, lo=it.lo * times + by, hi=it.hi * times + by) for it in case.samples),
        stimulus=replace(
            case.stimulus,
            raised=raised,
            silenced=bounds(case.stimulus.silenced),
            acknowledged=bounds(case.stimulus.acknowledged),
            reset=bounds(case.stimulus.reset),
            cleared=bounds(case.stimulus.cleared),
        ),
        expectation=replace(
            case.expectation,
            limits=Limits(
                appears_within_ns=duration(limits.appears_within_ns),
                visible_for_ns=duration(limits.visible_for_ns),
                gone_within_ns=duration(limits.gone_within_ns),
                dwell_ns=limits.dwell_ns * times,
                search_ns=limits.search_ns * times,
                settle_ns=limits.settle_ns * times,
                leak_ns=limits.leak_ns * times,
            ),
        ),
        hold=Hold(on_ns=case.hold.on_ns * times, off_ns=case.hold.off_ns * times),
        next_raise=None if case.next_raise is None else case.next_raise * times + by,
        next_other=None if case.next_other is None else case.next_other * times + by,
    )


@seed(6)
@settings(thorough, max_examples=500)
@given(cases(), st.integers(2, 10**6))
def test_finer_clock_changes_nothing(case: Drawn, times: int) -> None:
    """Once the ticks of the clock are short against all durations, even shorter ones give the same verdict.

    On the grid itself a tick counts (on at one instant is visible for one tick), but never to the opposite.
    """
    coarse, fine, finer = judged(case), judged(moved(case, 0, 16)), judged(moved(case, 0, 16 * times))
    assert (finer.verdict, finer.also) == (fine.verdict, fine.also)
    assert {coarse.verdict.verdict_class, fine.verdict.verdict_class} != {PASS, FAIL}


def without(samples: tuple[Sample, ...], index: int) -> tuple[Sample, ...]:
    """All samples but one; a seal behind it holds only as far as both did, and not over an onset that one of them told.

    An onset behind an off-sample that is gone follows an on-sample now, and is no change any more.
    """
    gone = samples[index]
    rest = list(samples[:index] + samples[index + 1 :])
    if index < len(rest):
        told_nothing = not (gone.edge and gone.on) and not (rest[index].edge and index and rest[index - 1].on)
        rest[index] = replace(rest[index], sealed=rest[index].sealed and gone.sealed and told_nothing)
    return tuple(rest)


@seed(7)
@thorough
@given(cases(), st.integers(0, 99))
def test_more_evidence_never_reverses_a_verdict(case: Drawn, which: int) -> None:
    """With one more true sample a fail never becomes a pass; a pass becomes a fail only by an offence now proven."""
    assume(case.samples)
    fewer = without(case.samples, which % len(case.samples))
    placed = [it.at for it in fewer]
    hold = Hold(
        on_ns=min(case.hold.on_ns, shortest_unsampled(case.true_on, placed, state=True)),
        off_ns=min(case.hold.off_ns, shortest_unsampled(case.true_on, placed, state=False)),
    )
    limits = replace(case.expectation.limits, leak_ns=min(case.expectation.limits.leak_ns, hold.on_ns))
    case = replace(case, hold=hold, expectation=replace(case.expectation, limits=limits))
    before, after = judged(replace(case, samples=fewer)), judged(case)
    classes = before.verdict.verdict_class, after.verdict.verdict_class
    assert classes != (FAIL, PASS), case
    if classes == (PASS, FAIL):
        assert after.verdict in (Verdict.BRIEF, Verdict.REPEATED), case
        assert oracle(case).example_fail_world is None, case


@seed(8)
@settings(thorough, max_examples=300)
@given(cases())
def test_an_unproven_raise_is_never_judged(case: Drawn) -> None:
    """Without a proven raise nothing was tested, whatever was seen."""
    stimulus: Stimulus = replace(case.stimulus, proven=False)
    assert judged(replace(case, stimulus=stimulus)).verdict is Verdict.NOT_RUN


def test_released_by_names_the_step() -> None:
    """A point that is reset does not care for an acknowledgement."""
    evidence = "off 2, on 4, on 7, off 8"
    by_reset = in_words(
        evidence, behaviour=Behaviour.LATCHED, freed=(8, 8), cleared=(5, 5), within=3, released_by=Step.RESET
    )
    assert judged(by_reset).verdict is Verdict.ON_TIME
    early = replace(by_reset, stimulus=replace(by_reset.stimulus, reset=Bounds(9, 9), acknowledged=Bounds(5, 5)))
    assert judged(early).verdict is Verdict.BRIEF
