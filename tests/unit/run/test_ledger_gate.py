"""What refuses a test: a notice that is missing or too short, an inhibit never proven, one left from before."""

from __future__ import annotations

import time
from collections.abc import Sequence
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

from harness.core.errors import Origin, Problem, SafetyError
from harness.core.ledger import Act, Entry, LedgerState
from harness.results.ledger import AT_END, AT_START, Ledger, append, read_ledger
from harness.run.ledger_gate import KeptLedger, check_ledger, ledger_kept
from harness.site.moments import utc_ns_of
from tests.peers.sites import site_of

EAST = timezone(timedelta(hours=2))
NOW = datetime(2026, 11, 29, 15, 0, tzinfo=EAST)
MINUTE = 60 * 1_000_000_000
NOON = utc_ns_of(NOW) - 180 * MINUTE
PATH = Path("my sites/ashby.ledger")
TOLD = ("stimulus:\n", "notices: [monitoring station]\nstimulus:\n")


def entry(act: Act, name: str, at_utc_ns: int = NOON, **more: object) -> Entry:
    values: dict[str, object] = {"by": "Jo", "entered_utc_ns": at_utc_ns, **more}
    return Entry(act=act, name=name, at_utc_ns=at_utc_ns, **values)  # type: ignore[arg-type]


def until(minutes: int) -> Entry:
    return entry(Act.NOTICE, "Monitoring station", until_utc_ns=utc_ns_of(NOW) + minutes * MINUTE)


PUMP = entry(Act.INHIBIT, "pump A", proven="tried")


def refusal(entries: Sequence[Entry], inhibited: Sequence[str] = (), problems: tuple[Problem, ...] = ()) -> str:
    """What is said against a test of 20 minutes; '' where nothing is."""
    ledger = Ledger(path=PATH, entries=tuple(entries), problems=problems)
    try:
        check_ledger(site_of(TOLD), ledger, inhibited, 20 * MINUTE, NOW)
    except SafetyError as exc:
        return str(exc)
    return ""


def test_a_notice_that_was_not_given() -> None:
    assert refusal([]) == (
        "nothing is raised:\nnotice=monitoring station: the site file wants them told before a test, and ashby.ledger "
        "does not say that they were; tell them, then enter it: farend ledger 'my sites/ashby.ledger' notice "
        "'monitoring station' --until 15:20"
    )


def test_a_notice_that_was_taken_back() -> None:
    assert "does not say that they were" in refusal([until(60), entry(Act.RELEASE, "monitoring station")])


@pytest.mark.parametrize(("minutes", "refuses"), [(20, False), (19, True), (60, False)])
def test_a_notice_lasts_until_the_test_is_over(minutes: int, *, refuses: bool) -> None:
    told = refusal([until(minutes)])
    if refuses:
        assert "what Jo told them runs out at 15:19, and the test takes until 15:20 at the most; " in told
        assert "tell them a later time, then enter it:" in told
    else:
        assert told == ""


def test_a_notice_that_has_run_out() -> None:
    assert "what Jo told them ran out at 14:59, and the test takes until 15:20" in refusal([until(-1)])
    yesterday = refusal([until(-24 * 60)])
    assert "ran out at '2026-11-28 15:00'" in yesterday


def test_an_inhibit_that_was_never_shown_to_hold() -> None:
    told = refusal([until(60), entry(Act.INHIBIT, "pump A")])
    assert "inhibit=pump A: bypassed by Jo, and nothing says that it was shown to hold; try it, then enter how" in told
    assert told.count("\n") == 1
    assert "shown to hold" in refusal([until(60), entry(Act.INHIBIT, "pump A")], ["pump A"]), "a name is no proof"


def test_an_inhibit_of_today_for_the_next_run_needs_no_name() -> None:
    assert refusal([until(60), entry(Act.RUN, "before.farend"), PUMP]) == ""


OPEN_BEFORE = {
    "of an earlier run": [PUMP, entry(Act.RUN, "before.farend")],
    "of an earlier day": [entry(Act.INHIBIT, "pump A", NOON - 24 * 60 * MINUTE, proven="tried")],
    "confirmed for an earlier run": [
        *(PUMP, entry(Act.RUN, "a"), entry(Act.CONFIRM, "pump A"), entry(Act.RUN, "b")),
    ],
}


@pytest.mark.parametrize("name", OPEN_BEFORE)
def test_an_inhibit_that_was_left_open_is_named_or_refuses(name: str) -> None:
    told = refusal([until(60), *OPEN_BEFORE[name]])
    assert "inhibit=pump A: left open since 2026-11-2" in told
    assert (
        "look whether it is still in place and still meant, then name it: --inhibited 'pump A'; or release it" in told
    )
    assert refusal([until(60), *OPEN_BEFORE[name]], ["Pump a"]) == ""


