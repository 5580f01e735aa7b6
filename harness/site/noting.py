"""The assumptions and defaults in force, in words; they are printed with the results."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from harness.core.links import LinkSpec, ModbusTcpLink, TextLink
from harness.core.model import HOLD_ASSUMED_NS, LEAK_DEFAULT_NS, SEARCH_DEFAULT_NS, SETTLE_DEFAULT_NS
from harness.site.durations import write_duration
from harness.site.fields import LIMIT_NAMES
from harness.site.forms import Form
from harness.site.pointmap import PointMap

_OWN_DEFAULTS: Final = {
    "search": SEARCH_DEFAULT_NS,
    "settle": SETTLE_DEFAULT_NS,
    "shortest leak": LEAK_DEFAULT_NS,
}


def notes_of(form: Form, links: Mapping[str, LinkSpec], point_map: PointMap) -> tuple[str, ...]:
    """One sentence for each default and each assumption that some result rests on."""
    notes = []
    defaults = form.get("defaults", Form)
    for name in LIMIT_NAMES:
        stated = defaults.get(name, int) if defaults is not None else None
        if stated is not None and defaults is not None:
            notes.append(f"{name} {write_duration(stated)} where a row says nothing ({defaults.at(name)})")
        elif name in _OWN_DEFAULTS:
            notes.append(f"{name} {write_duration(_OWN_DEFAULTS[name])} where nothing is said")
        else:
            notes.append(
                f"{name}: no limit where a row says nothing" if name != "dwell" else "dwell 0 s where nothing is said"
            )
    for which in ("on", "off"):
        count = sum(not getattr(point.hold, f"{which}_declared") for point in point_map.points.values())
        if count:
            text = f"shortest {which} is not declared for {count} of {len(point_map.points)} points: "
            notes.append(text + f"{write_duration(HOLD_ASSUMED_NS)} is assumed")
    for link in links.values():
        if isinstance(link, TextLink) and link.longest_delay_ns is None:
            notes.append(f"{link.name}: longest delay is not declared: when a change happened is known only from above")
        if isinstance(link, TextLink) and not link.promises_every_change:
            notes.append(f"{link.name}: it is not promised that every change is printed: silence proves nothing")
        if isinstance(link, ModbusTcpLink):
            notes.append(
                f"{link.name}: numbering {link.numbering.value}, polled every {write_duration(link.poll_period_ns)}"
            )
    return tuple(notes)
