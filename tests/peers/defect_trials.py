"""What a run with given defects is made of: where they are aimed, which alarms are raised, and what they concern."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache
from random import Random
from typing import Final

from harness.core.model import Behaviour, Result, Site, Stray
from harness.core.places import BacnetPlace, ModbusPlace, ObjectType, PersonPlace, Sign, Table
from harness.core.verdicts import VerdictClass
from harness.results.judging import JudgedRecord
from harness.site.profiles import profiles_folder
from harness.site.reading import load_site
from sims.alarms import ALARMS, BY_NAME
from sims.defect_kinds import KINDS, Name, Target
from sims.defects import Defect, resolve
from sims.points import UNITS, Place
from tests.peers.defect_runs import Trial

PLACES: Final = tuple(Place)
WHOLE_DEVICE: Final = frozenset({Place.BUS_ALL, Place.BMS_ALL})
ON_THE_WIRE: Final = frozenset({Name.DROPPED_ANSWERS, Name.LATE_ANSWERS, Name.RESETS, Name.HALF_FRAMES})
"""What spoils a whole device, whatever is read from it."""

LOOP_ALARMS: Final = ("bulk-a.high", "bulk-a.low", "bulk-b.high", "bulk-b.low", "bulk-a.probe-fault")
TRANSIENTS: Final = tuple(it.name for it in ALARMS if it.lasts_ns is not None)

_TIMED: Final = frozenset({Name.TOO_SHORT, Name.REPEATED_MESSAGE, Name.MOMENTARY})

_OBJECTS: Final = {
    Place.BUILDING: (ObjectType.BINARY_INPUT, ObjectType.BINARY_VALUE),
    Place.BUILDING_STATES: (ObjectType.MULTI_STATE_VALUE,),
    Place.BUILDING_LEVELS: (ObjectType.ANALOG_INPUT,),
}
_TABLES: Final = {
    Place.BMS: Table.DISCRETE_INPUT,
    Place.HORN: Table.COIL,
    Place.LATCHED: Table.HOLDING_REGISTER,
    Place.STATES: Table.INPUT_REGISTER,
}
_SIGNS: Final = {Place.ANNUNCIATOR: (Sign.LAMP, Sign.HORN), Place.DISPLAY: (Sign.TEXT,)}
_SHARED: Final = {"horn": (Place.HORN, Place.ANNUNCIATOR), "lamp": (Place.ANNUNCIATOR,)}


_FOR_PERSONS: Final = {Name.LATE: "=8s", Name.TOO_SHORT: "=300ms"}
_WAITED_FOR: Final = (Place.DISPLAY, Place.BROKER)
"""A person takes up to a second to react, and so may a busy machine in real time: the limits there are longer."""


_OFTEN: Final = {
    Name.DROPPED_ANSWERS: "=40%",
    Name.LATE_ANSWERS: "=40%",
    Name.HALF_FRAMES: "=30%",
    Name.RESETS: "=10%",
    Name.NOISE: "=40%",
    Name.LOST_MESSAGES: "=30%",
}
"""What happens by chance happens as often as by default, or more often: then it does not stay hidden."""


def unit_of(place: Place) -> int:
    """The unit of the bus that a run listens to for a place: the repeater that it is at, else the first."""
    return next((unit for unit, of in UNITS.items() if of is place and place is not Place.BUS_LOOP), 1)


def is_at(site: Site, point: str, place: Place) -> bool:
    """Whether a point is of a block of the simulated site."""
    it = site.points[point]
    if it.link != place.device or place is Place.TANKS:
        return False
    where = it.place
    if place in WHOLE_DEVICE:
        return True
    match where:
        case BacnetPlace():
            return where.object_type in _OBJECTS[place]
        case PersonPlace():
            return where.sign in _SIGNS[place]
        case ModbusPlace():
            return UNITS[where.unit] is place if it.link == "bus" else where.table is _TABLES.get(place, where.table)
        case _:
            return True


@cache
def _demo() -> Site:
    site, _ = load_site(profiles_folder() / "demo" / "site.yaml")
    return site


SILENCED: Final = ("bulk-a.high-high", "bulk-b.high", "bulk-a.interstitial-leak")
"""The alarms of the demo that a test silences, since their horn is released by it."""


@cache
def shown_at(place: Place) -> tuple[str, ...]:
    """The alarms that the point map of the demo expects at a place, each at a point of its own."""
    site = _demo()
    place = Place.BUS_1 if place.device == "bus" and place is not Place.BUS_LOOP else place
    rows = [it for it in site.expectations if it.behaviour is not Behaviour.QUIET and is_at(site, it.point, place)]
    own = {it.alarm for it in rows if _is_own(site, it.point)}
    return tuple(name for name in site.alarms if name in own)


def aimed(name: Name, place: Place, seed: int) -> str:
    """A specification that aims a kind of defect at something of a place that a point map expects."""
    kind, random = KINDS[name], Random(f"aim {name} {place} {seed}")
    if kind.target in (Target.BLOCK, Target.WARNING):
        return f"{name}@{place}" + (random.choice(("", _OFTEN[name])) if name in _OFTEN else "")
    if place is Place.ANNUNCIATOR:
        one = random.choice(("lamp", "horn"))
        return f"{name}:{one}@{place}" + _FOR_PERSONS.get(name, "")
    if place is Place.HORN:
        return f"{name}:horn@{place}" if kind.target is Target.SIGNAL else f"{name}@{place}"
    names = list(shown_at(Place.BMS if place in (Place.BMS_ALL, Place.PANEL) else place))
    if name in (Name.UNLATCHED, Name.LATCHES):  # what is acknowledged before it clears would hide it
        names = [it for it in names if it in TRANSIENTS]
    if name is Name.SILENCED_TOO:
        names = [it for it in names if it in SILENCED]
    if name is Name.LONG_TIME_DELAY or (place is Place.BROKER and name is not Name.LATCHES):
        names = [it for it in names if it not in TRANSIENTS]  # gone before it could be told for certain
    if not names:
        return f"{name}@{place}"
    one = random.choice(names)
    if not kind.other:
        return f"{name}:{one}@{place}" + (_FOR_PERSONS.get(name, "") if place in _WAITED_FOR else "")
    others = [it for it in names if it != one and it not in BY_NAME[one].also_raises
              and one not in BY_NAME[it].also_raises]  # fmt: skip
    return f"{name}:{one}@{place}={random.choice(others)}" if others else f"{name}@{place}"


def trial_of(specs: Sequence[str], seed: int, *, more: int = 3) -> tuple[Trial, tuple[Defect, ...]]:
    """A run that can show these defects: their alarms and ``more`` others, over the links that they are at."""
    chosen = resolve(specs, seed, PLACES)
    random = Random(f"alarms of {seed} {specs}")
    names = [name for it in chosen for name in (it.alarm, it.other) if name in BY_NAME]
    # A second alarm of the device shows whether it lives at all.
    for it in chosen:
        names += _also_needed(it, random)
    taken = {name for one in names for name in (one, *BY_NAME[one].also_raises)}
    free = [it.name for it in ALARMS if not it.local and it.lasts_ns is None and it.name not in taken]
    if any(it.place is Place.BUS_LOOP for it in chosen):
        # The site file has no row for the failure current of the other loops.
        free = [name for name in free if not name.endswith("probe-fault")]
    if any(it.place is Place.ANNUNCIATOR and it.alarm == "horn" for it in chosen):
        more = 0  # every alarm sounds it, and the demo has rows for two of them only
    names += random.sample(free, more)
    order = {alarm.name: alarm.number for alarm in ALARMS}
    devices = {it.place.device for it in chosen}
    links = ["panel", *(["bms"] if devices & {"bms", "gateway", "bus", "panel"} else [])]
    links += ["printer"] if devices & {"printer", "panel"} or Place.BMS_ALL in {it.place for it in chosen} else []
    links += [name for name in ("bus", "building", "gateway", "annunciator", "broker") if name in devices]
    # A person who watches has every alarm held for longer than the reaction time: what drops or comes twice shows.
    links += ["annunciator"] if "annunciator" not in links and any(it.name in _TIMED for it in chosen) else []
    # What the defect is at is raised first: what freezes with it is still asked for others.
    first = [name for name in names[:1] if chosen[0].alarm is not None]
    alarms = tuple(dict.fromkeys([*first, *sorted(names, key=order.__getitem__)]))
    unit = next((unit_of(it.place) for it in chosen if unit_of(it.place) != 1), 1)
    return Trial(defects=tuple(specs), seed=seed, alarms=alarms, links=tuple(links), bus_unit=unit), chosen


def _also_needed(it: Defect, random: Random) -> list[str]:
    """Further alarms without which a defect has nothing to show at."""
    if it.place is Place.BUS_LOOP:
        return list(LOOP_ALARMS)
    if it.name is Name.NOT_SILENCED:
        return list(SILENCED)
    if it.place in (Place.ANNUNCIATOR, Place.DISPLAY):
        extra = random.sample(TRANSIENTS, 1) if it.name is Name.UNLATCHED else []
        return ["bulk-a.water", "bulk-b.water", *extra]
    if it.place is Place.STATES:
        return ["bulk-a.high-high", "day.low-low"]
    if it.name is Name.OFF_BY_ONE and it.place is not Place.BUILDING_STATES:
        return ["bulk-a.water", "bulk-b.water", "day.high"]
    if it.name is Name.STALE_READS:  # only the objects of one tank are read
        return ["bulk-a.high", "bulk-a.low", "bulk-a.water"]
    here = shown_at(it.place)
    return random.sample(here, min(2, len(here))) if it.place in (Place.BUILDING_STATES, Place.BUILDING_LEVELS) else []


def concerned(judged: JudgedRecord, defect: Defect) -> tuple[list[Result], list[Stray]]:
    """What failed or stayed unknown at the place of a defect, of its alarms where it is aimed at some."""
    site = judged.site
    mine = {name for name in (defect.alarm, defect.other) if name in BY_NAME}
    whole = not mine or defect.name is Name.FROZEN
    device = defect.place.device if defect.name in ON_THE_WIRE else None

    def is_mine(point: str) -> bool:
        if defect.place is Place.PANEL:
            return True  # it is the reference: what is wrong there is wrong of every output
        if device is not None and device != "bus":
            return site.points[point].link == device
        return is_at(site, point, defect.place) and _is_of_signal(site, point, defect.alarm)

    results = [
        it
        for it in judged.judgement.results
        if it.verdict.verdict_class is not VerdictClass.PASS
        and is_mine(it.point)
        and (whole or (it.alarm in mine and _is_own(site, it.point)))
    ]
    own = {row.point for row in site.expectations if row.alarm in mine and _is_own(site, row.point)}
    own |= {it.point for it in judged.judgement.strays if defect.place is Place.PANEL}  # no row speaks of a reference
    strays = [it for it in judged.judgement.strays if is_mine(it.point) and (whole or it.point in own)]
    return results, strays


def _is_of_signal(site: Site, point: str, signal: str | None) -> bool:
    """True unless the defect is aimed at the lamp or the horn, and the point is the other one of the two."""
    place = site.points[point].place
    if isinstance(place, PersonPlace) and signal in ("lamp", "horn"):
        return place.sign.value == signal
    return True


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


def healthy(seed: int) -> Trial:
    """A random handful of alarms over random links of a site without defects."""
    random = Random(f"healthy {seed}")
    links = ("panel", *random.sample(("bms", "printer", "bus", "gateway"), random.randrange(1, 3)))
    alarms = tuple(it.name for it in random.sample(ALARMS, 3))
    return Trial(defects=(), seed=seed, alarms=alarms, links=links)
