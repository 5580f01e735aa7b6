"""The oracle itself: against worlds reasoned out by hand, and against plain loops over every world."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest
from hypothesis import HealthCheck, given, seed, settings

from harness.core.model import Behaviour, Step
from harness.core.verdicts import VerdictClass
from tests.properties.cases import Drawn, cases, in_words, wild_cases
from tests.properties.naive import judge_naively
from tests.properties.worlds import judge_by_enumeration

PASS, FAIL, UNKNOWN = VerdictClass.PASS, VerdictClass.FAIL, VerdictClass.UNKNOWN


@dataclass(frozen=True, slots=True, kw_only=True)
class ByHand:
    """One case reasoned out by hand."""

    name: str
    case: Drawn
    expected: VerdictClass
    why: str


def by_hand(name: str, case: Drawn, expected: VerdictClass, why: str) -> ByHand:
    return ByHand(name=name, case=case, expected=expected, why=why)


FOLLOWS, ACKED, LATCHED = Behaviour.FOLLOWS, Behaviour.UNTIL_ACKNOWLEDGED, Behaviour.LATCHED
PULSE, QUIET = Behaviour.PULSE, Behaviour.QUIET

RULE_2 = [
    by_hand("every world meets it", in_words("off 2, on 5", within=2), PASS, "onset in 3..5, latency 0..2"),
    by_hand("some do", in_words("off 2, on 5", within=1), UNKNOWN, "onset 5 is late by one, onset 4 is not"),
    by_hand(
        "none does",
        in_words("off 2, off 4, on 5", within=1),
        FAIL,
        "onset is 5, and nothing of 4 hides between 2 and 4",
    ),
    by_hand("limits are inclusive", in_words("off 2, off 4, on 5", within=2), PASS, "latency 2 is within 2"),
    by_hand("no evidence", in_words(""), UNKNOWN, "on or off, nobody knows"),
    by_hand("no evidence, never released", in_words("", search=0, hold=(1, 1)), UNKNOWN, "on from 3 for ever fits"),
    by_hand("a contradiction", in_words("off 4, on 4", within=3), UNKNOWN, "no world is on and off at 4"),
    by_hand(
        "one off-sample proves a fail alone",
        in_words("off 5", within=1, cleared=(9, 9), hold=(1, 1)),
        FAIL,
        "on by 4 and off at 5 is gone before the release at 9; any later onset is late",
    ),
    by_hand(
        "one off-sample behind the release does not",
        in_words("off 9", within=1, cleared=(9, 9), hold=(1, 1)),
        UNKNOWN,
        "on from 3 to 9 is all that was asked",
    ),
    by_hand(
        "two limits, each unresolved, are a certain fail",
        in_words("off 2, on 5, off 8", visible=4, cleared=(5, 5), gone=1),
        FAIL,
        "onset 3..5, end 6..8; gone in time means end 6, visible for 4 then means onset 2",
    ),
    by_hand(
        "the first of the two alone",
        in_words("off 2, on 5, off 8", visible=4, cleared=(5, 5)),
        UNKNOWN,
        "3 to 8 is 5, 5 to 6 is 1",
    ),
    by_hand(
        "the second of the two alone",
        in_words("off 2, on 5, off 8", cleared=(5, 5), gone=1),
        UNKNOWN,
        "end 6 is in time, end 8 is not",
    ),
]

RULE_3 = [
    by_hand("onset in (asked, told]", in_words("off 1-2, on 5-6", within=3), PASS, "the latest onset is 6, latency 3"),
    by_hand("told counts", in_words("off 1-2, on 5-6", within=2), UNKNOWN, "the onset may be as late as 6"),
    by_hand(
        "off at its asked, not its told",
        in_words("off 2, off 3-6, on 7", within=1, hold=(9, 9)),
        UNKNOWN,
        "off may have been told of 3 already: onset 4 fits",
    ),
]

RULE_4 = [
    by_hand("a message places its change", in_words("off 1, on 5-6!", within=3), PASS, "change in 5..6"),
    by_hand("its delay widens it", in_words("off 1, on 5-6!", within=2), UNKNOWN, "5 is in time, 6 is not"),
    by_hand(
        "and bounds it below", in_words("off 1, on 5-6!", within=1), FAIL, "no onset before 5; no on of 4 fits in 2..4"
    ),
    by_hand("a poll would not", in_words("off 1, on 5-6", within=1), UNKNOWN, "the onset may be as early as 2"),
    by_hand(
        "silence up to a proof of life",
        in_words("off 1, off 9~", behaviour=PULSE, within=3, hold=(1, 1)),
        FAIL,
        "no onset is unreported between 1 and 9",
    ),
    by_hand(
        "silence on a path that promises nothing",
        in_words("off 1, off 9", behaviour=PULSE, within=3, hold=(1, 1)),
        UNKNOWN,
        "an on of 1 fits into the gap",
    ),
    by_hand(
        "a seal does not deny its own edge",
        in_words("off 1, on 5!~", within=3, hold=(1, 1)),
        PASS,
        "the onset at 5 is told",
    ),
    by_hand(
        "a seal denies a drop",
        in_words("off 2, on 4, on 9~", visible=6, within=3, hold=(1, 1)),
        PASS,
        "going off and on again would be an unreported onset",
    ),
    by_hand("the first value is a state", in_words("on 4", within=3), UNKNOWN, "it may have been on for ever"),
    by_hand("a first message is an event", in_words("on 4!", within=3), PASS, "it was off at 3, and came on at 4"),
    by_hand(
        "a missing cleared line never proves stuck",
        in_words("off 2, on 4!", gone=1, cleared=(6, 6)),
        UNKNOWN,
        "nobody saw whether it was on at 8",
    ),
]

RULE_5 = [
    by_hand(
        "a state of h cannot hide in a gap of h",
        in_words("off 2, off 6", behaviour=PULSE, within=2, hold=(4, 1)),
        FAIL,
        "between samples at 2 and 6 at most 3..5 is on, and it is on for 4 at least",
    ),
    by_hand(
        "one wider can",
        in_words("off 2, off 6", behaviour=PULSE, within=2, hold=(3, 1)),
        UNKNOWN,
        "on from 3 to 6 fits",
    ),
    by_hand(
        "on between on-samples as far apart as the shortest off",
        in_words("off 2, on 4, on 8", within=3, visible=5, hold=(1, 4)),
        PASS,
        "a drop of 4 does not fit between 4 and 8; so on from 4 at the latest to 9 at least",
    ),
    by_hand(
        "a wider gap proves nothing",
        in_words("off 2, on 4, on 8", within=3, visible=5, hold=(1, 3)),
        UNKNOWN,
        "off from 5 to 8 fits: visible for 2, then late",
    ),
    by_hand(
        "the hold never proves what was sampled",
        in_words("off 2, on 4, off 5", behaviour=PULSE, visible=3, hold=(9, 9)),
        FAIL,
        "3 to 5 is 2, whatever was declared",
    ),
    by_hand(
        "nor an obligation",
        in_words("off 2, on 4, off 6", behaviour=PULSE, visible=3, hold=(9, 9)),
        UNKNOWN,
        "4 to 5 fits all that was seen; a declared hold of 9 does not make it longer",
    ),
    by_hand(
        "a gap counts across the edge of the window",
        in_words("off 1, off 6", behaviour=PULSE, within=1, hold=(4, 1)),
        UNKNOWN,
        "the window begins at 3, the gap at 1: on from 2 to 6 was visible at the raise",
    ),
]

RULE_7 = [
    by_hand(
        "0 if it shows already",
        in_words("off 2, on 4, on 7", raised=(3, 6), within=1),
        PASS,
        "onset 3 or 4, raised 3 to 6: at most 1 late, mostly early; still on at 7",
    ),
    by_hand(
        "it must still be on when the alarm is raised",
        in_words("off 2, on 4", raised=(3, 6), within=1),
        UNKNOWN,
        "on from 4 to 5 and raised at 6 do not belong together",
    ),
    by_hand(
        "the upper end is never cut", in_words("off 2, on 4", raised=(3, 6), within=0), UNKNOWN, "raised 3, on at 4"
    ),
    by_hand(
        "an onset wholly before the raise, gone again",
        in_words("off 1, on 2, off 3, off 7", raised=(4, 4), within=3),
        FAIL,
        "it went off at 3; they do not belong together, and nothing of 4 hides between 3 and 7",
    ),
    by_hand("visible at most", in_words("off 2, on 4-5, off 8-9", behaviour=PULSE, visible=7), FAIL, "3 to 9 is 6"),
    by_hand(
        "visible at least",
        in_words("off 2, on 4-5, off 8-9", behaviour=PULSE, visible=1),
        PASS,
        "it was on at one instant",
    ),
    by_hand(
        "visible for the least or more",
        in_words("off 2, on 4-5, off 8-9", behaviour=PULSE, visible=2),
        UNKNOWN,
        "4 to 5 is 1",
    ),
    by_hand("open while still on", in_words("off 2, on 4", visible=50), UNKNOWN, "nobody saw its end"),
]

RULE_8 = [
    by_hand("ready by an off-sample", in_words("off 2, on 4"), PASS, "off before the raise"),
    by_hand("on before the raise", in_words("off 1, on 2, on 4"), UNKNOWN, "its reaction proves nothing"),
    by_hand("not observed before the raise", in_words("on 4"), UNKNOWN, "it may have been on"),
    by_hand("a sample across the raise is not before it", in_words("off 2-3, on 4"), UNKNOWN, "told at 3, raised at 3"),
    by_hand(
        "not ready is no excuse for a fail",
        in_words("on 2, off 4, off 7", within=3, cleared=(9, 9)),
        FAIL,
        "gone before the release, and nothing of 4 hides behind it",
    ),
]

CORRELATING = [
    by_hand(
        "later than the search limit", in_words("off 2, off 5, off 8, on 9", search=5), FAIL, "9 is not within 5 of 3"
    ),
    by_hand("within the search limit", in_words("off 2, off 5, off 8, on 9", search=6), PASS, "9 is"),
    by_hand(
        "it ends at the next raise",
        in_words("off 2, off 5, off 8, on 9", search=6, next_raise=9),
        FAIL,
        "the onset at 9 belongs to the raise at 9",
    ),
    by_hand(
        "gone by the deadline",
        in_words("off 2, on 4, on 8, off 9", cleared=(6, 6), dwell=1, gone=2),
        PASS,
        "end 9 = 6 + 1 + 2",
    ),
    by_hand(
        "not gone by the deadline",
        in_words("off 2, on 4, on 8, on 9, off 10", cleared=(6, 6), dwell=1, gone=2),
        FAIL,
        "end 10, deadline 9",
    ),
    by_hand(
        "gone before the release, seen",
        in_words("off 2, on 4, off 6", cleared=(6, 6), dwell=1),
        FAIL,
        "end 6 at the latest, and it must stay until 7",
    ),
    by_hand(
        "gone before the release, not seen",
        in_words("off 2, on 4, off 7", cleared=(6, 6), dwell=1),
        PASS,
        "an early drop counts only when it is proven: end 7 fits",
    ),
    by_hand("never released, gone", in_words("off 2, on 4, off 6"), FAIL, "any end is before the release"),
    by_hand(
        "until acknowledged",
        in_words("off 2, on 4, off 6", behaviour=ACKED, freed=(5, 5), cleared=(9, 9)),
        PASS,
        "end 5, 6",
    ),
    by_hand(
        "latched: cleared as well",
        in_words("off 2, on 4, off 6", behaviour=LATCHED, freed=(5, 5), cleared=(9, 9)),
        FAIL,
        "it must stay until 9",
    ),
    by_hand(
        "latched until reset",
        in_words("off 2, on 4, on 7, off 8", behaviour=LATCHED, freed=(8, 8), cleared=(5, 5), released_by=Step.RESET),
        PASS,
        "reset at 8, off at 8",
    ),
    by_hand(
        "acknowledged before it had to show",
        in_words("off 2, off 4, off 6, off 9, off 11", behaviour=ACKED, freed=(4, 4), within=3),
        UNKNOWN,
        "not showing is neither pass nor fail",
    ),
    by_hand(
        "acknowledged after it had to show",
        in_words("off 2, off 4, off 6, off 9, off 11", behaviour=ACKED, freed=(7, 7), within=3),
        FAIL,
        "it had to show by 6",
    ),
    by_hand(
        "pulse gone in time", in_words("off 2, off 3, on 4, off 5", behaviour=PULSE, gone=1), PASS, "onset 4, end 5"
    ),
    by_hand(
        "pulse too long", in_words("off 2, off 3, on 4, on 5, off 6", behaviour=PULSE, gone=1), FAIL, "onset 4, end 6"
    ),
    by_hand(
        "a second onset before it settled",
        in_words("off 2, on 4, off 6, on 8", behaviour=PULSE, settle=5),
        FAIL,
        "the second onset is 8 at the latest, and 3 + 5 is the earliest to settle",
    ),
    by_hand(
        "a second onset that may be late enough",
        in_words("off 2, on 4, off 6, on 8", behaviour=PULSE, settle=4),
        PASS,
        "onset 3 settles at 7, and the second may be 8; a repeat counts only when it is proven",
    ),
    by_hand(
        "a second onset is the next raise's",
        in_words("off 2, on 4, off 6, on 7", behaviour=PULSE, settle=9, next_raise=7),
        PASS,
        "raised again at 7",
    ),
    by_hand(
        "unproven between two sightings",
        in_words("off 2, on 4, off 6, off 12", behaviour=PULSE, settle=9),
        PASS,
        "nothing proves a second onset",
    ),
    by_hand(
        "quiet",
        in_words("off 2, off 4, off 6, off 8, off 10", behaviour=QUIET, cleared=(6, 6), search=5, leak=2),
        PASS,
        "the window is 3 to 8, and no gap is wider than 2",
    ),
    by_hand(
        "quiet over a gap",
        in_words("off 2, off 4, off 8, off 10", behaviour=QUIET, cleared=(6, 6), search=5, leak=2),
        UNKNOWN,
        "a leak of 2 fits between 4 and 8",
    ),
    by_hand(
        "leaked",
        in_words("off 2, off 4, on 6, off 8", behaviour=QUIET, cleared=(6, 6), search=5, leak=9),
        FAIL,
        "an onset at 5 or 6; that it was shorter than looked for does not excuse it",
    ),
    by_hand(
        "quiet until gone-within after the clearing",
        in_words("off 2, off 4, off 6, off 8, off 10, on 11", behaviour=QUIET, cleared=(9, 9), gone=2, leak=2),
        FAIL,
        "the onset at 11 is 9 + 2",
    ),
    by_hand(
        "reacted behind the window",
        in_words("off 2, off 4, off 6, off 8, off 9, on 11", behaviour=QUIET, cleared=(6, 6), gone=2, leak=2),
        PASS,
        "the window ends at 8",
    ),
    by_hand(
        "quiet, never cleared",
        in_words("off 2, off 4, off 6", behaviour=QUIET, leak=2),
        UNKNOWN,
        "the window has no end, the evidence has",
    ),
    by_hand(
        "on already, so not quiet and no leak",
        in_words("off 1, on 2, on 4, on 6, on 8, on 10", behaviour=QUIET, cleared=(6, 6), leak=2),
        UNKNOWN,
        "no onset behind the raise, but the point was not ready",
    ),
]

ALL_BY_HAND = [*RULE_2, *RULE_3, *RULE_4, *RULE_5, *RULE_7, *RULE_8, *CORRELATING]


def oracle(case: Drawn) -> VerdictClass:
    return judge_by_enumeration(
        case.trace, case.stimulus, case.expectation, case.hold, case.next_raise, next_other=case.next_other
    ).verdict_class


@pytest.mark.parametrize("hand", ALL_BY_HAND, ids=lambda it: it.name)
def test_oracle_agrees_with_reasoning(hand: ByHand) -> None:
    """Each rule of measurement, one sentence at a time."""
    assert oracle(hand.case) is hand.expected, hand.why


def test_examples_are_worlds_of_the_case() -> None:
    """The worlds shown with an unknown are one that meets the expectation and one that does not."""
    case = in_words("off 2, on 5", within=1)
    answer = judge_by_enumeration(case.trace, case.stimulus, case.expectation, case.hold)
    assert answer.example_pass_world is not None
    assert answer.example_fail_world is not None
    assert answer.example_pass_world.on[0][0] in (3, 4)
    assert answer.example_fail_world.on[0][0] == 5


def test_larger_grid_changes_nothing() -> None:
    """What lies behind the evidence is counted out already, so more room must not matter."""
    for hand in ALL_BY_HAND:
        case = hand.case
        wider = judge_by_enumeration(
            case.trace,
            case.stimulus,
            case.expectation,
            case.hold,
            case.next_raise,
            horizon=13,
            next_other=case.next_other,
        )
        assert wider.verdict_class is hand.expected, hand.name


def test_grid_too_large_is_refused() -> None:
    case = replace(in_words("off 2, on 4"), next_raise=None)
    with pytest.raises(ValueError, match="at most 14"):
        judge_by_enumeration(case.trace, case.stimulus, case.expectation, case.hold, horizon=15)


@seed(20261125)
@settings(max_examples=150, deadline=None, database=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    cases(first=3, last=6, most=2, samples_max=3, width=1) | wild_cases(first=3, last=6, most=2, samples_max=3),
)
def test_oracle_agrees_with_plain_loops(case: Drawn) -> None:
    """Both count the same worlds; the loops do it on one grid with margins and no cleverness at all."""
    plain = judge_naively(
        case.trace, case.stimulus, case.expectation, case.hold, case.next_raise, instants=13, next_other=case.next_other
    )
    assert oracle(case) is plain
