"""Numbers that keep changing and polls that keep being late are counted; nothing else is held back, nothing lost."""

from __future__ import annotations

import pytest

from harness.cli.drift import GATHER_NS, Drift
from harness.cli.watch_screen import Screen, first_words
from harness.core.instants import NS_PER_MS, NS_PER_S, Bounds
from harness.run.watching import Change, FirstRead, Notice


def _change(was: str, now: str, at_ns: int = 0, place: str = "level", turned: str = "") -> Change:
    return Change(link="bus", place=place, was=was, now=now, at=Bounds(at_ns, at_ns), turned=turned)


def test_the_first_change_is_told_and_the_others_are_counted() -> None:
    drift = Drift()
    assert drift.is_told(_change("10", "11"), 0)
    assert not drift.is_told(_change("11", "7"), NS_PER_S)
    assert not drift.is_told(_change("7", "8.5"), 2 * NS_PER_S)
    assert drift.due(GATHER_NS - 1) == []
    (told,) = drift.due(GATHER_NS)
    assert told.places == ("level",)
    assert told.words == "2 more changes in 5 s, from 7 to 8.5, now 8.5"
    assert not drift.is_told(_change("8.5", "9"), GATHER_NS + 1), "it goes on, so it is counted on"
    (told,) = drift.due(2 * GATHER_NS)
    assert told.words == "1 more change in 5 s, from 9 to 9, now 9"
    assert drift.due(3 * GATHER_NS) == []
    assert drift.is_told(_change("9", "10"), 3 * GATHER_NS), "it had stopped, so its next change is told at once"


def test_places_that_read_one_number_are_told_in_one_line() -> None:
    drift = Drift()
    for place in ("level>90", "level<10"):
        assert drift.is_told(_change("10", "11", place=place), 0)
        assert not drift.is_told(_change("11", "12", place=place), 1)
    assert drift.is_told(_change("5", "6", place="other"), 0)
    assert not drift.is_told(_change("6", "7", place="other"), 1)
    assert [it.places for it in drift.due(GATHER_NS)] == [("level>90", "level<10"), ("other",)]


@pytest.mark.parametrize(
    "change",
    [
        _change("off", "on"),
        _change("on", "off"),
        _change("57.1", "57.1 (fault)"),
        _change("57.1 (fault)", "57.1"),
        _change("not a number", "4"),
        _change("", "5"),
        _change("89", "91", turned="on"),
        _change("91", "89", turned="off"),
    ],
)
def test_what_is_no_drift_is_told_at_once_each_time(change: Change) -> None:
    drift = Drift()
    for number in range(20):
        assert drift.is_told(change, number)


def test_a_turn_in_the_middle_of_a_drift_is_told_at_once() -> None:
    drift = Drift()
    drift.is_told(_change("80", "85"), 0)
    assert not drift.is_told(_change("85", "89"), 1)
    assert drift.is_told(_change("89", "91", turned="on"), 2)
    assert [it.count for it in drift.due(GATHER_NS)] == [1], "what was counted before is told all the same"


def test_polls_that_keep_being_late_are_counted_by_link() -> None:
    drift = Drift()

    def late(at_ns: int, late_ms: int, link: str = "bus") -> bool:
        return drift.is_late_told(Notice(link=link, at_ns=at_ns, text="", late_ns=late_ms * NS_PER_MS))

    assert late(0, 5)
    assert late(0, 5, "bms")
    assert not late(1, 300)
    assert not late(2, 120)
    assert [(it.link, it.words) for it in drift.late_due(GATHER_NS)] == [
        ("bus", "2 more polls began late in 5 s, by 0.30 s at the most")
    ]
    assert late(GATHER_NS, 5, "bms")
    for number in range(5):
        assert drift.is_late_told(Notice(link="bus", at_ns=number, text="down: reset"))


def test_the_end_tells_what_was_counted_until_then(capsys: pytest.CaptureFixture[str]) -> None:
    screen = Screen(as_json=False)
    for number in range(5):
        screen.show(_change(str(number), str(number + 1)))
    screen.show(_change("off", "on", place="10005"))
    screen.beat()
    screen.end()
    told = capsys.readouterr().out.splitlines()
    assert [line.split("  ", 1)[1].split(",")[0] for line in told[:1]] == ["bus  level    0 -> 1"]
    assert "numbers that keep changing are counted from here on; --json shows each" in told[1]
    assert "10005    off -> on" in told[2]
    assert "level: 4 more changes in " in told[3]
    assert told[3].endswith("from 2 to 5, now 5")
    assert len(told) == 4


def test_json_shows_every_change(capsys: pytest.CaptureFixture[str]) -> None:
    screen = Screen(as_json=True)
    for number in range(5):
        screen.show(_change(str(number), str(number + 1)))
    screen.end()
    assert len(capsys.readouterr().out.splitlines()) == 5


def test_a_number_that_turned_its_point_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    Screen(as_json=False).show(_change("2246", "3768", turned="on"))
    assert "2246 -> 3768 (on by it), within" in capsys.readouterr().out


def test_a_hostile_value_moves_no_cursor(capsys: pytest.CaptureFixture[str]) -> None:
    screen = Screen(as_json=False)
    for text in ("\x1b[2J", "\u202e1", "1\r"):
        screen.show(_change("0", text, place="\x1b]0;x\x07"))
    screen.end()
    told = capsys.readouterr().out
    assert "\x1b" not in told
    assert "\u202e" not in told
    assert "\r" not in told
    assert r"\x1b]0;x\x07" in told


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({"a": "off", "b": "off"}, "at first 2 off"),
        ({"a": "on", "b": "off"}, "at first 1 off; a"),
        ({"a": "57.1", "b": "on"}, "at first a=57.1, b"),
        ({str(n): "on" for n in range(14)}, "at first " + ", ".join(map(str, range(12))) + " and 2 more"),
    ],
)
def test_first_values_in_words(values: dict[str, str], told: str) -> None:
    changes = tuple(_change("", now, place=place) for place, now in values.items())
    assert first_words(FirstRead(link="bus", at_ns=0, changes=changes).changes) == told
