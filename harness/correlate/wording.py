"""Times in words, the same everywhere: results, causes, reports."""

from __future__ import annotations

from harness.core import durations
from harness.core.instants import FOREVER, NS_PER_MS, NS_PER_S, Bounds


def time_text(ns: int) -> str:
    """A duration for a person: ``350 ms``, ``1.25 s``, ``2 min 5 s``. Rounded to three significant places at most."""
    if abs(ns) >= FOREVER:
        return "without end"
    if abs(ns) < NS_PER_S:
        ms = ns / NS_PER_MS
        return f"{ms:.0f} ms" if abs(ms) >= 10 or ms == int(ms) else f"{ms:.3g} ms"
    seconds = ns / NS_PER_S
    if abs(seconds) < 120:
        return f"{seconds:.2f}".rstrip("0").rstrip(".") + " s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"


def span_text(bounds: Bounds, *, against_ns: int | None = None) -> str:
    """Bounds of a duration as in every report: ``0.41 to 0.52 s``, ``at least 3 s``, ``at most 0.2 s``."""
    if bounds.is_open_below and bounds.is_open_above:
        return "a time that is not known"
    return durations.bounds(bounds, against_ns=against_ns)