def test_the_day_is_that_of_the_clock_on_the_wall() -> None:
    """23:30 and 00:30 in the zone of the computer, both of one day in UTC."""
    late = datetime(2026, 11, 28, 23, 30, tzinfo=EAST)
    ledger = Ledger(path=PATH, entries=(entry(Act.INHIBIT, "pump A", utc_ns_of(late), proven="tried"),))
    check_ledger(site_of(), ledger, (), 0, late + timedelta(minutes=20))
    with pytest.raises(SafetyError, match="left open"):
        check_ledger(site_of(), ledger, (), 0, late + timedelta(minutes=60))


def test_what_is_released_refuses_nothing() -> None:
    assert refusal([until(60), PUMP, entry(Act.RUN, "a"), entry(Act.RELEASE, "pump A", proven="it ran")]) == ""


def test_a_name_that_is_not_open_is_a_mistake() -> None:
    told = refusal([until(60), PUMP], ["pump B"])
    assert "--inhibited pump B: ashby.ledger has no open inhibit of this name; did you mean pump A?" in told
    assert "none is open" in refusal([until(60)], ["pump A"])


def test_a_line_that_cannot_be_read_refuses() -> None:
    broken = Problem(
        origin=Origin(file="ashby.ledger", line=3), code="ledger", text="line=x: expected", remedy="mend it"
    )
    assert refusal([until(60)], problems=(broken,)) == "nothing is raised:\nashby.ledger:3: line=x: expected; mend it"


def test_the_ledger_of_another_site_says_nothing_of_this_one() -> None:
    ledger = Ledger(path=Path("x/ashdown.ledger"), entries=(until(60),))
    with pytest.raises(SafetyError, match=r"the ledger of site=ashdown, and this .* site=ashby; give x/ashby\.ledger"):
        check_ledger(site_of(TOLD), ledger, (), 0, NOW)


@pytest.mark.parametrize(("minutes", "refuses"), [(10, False), (11, True)])
def test_an_entry_from_the_future_shows_a_clock_that_is_wrong(minutes: int, *, refuses: bool) -> None:
    ahead = entry(Act.RUN, "before.farend", utc_ns_of(NOW) + minutes * MINUTE)
    told = refusal([until(60), ahead])
    assert (
        "ashby.ledger: entered=2026-11-29 15:11:00+02:00: this is still to come, since now it is" in told
    ) is refuses


def test_everything_that_refuses_is_said_at_once() -> None:
    told = refusal([entry(Act.INHIBIT, "pump A"), entry(Act.RUN, "a")], ["valve"])
    assert len(told.splitlines()) == 5


def test_a_site_that_wants_nobody_told_needs_no_ledger() -> None:
    check_ledger(site_of(), Ledger(path=PATH, entries=()), (), 20 * MINUTE, NOW)
    assert ledger_kept(site_of(), Path("none.ledger")) is None
    assert ledger_kept(site_of(), None) is None
    assert ledger_kept(site_of(TOLD), None) == Ledger(path=Path("ashby.ledger"), entries=())


def test_a_run_is_entered_with_what_it_takes_over_and_tells_what_became_of_it(tmp_path: Path) -> None:
    path, site = tmp_path / "ashby.ledger", site_of(TOLD)
    append(path, until(60), PUMP, entry(Act.INHIBIT, "valve", proven="tried"), entry(Act.RUN, "before.farend"))
    names = ["pump a", "valve"]
    check_ledger(site, read_ledger(path), names, 0, NOW)
    kept = KeptLedger.begin(read_ledger(path), site, Path("x/run.farend"), "Kim", names, lambda: utc_ns_of(NOW) + 5)
    state = read_ledger(path).state
    assert not any(it.is_carried for it in state.inhibits)
    assert {it.seen_utc_ns for it in state.inhibits} == {utc_ns_of(NOW)}
    assert [(it.act, it.name, it.by) for it in read_ledger(path).entries[-3:]] == [
        (Act.RUN, "run.farend", "Kim"),
        (Act.CONFIRM, "pump A", "Kim"),
        (Act.CONFIRM, "valve", "Kim"),
    ]
    begun = kept.told(AT_START)
    assert (begun["file"], begun["when"], begun["demanded"], begun["problems"]) == (
        "ashby.ledger", "start", ["monitoring station"], [],
    )  # fmt: skip
    append(path, entry(Act.RELEASE, "valve", utc_ns_of(NOW), proven="it moved"))
    ended = LedgerState.from_data(kept.told(AT_END))
    assert [(it.name, it.is_open) for it in ended.inhibits] == [("pump A", True), ("valve", False)]


def test_a_ledger_that_went_away_during_a_run_leaves_open_what_was(tmp_path: Path) -> None:
    path = tmp_path / "ashby.ledger"
    append(path, PUMP)
    kept = KeptLedger.begin(read_ledger(path), site_of(), Path("run.farend"), "Kim", (), time.time_ns)
    path.unlink()
    told = kept.told(AT_END)
    assert "there is no such ledger" in told["problems"][0]
    assert [it.name for it in LedgerState.from_data(told).open_inhibits] == ["pump A"]
