import pytest
from hypothesis import given
from hypothesis import strategies as st

from sims.durations import format_duration, is_duration, parse_duration


@pytest.mark.parametrize(
    ("text", "duration_ns"),
    [("20ms", 20_000_000), ("1.5 s", 1_500_000_000), ("0.1ms", 100_000), ("2min", 120_000_000_000), ("0s", 0)],
)
def test_parse(text: str, duration_ns: int) -> None:
    assert parse_duration(text) == duration_ns


@pytest.mark.parametrize("text", ["20", "ms", "-1s", "1 sec", "1,5s", "", "1s 2s"])
def test_anything_else_says_what_was_expected(text: str) -> None:
    assert not is_duration(text)
    with pytest.raises(ValueError, match="expected a number with a unit"):
        parse_duration(text)


@given(st.integers(min_value=0, max_value=10**9))
def test_formatted_durations_read_back(microseconds: int) -> None:
    assert parse_duration(format_duration(microseconds * 1000)) == microseconds * 1000
