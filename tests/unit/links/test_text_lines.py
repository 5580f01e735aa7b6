"""Lines as messages: whole lines only, bytes that are no text, several patterns."""

from __future__ import annotations

import pytest

from harness.core.places import TextPlace
from harness.links.text_lines import Message, MessageKind, compile_place, decode_line, is_garbled

HIGH = TextPlace(
    raised=r"(?P<number>\d{4}) (?P<time>\S+ \S+) RAISED +TANK 1 HIGH",
    acknowledged=r"\d{4} \S+ \S+ ACKED +TANK 1 HIGH",
    cleared=r"\d{4} \S+ \S+ CLEARED +TANK 1 HIGH",
)


def test_each_kind_is_told_with_its_groups() -> None:
    place = compile_place(HIGH)
    raised = place.match(b"0042 24-11 23:51:07 RAISED   TANK 1 HIGH")
    assert raised == Message(kind=MessageKind.RAISED, groups={"number": "0042", "time": "24-11 23:51:07"})
    assert place.match(b"0043 24-11 23:51:07 ACKED    TANK 1 HIGH") == Message(kind=MessageKind.ACKNOWLEDGED)
    assert place.match(b"0044 24-11 23:51:07 CLEARED  TANK 1 HIGH") == Message(kind=MessageKind.CLEARED)


@pytest.mark.parametrize(
    "line",
    [
        b"0042 24-11 23:51:07 RAISED   TANK 1 HIGH HIGH",
        b"x0042 24-11 23:51:07 RAISED   TANK 1 HIGH",
        b"0042 24-11 23:51:07 RAISED   TANK 1 HIGH ",
        b"0042 24-11 23:51:07 RAISED   TANK 1 HIGH\n",
        b"0042 24-11 23:51:07 RAISED   TANK 1 HI\xc7H",
        b"",
    ],
)
def test_a_line_that_holds_more_or_less_is_another_line(line: bytes) -> None:
    assert compile_place(HIGH).match(line) is None


def test_groups_that_took_no_part_are_left_out() -> None:
    place = compile_place(TextPlace(raised=r"A(?P<x>1)?(?P<y>2)"))
    assert place.match(b"A2") == Message(kind=MessageKind.RAISED, groups={"y": "2"})


def test_bytes_that_are_no_text_become_escapes_and_never_an_error() -> None:
    assert decode_line(b"a\xffb", "ascii") == "a\\xffb"
    assert decode_line(b"\xe4", "latin-1") == "\u00e4"
    for encoding in ("ascii", "utf-8", "latin-1", "cp437"):
        assert compile_place(HIGH, encoding).match(bytes(range(256))) is None


@pytest.mark.parametrize(
    ("data", "encoding", "garbled"),
    [
        (b"plain \x07\x1b[1m", "ascii", False),
        (b"\xe4", "ascii", True),
        (b"\xe4", "latin-1", False),
        (b"\xc3\xa4", "utf-8", False),
        (b"\xc3", "utf-8", True),
        (b"a\x00b", "latin-1", True),
    ],
)
def test_a_garbled_line_is_one_that_no_printer_sends(data: bytes, encoding: str, garbled: bool) -> None:
    assert is_garbled(data, encoding) is garbled


def test_a_pattern_that_is_none_says_which() -> None:
    with pytest.raises(ValueError, match=r"cleared='\(': is no regular expression"):
        compile_place(TextPlace(raised="a", cleared="("))
