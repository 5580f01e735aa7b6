"""Durations as people read them, the same in every sentence, screen and report. Integer arithmetic only.

Bounds are rounded outwards: the interval shown always holds the interval that was found.
"""

from __future__ import annotations

from typing import Final

from harness.core.instants import FOREVER, NS_PER_MS, NS_PER_S, NS_PER_US, Bounds

_UNITS: Final = ((NS_PER_S, "s"), (NS_PER_MS, "ms"), (NS_PER_US, "\N{MICRO SIGN}s"), (1, "ns"))
_MS_BELOW_NS: Final = 100 * NS_PER_MS
_DECIMALS_MAX: Final = 9
_NS_PER_MIN: Final = 60 * NS_PER_S
_MIN_FROM_NS: Final = 10 * _NS_PER_MIN


def decimal(ns: int, unit_ns: int, decimals: int, *, up: bool) -> str:
    """``ns`` in units of ``unit_ns`` with so many decimals, rounded down or up (not towards zero)."""
    scale = 10**decimals
    scaled, rest = divmod(ns * scale, unit_ns)
    if rest and up:
        scaled += 1
    whole, part = divmod(abs(scaled), scale)
    sign = "-" if scaled < 0 else ""
    return f"{sign}{whole}.{part:0{decimals}d}" if decimals else f"{sign}{whole}"


def duration(ns: int) -> str:
    """A duration exactly, in its plainest unit: ``200 ms``, ``1.5 s``. For what was set, not for what was measured."""
    if ns == 0:
        return "0 s"
    for unit_ns, name in _UNITS:
        if abs(ns) >= unit_ns:
            text = decimal(ns, unit_ns, _DECIMALS_MAX, up=False)
            return f"{text.rstrip('0').rstrip('.')} {name}"
    raise AssertionError(ns)


def measured(ns: int) -> str:
    """A measured duration, rounded up to three figures: ``47.3 ms``, ``1.21 s``, ``12 min 04 s``, or ``not known``."""
    if ns >= FOREVER:
        return "not known"
    if ns >= _MIN_FROM_NS:
        seconds = -(-ns // NS_PER_S)
        hours, minutes = seconds // 3600, seconds % 3600 // 60
        return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min {seconds % 60:02d} s"
    for unit_ns, name in _UNITS:
        if ns >= unit_ns:
            decimals = max(0, 3 - len(str(ns // unit_ns)))
            text = decimal(ns, unit_ns, decimals, up=True)
            return f"{text.rstrip('0').rstrip('.') if '.' in text else text} {name}"
    return "0 s"


def bounds(value: Bounds, *, against_ns: int | None = None) -> str:
    """Bounds of a duration: ``0.41 to 0.52 s``, ``at least 2.3 s``, ``not known``.

    Rounded outwards to a tenth of their width. ``against_ns``: a limit; enough decimals are shown that the
    rounded ends lie on the same side of it as the true ones.
    """
    if value.is_open_below and value.is_open_above:
        return "not known"
    low_size = 0 if value.is_open_below else abs(value.lo)
    high_size = 0 if value.is_open_above else abs(value.hi)
    unit_ns, unit = (NS_PER_MS, "ms") if 0 < max(low_size, high_size) < _MS_BELOW_NS else (NS_PER_S, "s")
    decimals = _decimals(value, unit_ns)
    while decimals < _DECIMALS_MAX and not _sides_kept(value, unit_ns, decimals, against_ns):
        decimals += 1
    low = _plain(decimal(value.lo, unit_ns, decimals, up=False))
    high = _plain(decimal(value.hi, unit_ns, decimals, up=True))
    if value.is_open_above:
        return f"at least {low} {unit}"
    if value.is_open_below:
        return f"at most {high} {unit}"
    return f"{low} {unit}" if low == high else f"{low} to {high} {unit}"


def _plain(text: str) -> str:
    return "0" if not text.strip("-0.") else text


def _decimals(value: Bounds, unit_ns: int) -> int:
    """So many that one step is at most a tenth of the width, and never more than three."""
    is_open = value.is_open_above or value.is_open_below
    width = max(abs(value.lo) if value.is_open_above else abs(value.hi), 1) // 10 if is_open else value.width
    for decimals in range(3):
        if unit_ns * 10 <= width * 10**decimals:
            return decimals
    return 3


def _sides_kept(value: Bounds, unit_ns: int, decimals: int, against_ns: int | None) -> bool:
    if against_ns is None:
        return True
    step = unit_ns // 10**decimals if unit_ns >= 10**decimals else 1
    low, high = value.lo // step * step, -(-value.hi // step) * step
    return (value.is_open_below or (low > against_ns) == (value.lo > against_ns)) and (
        value.is_open_above or (high > against_ns) == (value.hi > against_ns)
    )


def at_most(ns: int) -> str:
    """A measured upper end, rounded up as bounds are: ``47 ms``, ``0.34 s``, ``12.4 s``, ``12 min 04 s``."""
    if ns >= _MIN_FROM_NS:
        return measured(ns)
    if ns < _MS_BELOW_NS:
        return f"{decimal(ns, NS_PER_MS, 0, up=True)} ms"
    return f"{decimal(ns, NS_PER_S, 2 if ns < 10 * NS_PER_S else 1, up=True)} s"
