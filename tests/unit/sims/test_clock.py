"""The simulated controller's clock: off, too fast, set; and how that is written."""

from __future__ import annotations

from datetime import timedelta

import pytest

from sims import SiteOptions
from sims.clock import SiteClock, read_setting, read_signed
from sims.durations import NS_PER_MS, NS_PER_S

S = NS_PER_S


def test_off_fast_and_set() -> None:
    now = [1_000 * S]
    clock = SiteClock(90 * S, 200, ((30 * S, -3600 * S), (60 * S, 7 * S)), now_ns=lambda: now[0])
    begun = clock.read()
    assert clock.off_ns(1_000 * S) == 90 * S
    now[0] += 10 * S
    assert clock.read() - begun == timedelta(seconds=10, milliseconds=2)
    assert clock.off_ns(1_030 * S - 1) == 90 * S + 6 * NS_PER_MS - 1  # rounded down
    assert clock.off_ns(1_030 * S) == -3510 * S + 6 * NS_PER_MS
    assert clock.off_ns(1_060 * S) == -3503 * S + 12 * NS_PER_MS
    assert clock.shown_ns(1_060 * S) - clock.shown_ns(1_000 * S) == 60 * S + 12 * NS_PER_MS - 3593 * S


@pytest.mark.parametrize(("text", "ns"), [("-1h", -3600 * S), ("+2s", 2 * S), ("20ms", 20 * NS_PER_MS)])
def test_signed(text: str, ns: int) -> None:
    assert read_signed(text) == ns


def test_settings() -> None:
    assert read_setting("30s=-1h") == (30 * S, -3600 * S)
    with pytest.raises(ValueError, match="expected AFTER=BY"):
        read_setting("30s")
    with pytest.raises(ValueError, match="expected a number with a unit"):
        read_setting("30s=soon")


def test_a_clock_that_runs_away_is_refused() -> None:
    with pytest.raises(ValueError, match="clock_drift_ppm=200000: expected at most 100000 either way"):
        SiteOptions(clock_drift_ppm=200_000)
