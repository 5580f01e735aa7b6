"""What explain says where nothing was judged: what was planned, and why nobody would have seen it."""

from __future__ import annotations

from harness.report.columns import Terminal
from harness.report.explained import explained_lines

TO = Terminal(width=80)
WHY = "10.0.0.9:502: no connection: Connection refused\x1b[2J; check the address and that the device has a socket free"


def test_rows_that_were_not_reached_are_explained_by_the_links_that_were_never_up() -> None:
    lines = explained_lines([], 0, TO, planned=4, never_up={"bms": WHY, "printer": "no answer"})
    assert max(map(len, lines)) <= 80
    flat = " ".join(" ".join(lines).split())
    assert flat.startswith(
        "nothing was judged: 4 rows planned and not reached, since what nobody would see is not raised"
    )
    shown = WHY.replace("\x1b", "\\x1b")
    assert f"bms: {shown} printer: no answer" in flat


def test_rows_that_were_not_reached_for_another_reason_say_no_more_than_that() -> None:
    (line,) = explained_lines([], 0, Terminal(width=200), planned=1)
    assert line == "nothing was judged: 1 row planned and not reached; 'farend judge' tells how the run ended"


def test_where_nothing_was_planned_or_all_passed_there_is_nothing_to_explain() -> None:
    assert explained_lines([], 0, TO) == ["nothing was judged in 0 results: there is nothing to explain"]
    (line, link) = explained_lines([], 3, TO, planned=4, never_up={"bms": "no answer"})
    assert line == "nothing failed and nothing is unknown in 3 results: there is nothing to explain"
    assert link == "never up: bms: no answer"
