"""Blocks that answer and do not live: dead (off for the whole run) or frozen (holding old values)."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from harness.core.instants import FOREVER
from harness.core.links import BacnetLink, ModbusLink
from harness.core.model import Cause, CauseKind, Equal
from harness.core.trace import Trace
from harness.core.verdicts import Verdict
from harness.correlate.causes.case import Case
from harness.correlate.causes.findings import MISSING, Finding
from harness.correlate.causes.spots import BITS_PER_REGISTER, LINES, SIGNS, Spot
from harness.correlate.causes.transport import ANOTHER_DEVICE
from harness.correlate.causes.words import alarms, place, point, series
from harness.correlate.wording import time_text

ALARMS_IF_STILL: Final = 2
"""So many alarms missed in a block that never changed, or that holds something on: it does not live."""

ALARMS_IF_ALL_OFF: Final = 3
"""So many where it had changed before and everything in it is off: fewer may each be missing by themselves."""

_Key = tuple[str, int, str, int]
"""Link, unit, table, number of the group of addresses."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Block:
    """A block that one request would read. ``since``: its last change, None where it never changed.

    ``held``: points that were on at the end. ``missed``: results missed since then. ``others``: further results that
    are open because the block stands still, if it does. ``lives``: an alarm showed after the last change.
    """

    key: _Key
    points: tuple[str, ...]
    since: int | None
    held: tuple[str, ...]
    missed: tuple[int, ...]
    others: tuple[int, ...]
    lives: bool
    is_still: bool


def dead_or_frozen(case: Case) -> Iterator[Finding]:
    """One cause a block; one for the whole link where no block of it is seen to live and several stand still."""
    by_link: dict[str, list[_Block]] = defaultdict(list)
    for key, points in _blocks(case).items():
        if any(case.is_loud(n) for name in points for n in case.by_point.get(name, ())):
            by_link[key[0]].append(_looked_at(case, key, points))
    for each in by_link.values():
        still = [it for it in each if it.is_still]
        if len(still) > 1 and not any(_showed(case, it) for it in each if not it.is_still):
            yield _finding(case, each, whole=True)
        else:
            for it in still:
                yield _finding(case, [it, *_beside(case, it, each)], whole=False)


def _beside(case: Case, still: _Block, each: Sequence[_Block]) -> list[_Block]:
    """Further blocks of the same unit that hold something and had changed last before the first miss of this one.

    And objects of a device that never changed either: that is one device, and no blocks of addresses.
    """
    missed = min((case.stimulus(n).raised.lo for n in still.missed), default=-FOREVER)
    is_device = isinstance(case.site.links.get(still.key[0]), BacnetLink) and still.since is None and not still.held
    return [
        it
        for it in each
        if not it.is_still
        and it.key[1] == still.key[1]
        and not it.lives
        and (
            (bool(it.others) and it.since is not None and it.since < missed)
            or (is_device and it.since is None and bool(it.missed))
        )
    ]


def _showed(case: Case, it: _Block) -> bool:
    """True of a block in which an alarm showed as it should, at a point of its own."""
    return any(
        case.results[n].verdict in (Verdict.ON_TIME, Verdict.APPEARED)
        for name in it.points
        if len(case.shown_at[name]) == 1
        for n in case.by_point.get(name, ())
    )


def _blocks(case: Case) -> dict[_Key, list[str]]:
    """The mapped points in groups that one request would read: same table, no gap wider than the link allows."""
    tables: dict[tuple[str, int, str], list[tuple[int, str]]] = defaultdict(list)
    for name, spot in case.spots.items():
        # Lamp, horn and texts of one annunciator stand still together, or not at all.
        table = SIGNS if spot.block.table.startswith(SIGNS) else spot.block.table
        tables[spot.block.link, spot.block.unit, table].append((_address(spot), name))
    found: dict[_Key, list[str]] = {}
    for (link, unit, table), members in tables.items():
        gap_max = _gap_max(case, link, table)
        members.sort()
        group, before = -1, -FOREVER
        for address, name in members:
            if address - before > gap_max:
                group += 1
            before = address
            found.setdefault((link, unit, table, group), []).append(name)
    return found


