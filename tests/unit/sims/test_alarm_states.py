"""The state table against the published state names and walks, and against a model of two flags."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sims.alarm_states import TRANSITIONS, AlarmState, Happening, after

NORM, UNACK, ACKED, RTNUN = AlarmState
RAISE, ACKNOWLEDGE, CLEAR, RESET = Happening


@pytest.mark.parametrize(
    ("happenings", "walk"),
    [
        ((RAISE, ACKNOWLEDGE, CLEAR), (UNACK, ACKED, NORM)),
        ((RAISE, CLEAR, ACKNOWLEDGE), (UNACK, RTNUN, NORM)),
        ((RAISE, CLEAR, RESET), (UNACK, RTNUN, NORM)),
        ((RAISE, CLEAR, RAISE), (UNACK, RTNUN, UNACK)),
        ((ACKNOWLEDGE, RESET, CLEAR), (NORM, NORM, NORM)),
        ((RAISE, RAISE, RESET), (UNACK, UNACK, UNACK)),
    ],
)
def test_walks(happenings: tuple[Happening, ...], walk: tuple[AlarmState, ...]) -> None:
    """The first two are the legal walks of IEC 62682, NORM, UNACK, ACKED, NORM and NORM, UNACK, RTNUN, NORM."""
    state = NORM
    for happening, expected in zip(happenings, walk, strict=True):
        state = after(state, happening)
        assert state is expected


def test_what_never_happens() -> None:
    """No way from NORM or RTNUN to ACKED: an alarm is acknowledged only while it is there and unacknowledged."""
    assert not [step for step, to in TRANSITIONS.items() if to is ACKED and step[0] is not UNACK]
    assert {step[0] for step, to in TRANSITIONS.items() if to is UNACK} == {NORM, RTNUN}


@given(st.lists(st.sampled_from(list(Happening)), max_size=30))
def test_same_as_two_flags(happenings: list[Happening]) -> None:
    """OPC 10000-9 (UA Part 9), 4.8 and 5.8, has it as two flags: active or not, acknowledged or not."""
    active, acknowledged, state = False, True, NORM
    for happening in happenings:
        if happening is RAISE and not active:
            active, acknowledged = True, False
        elif happening is CLEAR:
            active = False
        elif happening is ACKNOWLEDGE or (happening is RESET and not active):
            acknowledged = True
        state = after(state, happening)
        assert state.active == active
        assert (
            state
            is {(False, True): NORM, (True, False): UNACK, (True, True): ACKED, (False, False): RTNUN}[
                (active, acknowledged)
            ]
        )


def test_codes() -> None:
    assert [state.code for state in (NORM, UNACK, ACKED, RTNUN)] == [0, 1, 2, 3]
