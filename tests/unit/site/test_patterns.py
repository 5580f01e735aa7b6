"""Patterns that are sound and patterns that may run away."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.site.patterns import check_pattern, examples, longest_literal
from harness.site.placeholders import filled
from harness.site.problems import Mismatch


@pytest.mark.parametrize(
    "pattern",
    [
        r"\d+ \d\d:\d\d:\d\d RAISED +TANK HIGH",
        r"(?P<seq>\d+) (?P<time>\S+ \S+) (RAISED|ALARM) .* TANK.*",
        r"\S+ \S+ \S+ \S+ \S+ \S+ TANK",
        r"[^;]+;[^;]+;[^;]+;[^;]+;[^;]+;TANK",
        r"(?:\d{2}:){2}\d{2} TANK",
        r"(?:\d++ )*+TANK",
        r"(?i)tank",
    ],
)
def test_sound(pattern: str) -> None:
    check_pattern(pattern)
    assert all(re.fullmatch(pattern, line) for line in examples(pattern))


@pytest.mark.parametrize(
    "pattern",
    [
        r"(a+)+b",
        r"(a*)*b",
        r"(\d+\s?)+X",
        r"(a|a)*b",
        r"(a|ab|b)+c",
        r"((ab)+)+c",
        r".*a.*b.*c.*d",
        r"\d+\d+\d+\d+X",
        r"\w+A\w+B\w+C\w+X",
        r"(?:(?:x+)y?)*z",
        "x" * 2001,
        "(",
        "a{2,1}",
        "[",
        "*",
        ".*",
        "",
        r"\1",
        "(?P<a>x)(?P<a>y)",
        "x[[a]b]",
    ],
)
def test_refused(pattern: str) -> None:
    with pytest.raises(Mismatch):
        check_pattern(pattern)


@given(st.text(max_size=40))
def test_any_text_is_refused_or_sound(pattern: str) -> None:
    try:
        check_pattern(pattern)
    except Mismatch:
        return
    literal = longest_literal(pattern)
    for line in examples(pattern):
        assert re.fullmatch(pattern, line)
        assert literal in line


@given(text=st.text(min_size=1, max_size=30), code=st.integers(0, 65535))
def test_a_text_is_taken_literally(text: str, code: int) -> None:
    pattern = filled(r"\d{4} {code}: {text}", {"text": text, "code": str(code)}, re.escape)
    assert re.fullmatch(pattern, f"0042 {code}: {text}")
