"""Whatever is entered in whatever order: what is open is never taken to be closed, and no line is ever lost."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from harness.core.ledger import Act, Entry, later_state, state_of
from harness.results.ledger import append, read_ledger

S = 1_000_000_000


@st.composite
def entries(draw: st.DrawFn) -> list[Entry]:
    """A few names, and several entries in one second."""
    found: list[Entry] = []
    at = 0
    for _ in range(draw(st.integers(0, 12))):
        at += draw(st.sampled_from((0, 0, S)))
        act = draw(st.sampled_from(list(Act)))
        found.append(
            Entry(
                act=act,
                name=draw(st.sampled_from(("a", "b", " A"))).strip() or "a",
                by="Kim",
                at_utc_ns=at,
                entered_utc_ns=at,
                until_utc_ns=at + S if act is Act.NOTICE else None,
                proven=draw(st.sampled_from(("", "tried"))) if act in (Act.INHIBIT, Act.RELEASE) else "",
            )
        )
    return found


def open_by_hand(told: list[Entry], act: Act) -> set[str]:
    """The names that are open, by the plainest reading of the entries one after the other."""
    open_now: set[str] = set()
    for entry in told:
        name = entry.name.casefold()
        if entry.act is act:
            open_now.add(name)
        elif entry.act is Act.RELEASE and (act is Act.NOTICE or entry.proven):
            open_now.discard(name)
    return open_now


@given(entries())
def test_what_is_open_is_what_a_person_would_read(told: list[Entry]) -> None:
    state = state_of(told)
    assert {it.name.casefold() for it in state.open_notices} == open_by_hand(told, Act.NOTICE)
    assert {it.name.casefold() for it in state.open_inhibits} == open_by_hand(told, Act.INHIBIT)
    assert state.is_open == bool(state.open_notices or state.open_inhibits)


@given(entries(), st.integers(0, 12))
def test_a_record_never_takes_for_closed_what_is_open_later(told: list[Entry], split: int) -> None:
    """A record keeps what was open at its end. The whole ledger of later knows all of it, and closes no more."""
    before, whole = told[:split], state_of(told)
    known = state_of(before).since(before[-1].at_utc_ns if before else 0)
    later, lost = later_state(known, whole)
    assert lost == ()
    still = {it.name.casefold() for it in known.open_notices} & open_by_hand(told, Act.NOTICE)
    ended = {
        entry.name.casefold() for entry in told[split:] if entry.act is Act.RELEASE
    }  # told that it is over, and told anew perhaps: that is another notice
    assert {it.name.casefold() for it in later.open_notices} >= still - ended
    assert len(later.notices) == len(known.notices)
    assert len(later.inhibits) == len(known.inhibits)


@settings(max_examples=20)  # each entry waits for the disk
@given(entries())
def test_the_file_gives_back_what_was_entered(told: list[Entry]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.ledger"
        for entry in told:
            append(path, entry)
        ledger = read_ledger(path, may_be_missing=True)
    assert list(ledger.entries) == told
    assert ledger.problems == ()
