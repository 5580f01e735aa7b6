"""What is open follows from all entries in their order."""

from __future__ import annotations

import json

import pytest

from harness.core.ledger import Act, Entry, LedgerState, LedgerTold, later_state, same, state_of


def entry(act: Act, name: str, at: int, **more: object) -> Entry:
    values: dict[str, object] = {"by": "Kim", "entered_utc_ns": at, **more}
    return Entry(act=act, name=name, at_utc_ns=at, **values)  # type: ignore[arg-type]


def notice(name: str, at: int, until: int, **more: object) -> Entry:
    return entry(Act.NOTICE, name, at, until_utc_ns=until, **more)


def test_a_notice_is_open_until_they_are_told_that_it_is_over() -> None:
    told = state_of([notice("station", 1, 10)])
    assert [(it.name, it.by, it.until_utc_ns) for it in told.open_notices] == [("station", "Kim", 10)]
    over = state_of([notice("station", 1, 10), entry(Act.RELEASE, "station", 20, by="Jo")])
    assert (over.is_open, over.notices[0].over_by, over.notices[0].over_at_utc_ns) == (False, "Jo", 20)


def test_a_longer_notice_extends_the_one_that_is_open() -> None:
    state = state_of([notice("station", 1, 10, note="desk 3"), notice(" STATION ", 5, 30, by="Jo")])
    (one,) = state.notices
    assert (one.name, one.at_utc_ns, one.until_utc_ns, one.by, one.note) == ("station", 1, 30, "Jo", "desk 3")


def test_told_again_after_it_was_over_is_a_new_notice() -> None:
    state = state_of([notice("station", 1, 10), entry(Act.RELEASE, "station", 5), notice("station", 7, 20)])
    assert [it.is_open for it in state.notices] == [False, True]


def test_an_inhibit_is_proven_with_its_entry_or_later() -> None:
    assert state_of([entry(Act.INHIBIT, "pump", 1, proven="tried")]).inhibits[0].proven_by == "Kim"
    entries = [entry(Act.INHIBIT, "pump", 1), entry(Act.INHIBIT, "pump", 4, proven="tried", by="Jo")]
    (one,) = state_of(entries).inhibits
    assert (one.by, one.proven, one.proven_by, one.at_utc_ns, one.seen_utc_ns) == ("Kim", "tried", "Jo", 1, 4)
    assert state_of([*entries, entry(Act.INHIBIT, "pump", 5)]).inhibits[0].proven == "tried", "nothing takes it away"


def test_an_inhibit_is_released_only_with_a_proof() -> None:
    entries = [entry(Act.INHIBIT, "pump", 1), entry(Act.RELEASE, "pump", 4)]
    assert state_of(entries).open_inhibits
    (one,) = state_of([*entries, entry(Act.RELEASE, "pump", 5, proven="it ran", by="Jo")]).inhibits
    assert (one.is_open, one.released_by, one.released_at_utc_ns, one.release_proven) == (False, "Jo", 5, "it ran")


def test_a_run_leaves_behind_what_is_open_until_somebody_has_seen_it_again() -> None:
    begun = [entry(Act.INHIBIT, "pump", 1), entry(Act.RUN, "a.farend", 2)]
    assert state_of(begun[:1]).inhibits[0].is_carried is False
    assert state_of(begun).inhibits[0].is_carried is True
    for act in (Act.CONFIRM, Act.INHIBIT):
        (seen,) = state_of([*begun, entry(act, "pump", 3)]).inhibits
        assert (seen.is_carried, seen.seen_utc_ns) == (False, 3)
    again = state_of([*begun, entry(Act.CONFIRM, "pump", 3), entry(Act.RUN, "b.farend", 4)])
    assert again.inhibits[0].is_carried is True
    assert state_of([entry(Act.RUN, "a.farend", 0), *begun[:1]]).inhibits[0].is_carried is False


@pytest.mark.parametrize("act", [Act.RELEASE, Act.CONFIRM])
def test_what_fits_nothing_open_changes_nothing(act: Act) -> None:
    entries = [notice("station", 1, 10), entry(Act.INHIBIT, "pump", 1)]
    assert state_of([*entries, entry(act, "valve", 2, proven="x")]) == state_of(entries)


def test_what_concerns_a_run_is_what_is_open_or_was_closed_since_it_began() -> None:
    state = state_of(
        [
            *(notice("old", 1, 10), entry(Act.RELEASE, "old", 4)),
            *(notice("new", 2, 10), entry(Act.RELEASE, "new", 5)),
            notice("open", 3, 10),
            *(entry(Act.INHIBIT, "gone", 1), entry(Act.RELEASE, "gone", 4, proven="x")),
            entry(Act.INHIBIT, "here", 1),
        ]
    )
    since = state.since(5)
    assert [it.name for it in since.notices] + [it.name for it in since.inhibits] == ["new", "open", "here"]


def test_later_says_what_became_of_it() -> None:
    begun = [notice("station", 1, 10), entry(Act.INHIBIT, "pump", 2)]
    known = state_of(begun)
    later = state_of(
        [*begun, entry(Act.RELEASE, "station", 7), entry(Act.RELEASE, "pump", 8, proven="x"), notice("station", 9, 20)]
    )
    state, lost = later_state(known, later)
    assert lost == ()
    assert (state.is_open, len(state.notices), state.notices[0].over_at_utc_ns) == (False, 1, 7)


def test_a_ledger_that_does_not_know_it_says_nothing_of_it() -> None:
    """Another site's ledger, or the same name at another time, never closes anything."""
    known = state_of([notice("station", 1, 10), entry(Act.INHIBIT, "pump", 2)])
    state, lost = later_state(known, state_of([notice("station", 2, 10), entry(Act.RELEASE, "station", 5)]))
    assert (state, lost) == (known, ("station", "pump"))


def test_what_a_journal_keeps_comes_back() -> None:
    state = state_of([notice("station", 1, 10), entry(Act.INHIBIT, "pump", 2), entry(Act.RELEASE, "station", 3)])
    assert LedgerState.from_data(json.loads(json.dumps(state.to_data()))) == state


def test_all_is_settled_only_where_it_is_known() -> None:
    closed = state_of([notice("station", 1, 10), entry(Act.RELEASE, "station", 3)])
    assert LedgerTold(file="l", state=closed).is_settled
    assert not LedgerTold(file="l", state=closed, problems=("l:3: broken",)).is_settled
    assert not LedgerTold(file="l", state=state_of([notice("station", 1, 10)])).is_settled


def test_names_are_the_same_but_for_case_and_blanks() -> None:
    assert same("Pump  A", " pump a")
    assert not same("pump a", "pump b")
