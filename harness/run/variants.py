"""Plans beyond one alarm at a time: pairs for the outputs that they share, and sweeps. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from harness.core.instants import NS_PER_MS, NS_PER_S
from harness.core.model import Behaviour, Expectation, Site, Step
from harness.run.order import Item

HELD_DEFAULT_NS: Final = (5 * NS_PER_S, 2 * NS_PER_S, NS_PER_S, *(ms * NS_PER_MS for ms in (500, 200, 100, 50, 20)))
"""From what every output shows to what hardly any does: each about half of the one before."""


def pairs_of(site: Site, items: Sequence[Item]) -> tuple[Item, ...]:
    """Pairs of alarms to raise together, so that each alarm of a shared output is in one of them.

    Only alarms that are held until they are cleared, neither of which brings the other along.
    """
    by_name = {item.alarm.name: item for item in items if item.alarm.lasts_ns is None and item.loud}
    sharing: dict[tuple[str, Behaviour, Step], list[str]] = defaultdict(list)
    for item in by_name.values():
        for row in item.loud:
            if row.behaviour is not Behaviour.PULSE:
                sharing[row.point, row.behaviour, row.released_by].append(row.alarm)
    found: dict[tuple[str, str], None] = {}
    for (_, behaviour, released_by), names in sharing.items():
        if behaviour is Behaviour.UNTIL_ACKNOWLEDGED and released_by is Step.SILENCE:
            continue  # one button silences both
        paired: set[str] = {name for pair in found for name in pair if set(pair) <= set(names)}
        left = [name for name in names if name not in paired]
        for name in left:
            if name in paired:
                continue
            other = next((it for it in (*left, *names) if it not in (name, *paired) and _apart(site, name, it)), None)
            other = other or next((it for it in names if it != name and _apart(site, name, it)), None)
            if other is not None:
                found[name, other] = None
                paired |= {name, other}
    return tuple(_pair(by_name[first], by_name[second]) for first, second in found)


def _apart(site: Site, first: str, second: str) -> bool:
    """Neither brings the other along, nor do both bring a third one."""
    own, other = {first, *site.brought_along(first)}, {second, *site.brought_along(second)}
    return not own & other


def _pair(first: Item, second: Item) -> Item:
    """What must stay quiet is tested one alarm at a time: of two, nobody could say whose leak it was."""
    rows: list[Expectation] = [*first.loud, *second.loud]
    return replace(first, rows=tuple(rows), also=second.alarm)


def sweep_of(items: Sequence[Item], held_ns: Sequence[int], tries: int) -> Iterator[Item]:
    """Every alarm held for ever shorter times, each of them ``tries`` times."""
    for item in items:
        if item.alarm.lasts_ns is None and item.loud:
            for each in sorted(set(held_ns), reverse=True):
                for _ in range(tries):
                    yield replace(item, rows=item.loud, held_ns=each)
