"""Steps in the journal, and the stimuli that come back from them: bounds of what is not proven, or clears itself."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import count

import pytest

from harness.core.instants import FOREVER, NS_PER_MS, NS_PER_S, Bounds
from harness.core.model import Step, Stimulus
from harness.record.found import Event
from harness.results.open_stimuli import open_stimuli
from harness.results.steps import (
    INTENT_EVENT,
    LATE_EVENT,
    STEP_EVENT,
    STOPPED_EVENT,
    UNSENT_EVENT,
    StepDone,
    stimuli_of,
)
from tests.peers.sites import site_of

SITE = site_of()
S = NS_PER_S


def step(
    which: Step, lo: int, hi: int, *, alarm: str = "a.low", stimulus: str = "0001", proven: bool = True, note: str = ""
) -> StepDone:
    return StepDone(
        stimulus=stimulus, alarm=alarm, step=which, at=Bounds(lo, hi), proven=proven, how="by farend", note=note
    )


def events(*steps: StepDone) -> list[Event]:
    """As a record gives them back: through JSON, among other events."""
    numbers = count(1)
    found = [Event(kind=STEP_EVENT, at_ns=next(numbers), data=json.loads(json.dumps(one.to_data()))) for one in steps]
    return [Event(kind="plan", at_ns=0, data={"rows": []}), *found, Event(kind="end", at_ns=99, data={"why": ""})]


def only(*steps: StepDone) -> Stimulus:
    (stimulus,) = stimuli_of(events(*steps), SITE)
    return stimulus


def test_a_step_survives_the_journal() -> None:
    one = step(Step.ACKNOWLEDGE, 10, 20, proven=False, note="no answer within 500 ms")
    assert StepDone.from_data(json.loads(json.dumps(one.to_data()))) == one


def test_steps_of_one_id_are_one_stimulus() -> None:
    stimulus = only(
        step(Step.RAISE, 100, 110),
        step(Step.ACKNOWLEDGE, 200, 210),
        step(Step.CLEAR, 300, 310),
        step(Step.RESET, 400, 410),
    )
    assert stimulus == Stimulus(
        id="0001",
        alarm="a.low",
        raised=Bounds(100, 110),
        acknowledged=Bounds(200, 210),
        cleared=Bounds(300, 310),
        reset=Bounds(400, 410),
        how="by farend",
    )


def test_what_was_not_done_is_not_known() -> None:
    stimulus = only(step(Step.RAISE, 100, 110))
    assert (stimulus.acknowledged, stimulus.cleared, stimulus.reset) == (None, None, None)
    assert stimuli_of(events(step(Step.CLEAR, 1, 2)), SITE) == (), "a clear alone is no stimulus"


def test_stimuli_come_in_the_order_of_raising_whatever_the_order_in_the_journal() -> None:
    found = stimuli_of(
        events(
            step(Step.RAISE, 500, 510, stimulus="0002"),
            step(Step.RAISE, 100, 110, stimulus="0003"),
            step(Step.RAISE, 500, 505, stimulus="0001"),
        ),
        SITE,
    )
    assert [one.id for one in found] == ["0003", "0001", "0002"]


def test_an_alarm_that_the_site_lacks_is_left_out() -> None:
    """A record may be judged by a corrected site."""
    assert stimuli_of(events(step(Step.RAISE, 1, 2, alarm="gone")), SITE) == ()


def test_a_raise_without_proof_is_not_proven() -> None:
    assert not only(step(Step.RAISE, 100, 600, proven=False)).proven


@pytest.mark.parametrize("which", [Step.ACKNOWLEDGE, Step.CLEAR, Step.RESET])
def test_a_later_step_without_proof_is_open_above(which: Step) -> None:
    """It may have been taken at any instant from its first byte on, or never."""
    stimulus = only(step(Step.RAISE, 100, 110), step(which, 300, 800, proven=False))
    name = {Step.ACKNOWLEDGE: "acknowledged", Step.CLEAR: "cleared", Step.RESET: "reset"}[which]
    assert getattr(stimulus, name) == Bounds(300, FOREVER)


def test_a_step_that_was_tried_again_may_have_been_taken_the_first_time() -> None:
    stimulus = only(
        step(Step.RAISE, 100, 110),
        step(Step.CLEAR, 300, 800, proven=False),
        step(Step.CLEAR, 900, 910),
    )
    assert stimulus.cleared == Bounds(300, 910)


def test_a_step_that_never_proved_itself_stays_open_from_the_first_try() -> None:
    tries = [step(Step.CLEAR, at, at + 50, proven=False) for at in (300, 400, 500)]
    assert only(step(Step.RAISE, 100, 110), *tries).cleared == Bounds(300, FOREVER)


def test_a_proven_step_is_not_moved_by_a_second_one() -> None:
    """What is cleared stays cleared: a clear that was sent to be sure changes nothing."""
    for proven in (True, False):
        stimulus = only(
            step(Step.RAISE, 100, 110), step(Step.CLEAR, 300, 310), step(Step.CLEAR, 900, 910, proven=proven)
        )
        assert stimulus.cleared == Bounds(300, 310)


def test_a_stimulus_that_was_put_back_early_says_so() -> None:
    one, two = step(Step.RAISE, 100, 110), step(Step.RAISE, 200, 210, stimulus="0002")
    stopped = Event(kind=STOPPED_EVENT, at_ns=9, data={"stimulus": "0001"})
    assert [it.stopped for it in stimuli_of([*events(one, two), stopped], SITE)] == [True, False]


def not_done(which: Step, at: int) -> StepDone:
    """There was nothing to do, or it was refused."""
    return StepDone(
        stimulus="0001", alarm="a.low", step=which, at=Bounds(at, at), proven=False, how="by hand", is_sent=False
    )


def test_what_surely_was_not_done_is_no_step() -> None:
    stimulus = only(step(Step.RAISE, 100, 110), not_done(Step.ACKNOWLEDGE, 200), not_done(Step.CLEAR, 300))
    assert (stimulus.acknowledged, stimulus.cleared) == (None, None)
    assert not only(not_done(Step.RAISE, 100)).proven


def test_a_try_that_surely_did_nothing_changes_nothing_of_the_other() -> None:
    """Neither does it widen one that was done, nor does it undo one that may have been taken without an answer."""
    raised, lost = step(Step.RAISE, 100, 110), step(Step.CLEAR, 300, 800, proven=False)
    assert only(raised, not_done(Step.CLEAR, 200), step(Step.CLEAR, 900, 910)).cleared == Bounds(900, 910)
    assert only(raised, step(Step.CLEAR, 300, 310), not_done(Step.CLEAR, 400)).cleared == Bounds(300, 310)
    assert only(raised, lost, not_done(Step.CLEAR, 900)).cleared == Bounds(300, FOREVER)
    assert only(raised, lost, not_done(Step.CLEAR, 850), step(Step.CLEAR, 900, 910)).cleared == Bounds(300, 910)


def test_what_surely_came_before_the_raise_is_no_step_of_it() -> None:
    stimulus = only(step(Step.RAISE, 500, 600), step(Step.ACKNOWLEDGE, 300, 499), step(Step.CLEAR, 300, 500))
    assert stimulus.acknowledged is None
    assert stimulus.cleared == Bounds(300, 500), "it may have come behind"


def late(which: str, lo: int, hi: int, stimulus: str = "0001") -> Event:
    return Event(kind=LATE_EVENT, at_ns=99, data={"stimulus": stimulus, "step": which, "lo": lo, "hi": hi})


def test_a_key_that_came_late_widens_its_step_and_never_narrows_it() -> None:
    steps = events(step(Step.RAISE, 500, 600), step(Step.CLEAR, 900, 950))
    (one,) = stimuli_of([*steps, late("raise", 200, 550)], SITE)
    assert (one.raised, one.cleared) == (Bounds(200, 600), Bounds(900, 950))
    (one,) = stimuli_of([*steps, late("clear", 940, 1200)], SITE)
    assert (one.raised, one.cleared) == (Bounds(500, 600), Bounds(900, 1200))
    for nothing in (late("acknowledge", 1, 2), late("raise", 1, 2, stimulus="0002")):
        assert stimuli_of([*steps, nothing], SITE) == stimuli_of(steps, SITE)


def test_how_fine_a_stimulus_is_timed_is_told_by_the_coarsest_of_its_steps() -> None:
    raised, cleared = step(Step.RAISE, 1, 2), step(Step.CLEAR, 3, 4)
    assert only(raised, cleared).finest_ns == 0
    assert only(replace(raised, finest_ns=350), replace(cleared, finest_ns=1100)).finest_ns == 1100


def test_an_alarm_that_was_not_raised_after_all_is_not_left_open() -> None:
    intent = Event(kind=INTENT_EVENT, at_ns=1, data={"stimulus": "0001", "alarm": "a.low", "how": "by hand"})
    unsent = Event(kind=UNSENT_EVENT, at_ns=2, data={"stimulus": "0001", "alarm": "a.low"})
    assert [it.alarm for it in open_stimuli([intent])] == ["a.low"]
    assert open_stimuli([intent, unsent]) == ()


# b.leak lasts 1 s +/- 100 ms


def leak(which: Step, lo: int, hi: int, *, proven: bool = True) -> StepDone:
    return step(which, lo, hi, alarm="b.leak", proven=proven)


OWN = Bounds(10 * S + 900 * NS_PER_MS, 10 * S + 5 + 1100 * NS_PER_MS)


@pytest.mark.parametrize(
    ("clear", "expected"),
    [
        (None, OWN),
        (leak(Step.CLEAR, 13 * S, 13 * S + 5), OWN),  # long gone by itself
        (leak(Step.CLEAR, 13 * S, 13 * S + 5, proven=False), OWN),
        (leak(Step.CLEAR, 10 * S + 50, 10 * S + 60), Bounds(10 * S + 50, 10 * S + 60)),  # ordered before it could be
        (leak(Step.CLEAR, 11 * S, 11 * S + 5), Bounds(OWN.lo, 11 * S + 5)),  # whichever was first
        (leak(Step.CLEAR, 10 * S + 50, 10 * S + 60, proven=False), Bounds(10 * S + 50, OWN.hi)),
    ],
)
def test_an_alarm_that_clears_itself(clear: StepDone | None, expected: Bounds) -> None:
    steps = [leak(Step.RAISE, 10 * S, 10 * S + 5)] + ([clear] if clear is not None else [])
    assert only(*steps).cleared == expected
