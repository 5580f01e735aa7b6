"""What a person enters fits what is open, or is refused with what it should have been."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone

import pytest

from harness.core.errors import UsageError
from harness.core.ledger import Act, Entry, LedgerState, state_of
from harness.results.ledger_entries import new_entry
from harness.site.moments import utc_ns_of

EAST = timezone(timedelta(hours=2))
NOW = datetime(2026, 11, 29, 15, 30, 20, 999_999, tzinfo=EAST)
S = 1_000_000_000
HOUR = 3600 * S
AT = utc_ns_of(NOW.replace(microsecond=0))


def enter(act: Act, name: str, *, state: LedgerState | None = None, by: str = "Kim", **more: str) -> Entry:
    return new_entry(state or LedgerState(), act, name, by=by, now=NOW, **more)


OPEN = state_of(
    [
        Entry(
            act=Act.NOTICE, name="Station", by="Kim", at_utc_ns=AT - HOUR, entered_utc_ns=AT - HOUR,
            until_utc_ns=AT + HOUR,
        ),
        Entry(act=Act.INHIBIT, name="pump A", by="Kim", at_utc_ns=AT - HOUR, entered_utc_ns=AT - HOUR),
    ]
)  # fmt: skip


def test_a_notice_has_an_end() -> None:
    made = enter(Act.NOTICE, " fire  brigade", until="17:00", note="desk 3")
    assert made == Entry(
        act=Act.NOTICE, name="fire brigade", by="Kim", at_utc_ns=AT, entered_utc_ns=AT, note="desk 3",
        until_utc_ns=utc_ns_of(datetime(2026, 11, 29, 17, 0, tzinfo=EAST)),
    )  # fmt: skip
    assert enter(Act.NOTICE, "station", until="4 h", state=OPEN).name == "Station", "as it was entered first"


def test_what_was_done_before_is_entered_with_its_time() -> None:
    made = enter(Act.INHIBIT, "valve", at="2026-11-29 08:15", proven="did not move")
    assert made.at_utc_ns == utc_ns_of(datetime(2026, 11, 29, 8, 15, tzinfo=EAST))
    assert (made.entered_utc_ns, made.proven) == (AT, "did not move")


def test_release() -> None:
    assert enter(Act.RELEASE, "station", state=OPEN).proven == ""
    assert enter(Act.RELEASE, "PUMP A", state=OPEN, proven="it ran").name == "pump A"


@pytest.mark.parametrize(
    ("act", "name", "more", "message"),
    [
        (Act.NOTICE, "", {"until": "17:00"}, "notice: expected a name: whom, or what"),
        (Act.NOTICE, "x", {}, "notice x: until when? add --until, such as --until 17:00"),
        (Act.NOTICE, "x", {"until": "15:00"}, "--until 15:00: expected a time to come, and now it is 2026-11-29 15:30"),
        (Act.NOTICE, "x", {"until": "soon"}, "--until soon: expected a day and a time of day; for example"),
        (Act.NOTICE, "x", {"until": "17:00", "proven": "y"}, "--proven y: a notice is told, and not proven"),
        (Act.NOTICE, "x", {"until": "17:00", "by": " "}, "--by: expected a name"),
        (Act.NOTICE, "pump A", {"until": "17:00"}, "notice pump A: an inhibit of this name is open"),
        (Act.INHIBIT, "station", {}, "inhibit station: a notice of this name is open"),
        (Act.INHIBIT, "valve", {"until": "17:00"}, "--until 17:00: only a notice has an end"),
        (Act.INHIBIT, "valve", {"at": "09:00"}, "--at 09:00: expected a day and a time of day"),
        (Act.INHIBIT, "valve", {"at": "2026-11-29 15:31"}, "--at 2026-11-29 15:31: expected a time that has been"),
        (Act.INHIBIT, "v\x07", {}, "expected at most 200 characters that can be printed"),
        (Act.INHIBIT, "v" * 201, {}, "expected at most 200 characters that can be printed"),
        (Act.RELEASE, "pump B", {}, "release pump B: nothing of this name is open; did you mean pump A?"),
        (Act.RELEASE, "pump A", {}, "an inhibit is released once it was shown that pump A acts again; add --proven"),
        (
            Act.RELEASE,
            "station",
            {"at": "2026-11-29 14:00"},
            "expected a time after it began, which was 2026-11-29 14:30",
        ),
    ],
)
def test_what_does_not_fit_is_refused(act: Act, name: str, more: dict[str, str], message: str) -> None:
    with pytest.raises(UsageError) as caught:
        enter(act, name, state=OPEN, **more)
    assert message in str(caught.value)
