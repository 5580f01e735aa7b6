"""Which causes may be named for which defect of the simulated site, and what a run with it is made of.

A row holds for every alarm that the seed may choose. Codes beside each other are equals: what a record can hold does
not tell them apart, and the cause that stands first has to name one of them, itself or among its equals.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from random import Random
from typing import Final

from harness.core.model import Result, Site, Stray
from harness.core.places import ModbusPlace, Table
from harness.core.verdicts import VerdictClass
from harness.run.judging import JudgedRecord
from sims.alarms import ALARMS, BY_NAME
from sims.defect_kinds import Name
from sims.defects import Defect, resolve
from sims.points import UNITS, Place
from tests.peers.defect_runs import Trial

PLACES: Final = tuple(place for place in Place if place is not Place.BROKER)
_BITS: Final = (Place.BMS, Place.BUS_1, Place.GATEWAY)

TABLE: Final[dict[tuple[Name, Place], frozenset[str]]] = {
    (name, place): frozenset(codes)
    for name, places, codes in (
        (Name.WRONG_BIT, _BITS, ("wrong-bit",)),
        (Name.WRONG_BIT, (Place.PRINTER,), ("wrong-text",)),
        (Name.SWAPPED_PAIR, (*_BITS, Place.PRINTER), ("swapped-pair",)),
        (Name.OFF_BY_ONE, (Place.BMS,), ("address-off-by-one",)),
        (Name.OFF_BY_ONE, (Place.PRINTER,), ("text-off-by-one",)),
        (Name.INVERTED, (*_BITS, Place.PRINTER), ("inverted",)),
        (Name.NEVER_APPEARS, _BITS, ("point-silent",)),
        (Name.NEVER_APPEARS, (Place.PRINTER,), ("line-not-printed",)),
        (Name.LEAK, (Place.BMS,), ("passed-on",)),
        (Name.TOO_SHORT, (Place.BMS, Place.GATEWAY), ("drops-early",)),
        (Name.LATE, _BITS, ("later-than-search", "output-delay", "common-delay")),
        (Name.STUCK, _BITS, ("never-gone",)),
        (Name.STUCK, (Place.PRINTER,), ("end-not-told",)),
        (Name.FROZEN, (Place.BMS, Place.GATEWAY, Place.BUS_1), ("block-frozen",)),
        (Name.ZEROS, (Place.BMS, Place.GATEWAY, Place.BUS_1, Place.BUS_LOOP), ("block-dead",)),
        (Name.EXCEPTIONS, (Place.BMS, Place.GATEWAY, Place.BUS_1, Place.BUS_LOOP), ("reads-refused",)),
        (Name.LATCHES, (Place.BUS_1,), ("latched",)),
        (Name.MOMENTARY, _BITS, ("momentary", "drops-early")),
        (Name.BYTE_ORDER, (Place.STATES, Place.LATCHED), ("bytes-swapped",)),
        (Name.OTHER_TABLE, (Place.LATCHED, Place.STATES), ("wrong-table",)),
        (Name.OTHER_TABLE, (Place.GATEWAY, Place.BUS_1), ("wrong-table",)),
        (Name.DROPPED_ANSWERS, (Place.BMS, Place.GATEWAY), ("polls-failed", "link-down")),
        (Name.DEAD_UNIT, (Place.BUS_1, Place.BUS_LOOP), ("unit-dead",)),
        (Name.WRONG_UNIT, (Place.BUS_1, Place.BUS_LOOP), ("unit-address",)),
        (Name.SWAPPED_UNITS, (Place.BUS_LOOP,), ("wrong-unit",)),
        (Name.FOREIGN_ANSWERS, (Place.BUS_1, Place.BUS_LOOP), ("foreign-answers",)),
        (Name.WRONG_SCALE, (Place.BUS_LOOP,), ("loop-scale",)),
        (Name.REVERSED_LOOP, (Place.BUS_LOOP,), ("loop-reversed",)),
        (Name.CLIPPED_LOOP, (Place.BUS_LOOP,), ("loop-clipped",)),
        (Name.NO_FAILURE_CURRENT, (Place.BUS_LOOP,), ("no-failure-current",)),
        (Name.STALE_CACHE, (Place.GATEWAY,), ("block-dead", "block-frozen")),
        (Name.LOST_SOURCE, (Place.GATEWAY,), ("reads-refused",)),
        (Name.SLOW_POLLS, (Place.GATEWAY,), ("hop-polls-slowly",)),
        (Name.NO_RECIPIENT, (Place.BUILDING,), ("not-a-recipient",)),
    )
    for place in places
}
"""Kinds that only a broker, a person or a change of the device's answers to itself can show are held elsewhere."""

