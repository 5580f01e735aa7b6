"""The tables of states: the alarm against published walks and an independent table, each output against the release
instants that the judge reckons with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pytest
from hypothesis import given, seed, settings
from hypothesis import strategies as st

from harness.core.behaviours import (
    ALARM,
    LATCHING_ALARM,
    OUTPUTS,
    AlarmState,
    Happening,
    OutputState,
    OutputTable,
    alarm_after,
    output_table,
    release_choices,
    walk,
)
from harness.core.errors import Origin
from harness.core.instants import Bounds
from harness.core.model import Behaviour, Expectation, Limits, Step, Stimulus
from harness.core.release import excused_of, release_of
from harness.correlate.demand import demand_of
from sims import alarm_states

NORM, UNACK, ACKED, RTNUN = AlarmState.NORM, AlarmState.UNACK, AlarmState.ACKED, AlarmState.RTNUN
LATUN, LATCHED = AlarmState.LATUN, AlarmState.LATCHED
RAISE, SILENCE, ACKNOWLEDGE, CLEAR, RESET, TIME = Happening
STEPS = (RAISE, SILENCE, ACKNOWLEDGE, CLEAR, RESET)
NAMES = {
    alarm_states.AlarmState.NORM: NORM,
    alarm_states.AlarmState.UNACK: UNACK,
    alarm_states.AlarmState.ACKED: ACKED,
    alarm_states.AlarmState.RTNUN: RTNUN,
}


# --- the alarm ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("happenings", "states"),
    [
        ((RAISE, ACKNOWLEDGE, CLEAR), (UNACK, ACKED, NORM)),
        ((RAISE, CLEAR, ACKNOWLEDGE), (UNACK, RTNUN, NORM)),
        ((RAISE, CLEAR, RAISE), (UNACK, RTNUN, UNACK)),
        ((RAISE, SILENCE, CLEAR, SILENCE), (UNACK, UNACK, RTNUN, RTNUN)),
        ((SILENCE, ACKNOWLEDGE, CLEAR, RESET), (NORM, NORM, NORM, NORM)),
        ((RAISE, RESET, CLEAR, RESET), (UNACK, UNACK, RTNUN, RTNUN)),
    ],
)
def test_walks_of_an_alarm(happenings: Sequence[Happening], states: Sequence[AlarmState]) -> None:
    """The first two are the legal walks of IEC 62682: NORM, UNACK, ACKED, NORM and NORM, UNACK, RTNUN, NORM."""
    state, found = NORM, []
    for happening in happenings:
        state = alarm_after(state, happening)
        found.append(state)
    assert tuple(found) == tuple(states)


@pytest.mark.parametrize(
    ("happenings", "states"),
    [
        ((RAISE, ACKNOWLEDGE, CLEAR, RESET), (UNACK, ACKED, LATCHED, NORM)),
        ((RAISE, CLEAR, ACKNOWLEDGE, RESET), (UNACK, LATUN, LATCHED, NORM)),
        ((RAISE, RESET, ACKNOWLEDGE, RESET), (UNACK, UNACK, ACKED, ACKED)),
        ((RAISE, CLEAR, RESET, RAISE), (UNACK, LATUN, LATUN, UNACK)),
    ],
)
def test_walks_of_an_alarm_that_latches(happenings: Sequence[Happening], states: Sequence[AlarmState]) -> None:
    """From memory of UA Part 9: a reset takes an alarm that is neither active nor unacknowledged, and no other."""
    state, found = NORM, []
    for happening in happenings:
        state = alarm_after(state, happening, LATCHING_ALARM)
        found.append(state)
    assert tuple(found) == tuple(states)


@pytest.mark.parametrize("table", [ALARM, LATCHING_ALARM], ids=["plain", "latching"])
def test_what_never_happens_to_an_alarm(table: dict[tuple[AlarmState, Happening], AlarmState]) -> None:
    """Nothing but an unacknowledged active alarm becomes ACKED: RTNUN or NORM to ACKED would be a failure.

    Silence moves no alarm, and what is unacknowledged becomes normal by an acknowledge alone.
    """
    assert {state for (state, _), to in table.items() if to is ACKED} == {UNACK}
    assert not [it for it in table if it[1] in (SILENCE, TIME)]
    freed = {happening for (state, happening), to in table.items() if to is NORM and state in (UNACK, RTNUN, LATUN)}
    assert freed <= {ACKNOWLEDGE}


@seed(1)
@given(st.lists(st.sampled_from(STEPS), max_size=30))
def test_as_the_simulated_controller_has_it(happenings: list[Happening]) -> None:
    """Two tables written apart. The controller's reset also acknowledges what has returned to normal, so it is left
    out; it has no silence among what happens to an alarm, since that changes none."""
    ours, theirs = NORM, alarm_states.AlarmState.NORM
    for happening in happenings:
        if happening is RESET:
            continue
        ours = alarm_after(ours, happening)
        if happening is not SILENCE:
            theirs = alarm_states.after(theirs, alarm_states.Happening(happening.value))
        assert ours is NAMES[theirs]
        assert ours.is_active is theirs.active


@seed(2)
@given(st.lists(st.sampled_from(STEPS), max_size=30))
def test_the_same_as_the_flags_of_ua_part_9(happenings: list[Happening]) -> None:
    """OPC 10000-9, 4.8 and 5.8: active or not, acknowledged or not; with a latch, latched until a reset takes."""
    active, acknowledged, latched = False, True, False
    plain, latching = NORM, NORM
    for happening in happenings:
        if happening is RAISE and not active:
            active, acknowledged, latched = True, False, True
        elif happening is CLEAR:
            active = False
        elif happening is ACKNOWLEDGE:
            acknowledged = True
        elif happening is RESET and not active and acknowledged:
            latched = False
        plain, latching = alarm_after(plain, happening), alarm_after(latching, happening, LATCHING_ALARM)
        flags = {(True, False): UNACK, (True, True): ACKED, (False, False): RTNUN, (False, True): NORM}
        assert plain is flags[active, acknowledged]
        held = {(True, False): UNACK, (True, True): ACKED, (False, False): LATUN, (False, True): LATCHED}
        assert latching is (held[active, acknowledged] if latched else NORM)


# --- the outputs --------------------------------------------------------------------------------------


def test_every_behaviour_has_a_table_and_every_choice_of_the_point_map_one() -> None:
    assert {it.behaviour for it in OUTPUTS} == set(Behaviour)
    for behaviour in Behaviour:
        for step in (Step.ACKNOWLEDGE, *release_choices(behaviour)):
            assert output_table(behaviour, step).behaviour is behaviour
    assert release_choices(Behaviour.LATCHED) == (Step.ACKNOWLEDGE, Step.RESET)
    assert release_choices(Behaviour.FOLLOWS) == (Step.SILENCE,)
    assert release_choices(Behaviour.QUIET) == release_choices(Behaviour.PULSE) == ()
    with pytest.raises(KeyError):
        output_table(Behaviour.LATCHED, Step.SILENCE)


@pytest.mark.parametrize("table", OUTPUTS, ids=lambda it: f"{it.behaviour}-{it.released_by}")
def test_what_a_table_may_not_do(table: OutputTable) -> None:
    """Off until it is raised, no way into a state that has no way out, and ``quiet`` never on."""
    assert table.states[0] is OutputState.OFF
    assert not [it for it in table.rows if it[0] is OutputState.OFF and it[1] is not RAISE]
    for state in table.states[1:]:
        reached, ahead = set[OutputState](), [state]
        while ahead:
            at = ahead.pop()
            reached.add(at)
            ahead += [to for (here, _), to in table.rows.items() if here is at and to not in reached]
        assert OutputState.OFF in reached, state
    assert table.rows or table.behaviour is Behaviour.QUIET


@pytest.mark.parametrize(
    ("behaviour", "released_by", "releasing"),
    [
        (Behaviour.FOLLOWS, Step.ACKNOWLEDGE, {Step.CLEAR}),
        (Behaviour.FOLLOWS, Step.SILENCE, {Step.CLEAR, Step.SILENCE, Step.ACKNOWLEDGE}),
        (Behaviour.UNTIL_ACKNOWLEDGED, Step.ACKNOWLEDGE, {Step.ACKNOWLEDGE}),
        (Behaviour.UNTIL_ACKNOWLEDGED, Step.SILENCE, {Step.SILENCE, Step.ACKNOWLEDGE}),
        (Behaviour.LATCHED, Step.ACKNOWLEDGE, {Step.ACKNOWLEDGE, Step.CLEAR}),
        (Behaviour.LATCHED, Step.RESET, {Step.RESET, Step.CLEAR}),
        (Behaviour.PULSE, Step.ACKNOWLEDGE, set()),
        (Behaviour.QUIET, Step.ACKNOWLEDGE, set()),
    ],
)
def test_which_steps_have_a_part_in_a_release(behaviour: Behaviour, released_by: Step, releasing: set[Step]) -> None:
    assert output_table(behaviour, released_by).releasing == releasing


LAMP = output_table(Behaviour.UNTIL_ACKNOWLEDGED, Step.ACKNOWLEDGE)
HORN = output_table(Behaviour.UNTIL_ACKNOWLEDGED, Step.SILENCE)
LATCH = output_table(Behaviour.LATCHED, Step.ACKNOWLEDGE)
BOUND = output_table(Behaviour.LATCHED, Step.RESET)
FOLLOW = output_table(Behaviour.FOLLOWS, Step.ACKNOWLEDGE)


@pytest.mark.parametrize(
    ("table", "happenings", "shows"),
    [
        # silenced: the horn goes quiet, and everything else stays
        (HORN, (RAISE, SILENCE), (True, False)),
        (LAMP, (RAISE, SILENCE), (True, True)),
        (LATCH, (RAISE, SILENCE), (True, True)),
        (FOLLOW, (RAISE, SILENCE), (True, True)),
        # acknowledged after the clear: what holds on holds on over it
        (HORN, (RAISE, CLEAR, ACKNOWLEDGE), (True, True, False)),
        (LAMP, (RAISE, CLEAR, ACKNOWLEDGE), (True, True, False)),
        (LATCH, (RAISE, CLEAR, ACKNOWLEDGE), (True, True, False)),
        (FOLLOW, (RAISE, CLEAR, ACKNOWLEDGE), (True, False, False)),
        # acknowledged before it
        (LAMP, (RAISE, ACKNOWLEDGE, CLEAR), (True, False, False)),
        (LATCH, (RAISE, ACKNOWLEDGE, CLEAR), (True, True, False)),
        # reset
        (BOUND, (RAISE, ACKNOWLEDGE, CLEAR, RESET), (True, True, True, False)),
        (BOUND, (RAISE, RESET, CLEAR, ACKNOWLEDGE, RESET), (True, True, True, True, False)),
        (LATCH, (RAISE, CLEAR, RESET), (True, True, True)),
        # raised again while it is held
        (LATCH, (RAISE, CLEAR, RAISE, ACKNOWLEDGE, CLEAR), (True, True, True, True, False)),
        (HORN, (RAISE, SILENCE, RAISE, CLEAR, RAISE), (True, False, False, False, True)),
    ],
)
def test_walks_of_outputs(table: OutputTable, happenings: Sequence[Happening], shows: Sequence[bool]) -> None:
    states = {0: OutputState.OFF}
    for it in walk(table, [(10 * n, happening) for n, happening in enumerate(happenings, start=1)]):
        states[it.at] = it.state
    found = [states[max(at for at in states if at <= 10 * n + 5)].shows for n in range(1, len(happenings) + 1)]
    assert found == list(shows)


def test_a_dwell_holds_on_and_a_pulse_ends_by_itself() -> None:
    held = walk(FOLLOW, [(10, RAISE), (20, CLEAR)], dwell=7)
    assert [(it.at, it.state.shows) for it in held] == [(10, True), (20, True), (27, False)]
    again = walk(FOLLOW, [(10, RAISE), (20, CLEAR), (25, RAISE), (40, CLEAR)], dwell=7)
    assert [it.at for it in again if not it.state.shows] == [47], "raised anew within the dwell: it never went off"
    pulse = walk(output_table(Behaviour.PULSE, Step.ACKNOWLEDGE), [(10, RAISE), (30, CLEAR)], pulse=4)
    assert [(it.at, it.state.shows) for it in pulse] == [(10, True), (14, False)]
    assert walk(output_table(Behaviour.QUIET, Step.ACKNOWLEDGE), [(10, RAISE), (20, CLEAR)]) == ()


# --- the judge's releases are those of the tables ------------------------------------------------------


def row_of(table: OutputTable, dwell: int) -> Expectation:
    return Expectation(
        key="a@p",
        alarm="a",
        point="p",
        behaviour=table.behaviour,
        limits=Limits(gone_within_ns=0, dwell_ns=dwell, search_ns=5),
        released_by=table.released_by or Step.ACKNOWLEDGE,
        origin=Origin(file="rows", line=1),
    )


def stimuli_of(happenings: Sequence[tuple[int, Happening]]) -> list[tuple[Stimulus, int | None]]:
    """One stimulus for each raise that the alarm takes, with the first of each later step; and when the next one is.

    The reset is the first one that comes behind the clear, as the journal's reader takes it, else the first.
    """
    state, found = NORM, list[tuple[int, dict[Happening, list[int]]]]()
    for at, happening in happenings:
        before, state = state, alarm_after(state, happening)
        if happening is RAISE and state is not before:
            found.append((at, {}))
        elif happening is not RAISE and found:
            found[-1][1].setdefault(happening, []).append(at)
    stimuli = []
    for number, (raised, steps) in enumerate(found):
        resets, clears = steps.get(RESET, []), steps.get(CLEAR, [])
        resets = [it for it in resets if clears and it > clears[0]] or resets
        steps[RESET] = resets
        after = found[number + 1][0] if number + 1 < len(found) else None
        own = Stimulus(
            id=str(number),
            alarm="a",
            raised=Bounds.exactly(raised),
            silenced=_first(steps, SILENCE),
            acknowledged=_first(steps, ACKNOWLEDGE),
            reset=_first(steps, RESET),
            cleared=_first(steps, CLEAR),
        )
        stimuli.append((own, after))
    return stimuli


def _first(steps: Mapping[Happening, list[int]], happening: Happening) -> Bounds | None:
    found = steps.get(happening)
    return Bounds.exactly(found[0]) if found else None


@seed(3)
@settings(max_examples=1500, deadline=None, database=None)
@given(
    st.sampled_from(OUTPUTS),
    st.lists(st.tuples(st.integers(1, 9), st.sampled_from(STEPS)), max_size=14),
    st.sampled_from((0, 3, 40)),
)
def test_the_judge_reckons_with_the_releases_of_the_table(
    table: OutputTable, apart: list[tuple[int, Happening]], dwell: int
) -> None:
    """Random steps in any order. Until the next raise, the output shows from the raise to the release and its dwell;
    a reset that came too early leaves it open what releases it, and never says that something did."""
    at, happenings = 0, list[tuple[int, Happening]]()
    for gap, happening in apart:
        at += gap
        happenings.append((at, happening))
    row = row_of(table, dwell)
    states = walk(table, happenings, dwell=dwell, pulse=2)
    for stimulus, after in stimuli_of(happenings):
        raised, until = stimulus.raised.lo, after or at + 100
        demand = demand_of(stimulus, row, after)
        if table.behaviour is Behaviour.QUIET:
            assert states == ()
            continue
        number = max(n for n, it in enumerate(states) if it.at <= raised)
        assert states[number].state is OutputState.ON, (stimulus, states)
        mine = [it for it in states[number:] if it.at < until]
        gone = next((it.at for it in mine if not it.state.shows), None)
        released = next((it.at for it in mine if it.state is OutputState.DWELL), None)
        if table.behaviour is Behaviour.PULSE:
            assert demand.release is demand.stay_until is demand.deadline is None
            assert states[number + 1].at == raised + 2
            continue
        due = release_of(stimulus, row)
        assert demand.release == due
        if due is not None and due.is_open_above:
            assert table.released_by is Step.RESET
            assert released is None
            assert demand.untested
            continue
        assert due == (None if released is None else Bounds.exactly(released)), (stimulus, states)
        if due is not None and demand.stay_until is not None and due.hi + dwell < until:
            assert gone == demand.stay_until.lo == demand.stay_until.hi, (stimulus, states)
        elif due is None:
            assert gone is None, (stimulus, states)


@seed(4)
@settings(max_examples=400, deadline=None, database=None)
@given(st.sampled_from(OUTPUTS), st.lists(st.tuples(st.integers(1, 9), st.sampled_from(STEPS)), max_size=10))
def test_what_a_person_releases_is_what_excuses_an_output_that_did_not_show(
    table: OutputTable, apart: list[tuple[int, Happening]]
) -> None:
    """From a release by a person on nothing is owed; the clear alone excuses only what it cannot have been without."""
    at, happenings = 0, [(0, RAISE)]
    for gap, happening in apart:
        at += gap
        happenings.append((at, happening))
    (stimulus, _), *_ = stimuli_of(happenings)
    excused, release = excused_of(stimulus, row_of(table, 0)), release_of(stimulus, row_of(table, 0))
    if table.behaviour in (Behaviour.UNTIL_ACKNOWLEDGED, Behaviour.LATCHED):
        assert excused == release
    elif table.released_by is Step.SILENCE:
        by_hand = [it.lo for it in (stimulus.silenced, stimulus.acknowledged) if it is not None]
        assert excused == (Bounds.exactly(min(by_hand)) if by_hand else None)
    else:
        assert excused is None
