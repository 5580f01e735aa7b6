"""What is on before anything is raised: masked by name, and refused where nobody confirmed it."""

from __future__ import annotations

import pytest

from harness.core.errors import SafetyError
from harness.run.standing import ALARMS_TOLD_MAX, StandingPoint, baseline_of, check_baseline
from tests.peers.sites import site_of

ALL = ("a.high-high", "a.high", "a.low", "b.leak", "b.due")


def test_nothing_stands() -> None:
    baseline = baseline_of(site_of(), (), ALL, {})
    assert (baseline.points, baseline.masked, baseline.absent) == ((), {}, ())
    check_baseline(baseline)


def test_what_stands_masks_by_name_and_refuses_until_it_is_confirmed() -> None:
    baseline = baseline_of(site_of(), ("low", "due"), ALL, {})
    assert baseline.masked == {"a.low": ("low",)}
    with pytest.raises(SafetyError) as caught:
        check_baseline(baseline)
    lines = str(caught.value).splitlines()
    assert lines[0] == "nothing is raised:"
    assert lines[1].startswith(
        "point=low: it is on, and nothing was raised; a.low can be the cause; it masks a.low there; find out why: it "
        "may be real. Where it is known, confirm it by name: write 'low: REASON' under 'standing:' in the reviews file"
    )
    assert lines[2].startswith(
        "point=due: it is on, and nothing was raised; no row of the point map is of it; find out"
    )


def test_a_point_that_many_alarms_share_names_a_few() -> None:
    """A horn is of all of them, and a list of all is read by nobody."""
    alarms = tuple(f"a.{number}" for number in range(ALARMS_TOLD_MAX + 3))
    one = StandingPoint(point="horn", alarms=alarms, masks=alarms[1:])
    assert str(one) == (
        "point=horn: it is on, and nothing was raised; a.0 or a.1 or a.2 or a.3 or 3 more can be the cause; it masks "
        "6 alarms there"
    )


def test_the_name_of_the_point_confirms_it() -> None:
    baseline = baseline_of(site_of(), ("low",), ALL, {"low": "float stuck"})
    check_baseline(baseline)
    assert baseline.masked == {"a.low": ("low",)}, "confirmed is not unmasked"
    assert str(baseline.points[0]).endswith("it masks a.low there; known: float stuck")


def test_the_name_of_an_alarm_confirms_all_its_points_and_those_of_what_it_brings_along() -> None:
    site = site_of()
    check_baseline(baseline_of(site, ("hh", "high", "high-printed"), ALL, {"a.high-high": "tank is full"}))
    with pytest.raises(SafetyError, match="point=hh: it is on") as caught:
        check_baseline(baseline_of(site, ("hh", "high"), ALL, {"a.high": "tank is full"}))
    assert "point=high:" not in str(caught.value)


def test_an_alarm_that_must_stay_quiet_there_is_no_reason() -> None:
    """b.due must not show at ``due``: that it is known to be on explains nothing there."""
    with pytest.raises(SafetyError, match="point=due"):
        check_baseline(baseline_of(site_of(), ("due",), ALL, {"b.due": "known"}))


def test_only_what_the_plan_raises_is_masked() -> None:
    baseline = baseline_of(site_of(), ("low",), ("a.high",), {"low": "float stuck"})
    assert (baseline.masked, baseline.points[0].alarms) == ({}, ("a.low",))


def test_what_was_announced_and_does_not_stand_is_told() -> None:
    baseline = baseline_of(site_of(), ("low",), ALL, {"low": "x", "leak": "y", "a.high": "z", "a.low": "w"})
    assert baseline.absent == ("leak", "a.high")