LOOP_ALARMS: Final = ("bulk-a.high", "bulk-a.low", "bulk-b.high", "bulk-b.low", "bulk-a.probe-fault")


def trial_of(specs: Sequence[str], seed: int, *, more: int = 3) -> tuple[Trial, tuple[Defect, ...]]:
    """A run that can show these defects: their alarms and ``more`` others, over the links that they are at."""
    chosen = resolve(specs, seed, PLACES)
    random = Random(f"alarms of {seed} {specs}")
    names = [name for it in chosen for name in (it.alarm, it.other) if name in BY_NAME]
    if any(it.place is Place.BUS_LOOP for it in chosen):
        names += LOOP_ALARMS
    if any(it.place is Place.STATES for it in chosen):
        names += ["bulk-a.high-high", "day.low-low"]
    if any(it.name is Name.OFF_BY_ONE for it in chosen):
        names += ["bulk-a.water", "bulk-b.water", "day.high"]
    taken = {name for one in names for name in (one, *BY_NAME[one].also_raises)}
    free = [it.name for it in ALARMS if not it.local and it.lasts_ns is None and it.name not in taken]
    if any(it.place is Place.BUS_LOOP for it in chosen):
        # The site file has no row for the failure current of the other loops.
        free = [name for name in free if not name.endswith("probe-fault")]
    names += random.sample(free, more)
    order = {alarm.name: alarm.number for alarm in ALARMS}
    devices = {it.place.device for it in chosen}
    links = ["panel", *(["bms"] if devices & {"bms", "gateway", "bus"} else [])]
    links += [name for name in ("printer", "bus", "building", "gateway") if name in devices]
    # What the defect is at is raised first: what freezes with it is still asked for others.
    first = [name for name in names[:1] if chosen[0].alarm is not None]
    alarms = tuple(dict.fromkeys([*first, *sorted(names, key=order.__getitem__)]))
    return Trial(defects=tuple(specs), seed=seed, alarms=alarms, links=tuple(links)), chosen


def is_at(site: Site, point: str, place: Place) -> bool:
    """Whether a point is of a block of the simulated site."""
    it = site.points[point]
    if it.link != place.device:
        return False
    where = it.place
    if not isinstance(where, ModbusPlace):
        return True
    if it.link == "bus":
        return UNITS[where.unit] is place
    tables = {
        Place.BMS: Table.DISCRETE_INPUT,
        Place.LATCHED: Table.HOLDING_REGISTER,
        Place.STATES: Table.INPUT_REGISTER,
    }
    return place not in tables or where.table is tables[place]


def concerned(judged: JudgedRecord, defect: Defect) -> tuple[list[Result], list[Stray]]:
    """What failed or stayed unknown at the place of a defect, of its alarms where it is aimed at some."""
    site = judged.site
    mine = {name for name in (defect.alarm, defect.other) if name is not None}
    whole = not mine or defect.name is Name.FROZEN
    results = [
        it
        for it in judged.judgement.results
        if it.verdict.verdict_class is not VerdictClass.PASS
        and is_at(site, it.point, defect.place)
        and (whole or (it.alarm in mine and _is_own(site, it.point)))
    ]
    own = {row.point for row in site.expectations if row.alarm in mine}
    strays = [
        it for it in judged.judgement.strays if is_at(site, it.point, defect.place) and (whole or it.point in own)
    ]
    return results, strays


def _is_own(site: Site, point: str) -> bool:
    return len({row.alarm for row in site.expectations if row.point == point and row.behaviour != "quiet"}) <= 1


def misnamed(found: Iterable[Result | Stray], codes: frozenset[str]) -> list[str]:
    """Of which of them the first cause is neither one of these codes nor has one among its equals."""
    told = []
    for it in found:
        first = next(iter(it.causes), None)
        if first is None or codes.isdisjoint(first.codes):
            named = "no cause" if first is None else f"{', '.join(first.codes)}: {first.text}"
            told.append(f"{getattr(it, 'alarm', 'stray')} at {it.point}, {it.verdict}: {named}")
    return told
