"""The alarm history of a site file, as it is read."""

from __future__ import annotations

import pytest

from harness.core.history_format import CLOCK_WITHIN_DEFAULT_NS, LATE_DEFAULT_NS, HistoryFormat
from harness.core.instants import NS_PER_S
from harness.site.reading import read_site
from tests.peers.sites import TEXT


def history_of(text: str) -> HistoryFormat | None:
    whole = TEXT.replace("alarms:\n", f"{text}alarms:\n", 1)
    return read_site({"site.yaml": whole.encode()}, "site.yaml")[0].history


def test_none_is_stated() -> None:
    assert history_of("") is None


def test_everything_is_stated() -> None:
    read = history_of(
        "alarm history:\n"
        "  columns: {alarm: Point, time: Date, event: State, cleared at: Out}\n"
        "  sheet: Log\n  header row: 3\n  time format: '%d.%m.%Y %H:%M'\n"
        "  raised: ALM, ALARM\n  cleared: [RTN]\n  ignored: login\n"
        "  other lines: ['Page \\d+', 'x']\n  written within: 5 s\n  clock within: 2 min\n"
    )
    assert read == HistoryFormat(
        columns={"alarm": "Point", "time": "Date", "event": "State", "cleared at": "Out"},
        sheet="Log",
        header_row=3,
        time_format="%d.%m.%Y %H:%M",
        raised=("ALM", "ALARM"),
        cleared=("RTN",),
        ignored=("login",),
        other_lines=(r"Page \d+", "x"),
        late_ns=5 * NS_PER_S,
        clock_within_ns=120 * NS_PER_S,
    )


@pytest.mark.parametrize("pattern", [r"\d{4,} LINE OK", "Page, sheet"])
def test_a_comma_in_a_pattern_parts_no_two(pattern: str) -> None:
    read = history_of(f"alarm history: {{other lines: '{pattern}'}}\n")
    assert read is not None
    assert read.other_lines == (pattern,)
    assert (read.late_ns, read.clock_within_ns) == (LATE_DEFAULT_NS, CLOCK_WITHIN_DEFAULT_NS)
