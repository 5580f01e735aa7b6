"""What held when a run began is asked again before each alarm."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta, timezone
from pathlib import Path

import pytest

from harness.core.ledger import Act, Entry
from harness.results.ledger import append, read_ledger
from harness.run.gate import Reviews
from harness.run.ledger_gate import KeptLedger
from harness.run.still_allowed import StillAllowed, local_now
from harness.site.moments import utc_ns_of
from tests.peers.sites import site_of

EAST = timezone(timedelta(hours=2))
NOW = datetime(2026, 11, 29, 15, 0, tzinfo=EAST)
MINUTE = 60 * 1_000_000_000
TOLD = site_of(("stimulus:\n", "notices: [monitoring station]\nstimulus:\n"))


def notice(minutes: int) -> Entry:
    at = utc_ns_of(NOW)
    return Entry(
        act=Act.NOTICE, name="Monitoring station", by="Kim", at_utc_ns=at, entered_utc_ns=at,
        until_utc_ns=at + minutes * MINUTE,
    )  # fmt: skip


def over() -> Entry:
    return Entry(
        act=Act.RELEASE, name="monitoring station", by="Kim", at_utc_ns=utc_ns_of(NOW), entered_utc_ns=utc_ns_of(NOW)
    )


class Clock:
    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "ashby.ledger"


def allowed(path: Path, clock: Clock) -> StillAllowed:
    append(path, notice(60))
    kept = KeptLedger.begin(read_ledger(path), TOLD, Path("run.farend"), "Kim", (), lambda: utc_ns_of(NOW))
    return StillAllowed(site=TOLD, reviews=None, ledger=kept, now=clock)


def test_a_notice_lasts_until_the_next_alarm_is_over(path: Path, clock: Clock) -> None:
    one = allowed(path, clock)
    assert one.objection(60 * MINUTE) == ""
    clock.now = NOW + timedelta(minutes=50)
    assert one.objection(10 * MINUTE) == ""
    told = one.objection(11 * MINUTE)
    assert told.startswith(
        "nothing more is raised: monitoring station (until 2026-11-29 16:00) may not know of the test"
    )


def test_a_notice_that_was_made_longer_during_the_run_counts(path: Path, clock: Clock) -> None:
    one = allowed(path, clock)
    clock.now = NOW + timedelta(minutes=70)
    assert one.objection(MINUTE) != ""
    append(path, notice(120))
    assert one.objection(MINUTE) == ""


def test_a_notice_that_was_taken_back_during_the_run_counts(path: Path, clock: Clock) -> None:
    one = allowed(path, clock)
    append(path, over())
    assert "monitoring station (not told) may not know" in one.objection(MINUTE)


def test_a_ledger_that_cannot_be_read_any_more_gives_no_permission(path: Path, clock: Clock) -> None:
    one = allowed(path, clock)
    path.unlink()
    assert "nothing more is raised:" in one.objection(MINUTE)
    assert "there is no such ledger" in one.objection(MINUTE)


def test_a_line_that_cannot_be_read_gives_no_permission(path: Path, clock: Clock) -> None:
    one = allowed(path, clock)
    with path.open("ab") as file:
        file.write(b"{\n")
    assert one.objection(MINUTE).startswith("nothing more is raised: ashby.ledger:3: line={: expected one JSON object")


def test_a_bypass_that_was_released_during_the_run_is_not_counted_on(path: Path, clock: Clock) -> None:
    at = utc_ns_of(NOW)
    append(path, Entry(act=Act.INHIBIT, name="pump A", by="Jo", at_utc_ns=at, entered_utc_ns=at, proven="stays off"))
    one = allowed(path, clock)
    append(path, Entry(act=Act.INHIBIT, name="valve", by="Jo", at_utc_ns=at, entered_utc_ns=at, proven="shut"))
    release = Entry(act=Act.RELEASE, name="valve", by="Jo", at_utc_ns=at, entered_utc_ns=at, proven="moved")
    append(path, release)
    assert one.objection(MINUTE) == "", "what came later is nothing that the test began with"
    append(path, replace(release, name="Pump a"))
    assert one.objection(MINUTE).startswith("nothing more is raised: inhibit pump A: released since the test began")


@pytest.mark.parametrize(("minutes", "objects"), [(0, False), (8 * 60 + 59, False), (9 * 60, True)])
def test_reviews_end_with_their_day_also_during_a_run(minutes: int, *, objects: bool, clock: Clock) -> None:
    reviews = Reviews(by="Kim", file="r.yaml", expires=date(2026, 11, 29))
    one = StillAllowed(site=site_of(), reviews=reviews, ledger=None, now=clock)
    clock.now = NOW + timedelta(minutes=minutes)
    assert ("r.yaml: expires=2026-11-29: that day is over" in one.objection(0)) is objects
    one = replace(one, reviews=replace(reviews, expires=None))
    assert one.objection(0) == ""


def test_nobody_to_tell_and_nothing_to_expire() -> None:
    assert StillAllowed(site=site_of(), reviews=None, ledger=None).objection(10**18) == ""
    assert local_now().tzinfo is not None