def _address(spot: Spot) -> int:
    return spot.position // BITS_PER_REGISTER if spot.block.is_register_bits else spot.position


def _gap_max(case: Case, link: str, table: str) -> int:
    spec = case.site.links.get(link)
    if not isinstance(spec, ModbusLink):
        return FOREVER
    return 1 + (spec.gap_max_registers if table.endswith("register") else spec.gap_max_bits)


def _looked_at(case: Case, key: _Key, points: Sequence[str]) -> _Block:
    traces = [case.sketches[name].trace for name in points]
    traces = [trace for trace in [*traces, *_neighbour_traces(case, points)] if len(trace)]
    since = max((_last_change(trace) for trace in traces), default=-FOREVER)
    never = since <= -FOREVER
    behind = [
        n
        for name in points
        for n in case.by_point.get(name, ())
        if case.stimulus(n).raised.lo > since and case.results[n].verdict not in (Verdict.NOT_OBSERVED, Verdict.NOT_RUN)
    ]
    missed = [n for n in behind if case.results[n].verdict in MISSING and n in case.open]
    held = tuple(name for name in points if _last_state(case.sketches[name].trace))
    lives = any(case.results[n].verdict in (Verdict.ON_TIME, Verdict.APPEARED) for n in behind)
    stays = [name for name in held if any(_hangs(case, n) for n in case.by_point.get(name, ()))]
    enough = 1 if stays else ALARMS_IF_STILL if never or held else ALARMS_IF_ALL_OFF
    hangs = [n for name in held for n in case.by_point.get(name, ()) if n in case.open and _hangs(case, n)]
    return _Block(
        key=key,
        points=tuple(points),
        since=None if never else since,
        held=held,
        missed=tuple(sorted(missed)),
        others=tuple(sorted({*hangs, *(n for n in behind if n in case.open and n not in missed)})),
        lives=lives,
        is_still=not lives and len({case.results[n].alarm for n in missed}) >= enough,
    )


def _neighbour_traces(case: Case, points: Sequence[str]) -> list[Trace]:
    first, last = case.spots[points[0]], case.spots[points[-1]]
    low, high = _address(first), _address(last)
    same = first.block[:3]
    return [
        sketch.trace
        for spot, sketch in case.neighbours.items()
        if spot.block[:3] == same and low <= _address(spot) <= high
    ]


def _last_change(trace: Trace) -> int:
    return int(trace.hi[trace.starts[-1]]) if len(trace.starts) > 1 else -FOREVER


def _last_state(trace: Trace) -> bool:
    return len(trace) > 0 and trace.run_is_on(len(trace.starts) - 1)


def _hangs(case: Case, number: int) -> bool:
    """True if the result is of a point that was seen to come on and never to go off again, or was on before."""
    result = case.results[number]
    return result.end is not None and result.end.is_open_above


def _finding(case: Case, group: Sequence[_Block], *, whole: bool) -> Finding:
    missed = sorted({n for it in group for n in it.missed})
    numbers = sorted({*missed, *(n for it in group for n in it.others)})
    held = [name for it in group for name in it.held]
    since = max((it.since for it in group if it.since is not None), default=None)
    if group[0].key[2] == LINES:
        return Finding(cause=_unprinted(case, group[0], missed, since), results=tuple(numbers))
    what = f"link {group[0].key[0]}" if whole else f"the block {_range(case, group[0])}"
    unproven = (
        "" if _proved_up(case, missed) else "; or nothing was raised: no other point says that these alarms were up"
    )
    alone = len({case.spots[name] for it in group for name in it.points}) == 1
    few = alone or len({case.results[n].alarm for n in missed}) < ALARMS_IF_STILL
    if since is None and not held:
        cause = Cause(
            kind=CauseKind.IDENTITY,
            code="block-dead",
            text=f"{what} answers, but reads off in every place: a block that nothing is written to, the wrong unit, "
            f"or the wrong area of addresses{unproven}",
            evidence=f"every poll was off for the whole run, while {_count(case, missed)} were raised: "
            f"{alarms(case, missed)}",
            next_check="check unit number and first address in the device's list, and whether the device's own link "
            "to the controller is alive; what reads as quiet in this block proves nothing until then",
            equals=_equals(case, group[0].key[0], frozen=False, few=few),
            deciding=_DECIDING,
        )
    else:
        cause = Cause(
            kind=CauseKind.IDENTITY,
            code="block-frozen",
            text=f"{what} goes on answering old values{_or_wired(held)}{unproven}",
            evidence=f"nothing in it changed {_since_text(case, since, missed)}, while {_count(case, missed)} were "
            f"raised: {alarms(case, missed)}{_held_text(case, held)}",
            next_check="look at the device's own link to the controller (a gateway often answers from its memory when "
            "that is down) and restart it; what reads as quiet in this block proves nothing until then",
            equals=_equals(case, group[0].key[0], frozen=bool(held), few=few),
            deciding=_DECIDING,
        )
    return Finding(cause=cause, results=tuple(numbers))


