"""Device text cannot move a cursor, hide, or turn the reading direction."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.report.safe import TEXT_MAX, ascii_text, safe_text

anything = st.text(st.characters(codec=None))


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("BULK A HIGH HIGH", "BULK A HIGH HIGH"),
        ("Füllstand hoch", "Füllstand hoch"),
        ("\x1b[2J\x1b]0;owned\x07", r"\x1b[2J\x1b]0;owned\x07"),
        ("a\r\nb\tc\x00", r"a\x0d\x0ab\x09c\x00"),
        ("\x9b31m", r"\x9b31m"),
        ("abc\u202edcba", r"abc\u202edcba"),
        ("zero\u200bwidth\ufeff", r"zero\u200bwidth\ufeff"),
        ("line\u2028end\u00a0nbsp", r"line\u2028end\xa0nbsp"),
        ("lone \ud800", r"lone \ud800"),
        ("not a character \uffff", r"not a character \uffff"),
        ("tag \U000e0041", r"tag \U000e0041"),
        ("a" + "\u0301" * 6, "a" + "\u0301" * 4 + r"\u0301\u0301"),
    ],
)
def test_what_is_not_drawn_as_itself_is_written_out(text: str, shown: str) -> None:
    assert safe_text(text) == shown


@given(anything)
def test_nothing_hidden_is_left_and_nothing_changes_twice(text: str) -> None:
    shown = safe_text(text)
    assert not [one for one in shown if unicodedata.category(one) in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")]
    assert safe_text(shown) == shown
    assert ascii_text(text).isascii()
    assert ascii_text(text).isprintable()


def test_long_text_is_cut_and_says_so() -> None:
    assert safe_text("x" * (TEXT_MAX + 7)) == "x" * TEXT_MAX + " [cut: 7 more characters]"


def test_line_feeds_stay_where_a_block_of_text_is_wanted() -> None:
    assert safe_text("a\nb\rc", keep_newlines=True) == "a\nb\\x0dc"
