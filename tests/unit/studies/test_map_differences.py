"""What differs between two point maps, in words, and what was likely only renamed."""

from __future__ import annotations

import pytest

from harness.report.comparison import MapChange
from harness.site.renames import Renames
from harness.studies.map_differences import likely_renames, map_differences
from tests.peers.sites import site_of

BEFORE = site_of()
DISCRETE = "bms, discrete input at wire address {0}, written discrete input {0}, unit 1, on when set"


def differences(*changes: tuple[str, str], renames: Renames | None = None) -> list[tuple[str, str, str]]:
    found = map_differences(BEFORE, site_of(*changes), renames or Renames())
    return [(it.change.value, it.what, it.text) for it in found]


def test_nothing_differs() -> None:
    assert differences() == []


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("visible for: 3 s", "visible for: 1 s"), ("looser", "row a.high@high", "visible for 3 s -> 1 s")),
        (("visible for: 3 s", "visible for: 5 s"), ("tighter", "row a.high@high", "visible for 3 s -> 5 s")),
        ((", visible for: 3 s}", "}"), ("looser", "row a.high@high", "visible for 3 s -> not set")),
        (
            ("address: 3, behaviour: follows, point: leak", "address: 3, behaviour: pulse, point: leak"),
            ("changed", "row b.leak@leak", "behaviour follows -> pulse"),
        ),
        (
            ("text: B DUE", "text: B OVERDUE"),
            ("changed", "alarm b.due", "text B DUE -> B OVERDUE"),
        ),
        (
            ("lasts: 1 s +/- 100 ms", "lasts: 2 s +/- 100 ms"),
            ("changed", "alarm b.leak", "lasts 0.90 to 1.10 s -> 1.90 to 2.10 s"),
        ),
        (
            ("code: 4,", "code: 6,"),
            ("changed", "alarm b.leak", "it is raised, cleared or acknowledged by other writes"),
        ),
        (
            ("table: discrete-input, address: 3,", "table: discrete-input, address: 7,"),
            (
                "changed",
                "point leak",
                f"{DISCRETE.format(3)} -> {DISCRETE.format(7)}",
            ),
        ),
        (
            ("numbering: from-0, poll every: 100 ms", "numbering: from-0, poll every: 50 ms"),
            ("changed", "link bms", "poll period 100 ms -> 50 ms"),
        ),
        (
            (
                "poll every: 100 ms, timeout: 200 ms}",
                "poll every: 100 ms, timeout: 200 ms, output delay: 0 s to 50 ms}",
            ),
            ("changed", "link bms", "declared output delay not set -> 0 to 50 ms"),
        ),
        (
            ("poll every: 100 ms, timeout: 200 ms}", "poll every: 100 ms, timeout: 200 ms, behind: panel}"),
            ("changed", "link bms", "behind not set -> panel"),
        ),
        (("longest delay: 300 ms", "longest delay: 900 ms"), ("changed", "link log", "longest delay 300 ms -> 900 ms")),
    ],
)
def test_each_difference_has_its_words(change: tuple[str, str], told: tuple[str, str, str]) -> None:
    assert told in differences(change)


def test_looser_limits_come_first() -> None:
    found = differences(("text: B DUE", "text: B OVERDUE"), ("appears within: 1 s", "appears within: 2 s"))
    assert found[0] == ("looser", "row a.high-high@hh", "appears within 1 s -> 2 s")
    kinds = [it[0] for it in found]
    assert kinds == sorted(kinds, key=lambda it: it != MapChange.LOOSER.value)


def test_rows_and_alarms_that_came_and_went() -> None:
    found = differences(
        ("  b.due: {text: B DUE, code: 5", "  b.late: {text: B DUE, code: 5"),
        ("{alarm: b.due, link: bms", "{alarm: b.late, link: bms"),
    )
    assert ("only before", "alarm b.due", "B DUE") in found
    assert ("only after", "alarm b.late", "B DUE") in found
    assert ("only before", "row b.due@due", "quiet") in found
    assert ("only after", "row b.late@due", "quiet") in found


def test_what_was_renamed_is_no_difference() -> None:
    changes = (
        ("  b.due: {text: B DUE, code: 5", "  b.late: {text: B DUE, code: 5"),
        ("{alarm: b.due, link: bms", "{alarm: b.late, link: bms"),
        ("point: hh}", "point: high-2}"),
    )
    assert differences(*changes, renames=Renames(alarms={"b.due": "b.late"}, points={"hh": "high-2"})) == []


def test_likely_renames_are_proposed() -> None:
    after = site_of(
        ("  b.due: {text: B DUE, code: 5", "  b.late: {text: B DUE, code: 5"),
        ("{alarm: b.due, link: bms", "{alarm: b.late, link: bms"),
        ("point: hh}", "point: high-2}"),
    )
    assert likely_renames(BEFORE, after, Renames()) == (
        "alarms:",
        "  b.due: b.late  # the same text",
        "points:",
        "  hh: high-2  # the same address",
    )
    known = Renames(alarms={"b.due": "b.late"}, points={"hh": "high-2"})
    assert likely_renames(BEFORE, after, known) == ()
    assert likely_renames(BEFORE, site_of(), Renames()) == ()


def test_another_address_and_another_name_is_no_likely_rename() -> None:
    after = site_of(("address: 0, behaviour: follows, point: hh}", "address: 9, behaviour: follows, point: high-2}"))
    assert likely_renames(BEFORE, after, Renames()) == ()