_DECIDING: Final = "raise one more alarm of this block while somebody looks at the device: does anything in it change"


def _equals(case: Case, link: str, *, frozen: bool, few: bool) -> tuple[Equal, ...]:
    """What looks the same: a hop that lost what it polls, and where few alarms tell, faults of their points."""
    found: list[Equal] = []
    before = case.site.before(link)
    if before:
        text = f"the device of link {link} polls {before[0]} no more, or too seldom"
        found.append(Equal(kind=CauseKind.TIME, code="hop-polls-slowly", text=text))
    if not frozen and isinstance(case.site.links.get(link), BacnetLink):
        found += ANOTHER_DEVICE
    if few:
        found.append(Equal(kind=CauseKind.ADDRESS, code="point-silent", text="what was missed is not connected to it"))
    if few and frozen:
        found.append(Equal(kind=CauseKind.MEANING, code="never-gone", text="what stays on is stuck by itself"))
    return tuple(found)


def _unprinted(case: Case, it: _Block, missed: Sequence[int], since: int | None) -> Cause:
    link = it.key[0]
    unproven = "" if _proved_up(case, missed) else ", or nothing was raised (no other point says that it was)"
    what = "no line that fits any of its points" if since is None else "no alarms any more"
    return Cause(
        kind=CauseKind.IDENTITY,
        code="nothing-printed",
        text=f"link {link} prints {what}: alarms are not sent to it, or are printed in other words than the patterns "
        f"expect{unproven}",
        evidence=f"no line fitted {_since_text(case, since, missed)}, while {_count(case, missed)} were raised: "
        f"{alarms(case, missed)}",
        next_check=f"watch the raw lines of link {link} while raising one alarm: is anything printed, and does it fit "
        "the pattern character by character; then check port, speed and the printer's alarm classes",
    )


def _or_wired(held: Sequence[str]) -> str:
    if held:
        return ""
    return ", or each of these alarms is not connected to it (all of it is off, so both look the same)"


def _held_text(case: Case, held: Sequence[str]) -> str:
    return f"; still on at the end: {series(point(case, name) for name in held)}" if held else ""


def _range(case: Case, it: _Block) -> str:
    first, last = it.points[0], it.points[-1]
    if first == last:
        return point(case, first)
    return f"{place(case, case.spots[first])} to {place(case, case.spots[last])}"


def _count(case: Case, numbers: Sequence[int]) -> str:
    return f"{len({case.results[n].alarm for n in numbers})} alarms"


def _since_text(case: Case, since: int | None, missed: Sequence[int]) -> str:
    if since is None:
        return "during the whole run"
    last = case.raises.last_before(since)
    if last is None:
        return f"during the {len({case.results[n].stimulus for n in missed})} raises after its last change"
    return f"later than {time_text(max(0, since - last.raised.lo))} after the raise of {last.alarm} ({last.id})"


def _proved_up(case: Case, numbers: Sequence[int]) -> bool:
    """True if a reference point, or any other output, says that one of these alarms was up."""
    return any(
        case.stimulus(n).timed_by
        or any(case.results[other].onset is not None for other in case.by_stimulus[case.results[n].stimulus])
        for n in numbers
    )
