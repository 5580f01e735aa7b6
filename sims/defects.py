"""The defects that a simulated site can have: what there is, how they are asked for, and what a seed chooses.

A specification reads ``NAME[:ALARM][@PLACE][=VALUE[,VALUE]]``; what is left out is chosen by the seed or by default:
``wrong-bit:bulk-a.high@bms``, ``late@bms=3s``, ``swapped-pair:day.high=sump-a.leak``, ``dropped-answers@panel=20%``.
The place ``any`` lets the seed choose one, out of those that the site has and no other defect is at: ``stuck@any``.
"""

from __future__ import annotations

import difflib
import itertools
import random
import textwrap
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from sims.alarms import ALARMS, BY_NAME, AlarmSpec, related
from sims.defect_kinds import EXCEPTION_CODES, KINDS, Kind, Name, Target
from sims.durations import format_duration, is_duration, parse_duration
from sims.points import ALARM_POINTS, SIGNALS, Place, parts

_ANY: Final = "any"


@dataclass(frozen=True, slots=True, kw_only=True)
class Defect:
    """One defect of one site, with everything chosen. ``alarm`` is None where a whole block has it.

    ``other``: the alarm at whose point it appears, or that it is swapped with. ``share``: of answers or lines, 0 to 1.
    ``number``: the address of a unit.
    """

    name: Name
    place: Place
    alarm: str | None = None
    other: str | None = None
    duration_ns: int | None = None
    share: float | None = None
    code: int | None = None
    number: int | None = None

    @property
    def spec(self) -> str:
        """The specification that asks for exactly this one."""
        values = [
            self.other,
            None if self.duration_ns is None else format_duration(self.duration_ns),
            None if self.share is None else f"{self.share * 100:g}%",
            None if self.code is None else str(self.code),
            None if self.number is None else str(self.number),
        ]
        given = ",".join(value for value in values if value is not None)
        alarm = f":{self.alarm}" if self.alarm else ""
        return f"{self.name}{alarm}@{self.place}" + (f"={given}" if given else "")

    @property
    def sentence(self) -> str:
        """What it does."""
        return KINDS[self.name].sentence


def resolve(specs: Sequence[str], seed: int, places: Collection[Place] = tuple(Place)) -> tuple[Defect, ...]:
    """The defects that specifications ask for. The same seed chooses the same targets, on every machine.

    ``places``: those that the site has. A seed never aims two defects at one alarm or at two that bring each other.

    Raises ValueError that names the specification, what is wrong in it, what was expected and the remedy.
    """
    specs = _at_places(specs, seed, places)
    asked = [_parse(spec) for spec in specs]
    for spec, defect in zip(specs, asked, strict=True):
        if defect.place not in places:
            raise ValueError(
                f"defect {spec!r}: place={defect.place}: this site has no {defect.place.device}: have it too"
            )
    taken = [BY_NAME[name] for defect in asked for name in (defect.alarm, defect.other) if name in BY_NAME]
    chosen: list[Defect] = []
    for number, (spec, defect) in enumerate(zip(specs, asked, strict=True)):
        dice = random.Random(f"{seed}/{number}/{defect.name}")
        numbers = {other.number for other in (*asked, *chosen)}
        chosen.append(_choose(spec, _numbered(defect, numbers, dice), taken, dice))
    _check_together(specs, chosen)
    return tuple(chosen)


def _at_places(specs: Sequence[str], seed: int, places: Collection[Place]) -> list[str]:
    """The specifications with a place where the seed is to choose one."""
    taken = {spec.partition("=")[0].partition("@")[2] for spec in specs}
    placed: list[str] = []
    for number, given in enumerate(specs):
        spec = given
        before, equals, values = spec.partition("=")
        before, _, place = before.partition("@")
        if place == _ANY:
            name, _, alarm = before.partition(":")
            kind = KINDS[Name(_one_of(spec, "name", name, list(Name)))]
            on_offer = [p for p in kind.places if p in places and (not alarm or alarm in _targets(kind, p))]
            free = [p for p in on_offer if p not in taken] or on_offer
            if not free:
                raise ValueError(f"defect {spec!r}: place=any: this site has none of {', '.join(kind.places)}")
            place = random.Random(f"{seed}/{number}/{name}/place").choice(free)
            taken.add(place)
            spec = f"{before}@{place}{equals}{values}"
        placed.append(spec)
    return placed


def _parse(spec: str) -> Defect:
    """What a specification says, and the defaults of its values; what a seed chooses is still None."""
    before, _, values = spec.partition("=")
    before, _, place_text = before.partition("@")
    name_text, _, alarm = before.partition(":")
    kind = KINDS[Name(_one_of(spec, "name", name_text, list(Name)))]
    place = Place(_one_of(spec, "place", place_text or kind.places[0], list(kind.places)))
    defect = Defect(
        name=kind.name,
        place=place,
        alarm=_one_of(spec, "alarm", alarm, _targets(kind, place)) if alarm else None,
        duration_ns=kind.duration_ns,
        share=kind.share,
        code=kind.code,
    )
    for value in values.split(",") if values else ():
        defect = _with_value(spec, kind, defect, value.strip())
    if kind.name is Name.FROZEN and values and alarm:
        raise ValueError(f"defect {spec!r}: expected an alarm or a time, not both: it freezes once")
    return defect


def _with_value(spec: str, kind: Kind, defect: Defect, value: str) -> Defect:
    """The defect with one of its values, told apart by how it is written: 3s, 20%, 4, or the name of an alarm."""
    if kind.duration_ns is not None and is_duration(value):
        return replace(defect, duration_ns=parse_duration(value))
    if kind.share is not None and value.endswith("%"):
        number = value[:-1]
        if not number.replace(".", "", 1).isdecimal() or not 0 < float(number) <= 100:
            raise ValueError(f"defect {spec!r}: value={value}: expected a share above 0% and up to 100%")
        return replace(defect, share=float(number) / 100)
    if kind.code is not None and value.isdecimal() and int(value) in EXCEPTION_CODES:
        return replace(defect, code=int(value))
    if kind.numbers and value.isdecimal() and int(value) in kind.numbers:
        return replace(defect, number=int(value))
    if kind.other:
        other = _one_of(spec, "value", value, _targets(kind, defect.place))
        if defect.alarm is not None and related(BY_NAME[other], BY_NAME[defect.alarm]):
            raise ValueError(
                f"defect {spec!r}: value={other}: expected an alarm that does not come with {defect.alarm} anyway"
            )
        return replace(defect, other=other)
    wanted = [
        *(["a time such as 300ms"] if kind.duration_ns is not None else []),
        *(["a share such as 10%"] if kind.share is not None else []),
        *([f"an exception code out of {EXCEPTION_CODES}"] if kind.code is not None else []),
        *([f"a unit number out of {kind.numbers}"] if kind.numbers else []),
    ]
    raise ValueError(f"defect {spec!r}: value={value}: expected {' or '.join(wanted) or 'no value'}")


def _targets(kind: Kind, place: Place) -> list[str]:
    """The names that a specification may aim this kind of defect at."""
    match kind.target:
        case Target.ALARM:
            place = Place.BMS if place is Place.BMS_ALL else place
            return [point.signal for point in ALARM_POINTS.get(place, ()) if _shows(point.signal, place)]
        case Target.SIGNAL:
            return [signal for signal in SIGNALS.get(place, ()) if _shows(signal, place)]
        case Target.WARNING:
            return [alarm.name for alarm in ALARMS if alarm.local]
        case Target.BLOCK:
            return []


def _shows(signal: str, place: Place) -> bool:
    return place is Place.PANEL or signal not in BY_NAME or not BY_NAME[signal].local


def _choose(spec: str, defect: Defect, taken: list[AlarmSpec], dice: random.Random) -> Defect:
    kind = KINDS[defect.name]
    by_time = defect.name is Name.FROZEN and ("=" in spec or not _targets(kind, defect.place))
    if defect.alarm is None and kind.target is not Target.BLOCK and not by_time:
        names = _targets(kind, defect.place)
        alarms = [name for name in names if name in BY_NAME]
        defect = replace(defect, alarm=_pick(spec, alarms, taken, dice) if alarms else dice.choice(names))
    if kind.name is Name.FROZEN and defect.alarm is not None:
        defect = replace(defect, duration_ns=None)
    if kind.other and defect.other is None:
        defect = replace(defect, other=_pick(spec, _targets(kind, defect.place), taken, dice))
    return defect


def _numbered(defect: Defect, taken: Collection[int | None], dice: random.Random) -> Defect:
    """With an address where it takes one: never one that another defect has."""
    numbers = KINDS[defect.name].numbers
    if not numbers or defect.number is not None:
        return defect
    return replace(defect, number=dice.choice([number for number in numbers if number not in taken] or numbers))


def _pick(spec: str, names: Iterable[str], taken: list[AlarmSpec], dice: random.Random) -> str:
    free = [name for name in names if not any(related(BY_NAME[name], other) for other in taken)]
    if not free:
        raise ValueError(f"defect {spec!r}: no alarm is left for it: name one, or ask for fewer defects")
    name = dice.choice(free)
    taken.append(BY_NAME[name])
    return name


def _check_together(specs: Sequence[str], chosen: Sequence[Defect]) -> None:
    """Two defects that change when one point shows one alarm would hide each other; so would others of a dead unit."""
    timed = (Name.TOO_SHORT, Name.LATE, Name.STUCK, Name.REPEATED_MESSAGE, Name.MOMENTARY)
    seen: dict[tuple[Place, str | None], str] = {}
    for spec, defect in zip(specs, chosen, strict=True):
        if defect.name in timed:
            first = seen.setdefault((defect.place, defect.alarm), spec)
            if first is not spec:
                raise ValueError(f"defect {spec!r}: {first!r} is at the same point already; expected one of {timed}")
    for (spec, defect), (first, other) in itertools.permutations(zip(specs, chosen, strict=True), 2):
        if defect.name is Name.DEAD_UNIT and defect.place in parts(other.place) and other.place is not Place.BUS_ALL:
            raise ValueError(f"defect {spec!r}: nobody would see {first!r} at a unit that never answers; leave one out")
        if Name.WRONG_UNIT is defect.name is other.name and defect.number == other.number:
            raise ValueError(f"defect {spec!r}: value={defect.number}: {first!r} has this address already")
        if (defect.name, other.name) == (Name.STALE_CACHE, Name.LOST_SOURCE):
            raise ValueError(f"defect {spec!r}: a gateway either answers what it saw last, or {first!r}; leave one out")


def _one_of(spec: str, what: str, value: str, expected: Sequence[str]) -> str:
    if value in expected:
        return value
    if not expected:
        raise ValueError(f"defect {spec!r}: {what}={value}: expected none: the whole block has this defect")
    near = difflib.get_close_matches(value, expected, n=1)
    hint = f"; did you mean {near[0]}?" if near else ""
    raise ValueError(f"defect {spec!r}: {what}={value}: expected one of {', '.join(expected)}{hint}")


def list_defects() -> str:
    """Every kind with its sentence, places and values, for a person to read."""
    lines = [
        "NAME[:ALARM][@PLACE][=VALUE[,VALUE]]: what is left out is chosen by the seed, or is as given here; the place",
        "is the first one of the list if it is left out, and chosen by the seed if it is 'any'.",
    ]
    for kind in KINDS.values():
        defaults = Defect(
            name=kind.name, place=kind.places[0], duration_ns=kind.duration_ns, share=kind.share, code=kind.code
        )
        values = defaults.spec.partition("=")[2]
        lines += [
            "",
            f"{kind.name}",
            f"    {kind.sentence}",
            *([] if kind.target is Target.BLOCK else [f"    aimed at: {kind.target}"]),
            *textwrap.wrap(f"places: {', '.join(kind.places)}", 108, initial_indent=" " * 4, subsequent_indent=" " * 8),
            *([f"    values, and what they are if not given: {values}"] if values else []),
            *(["    value: the other alarm, chosen by the seed if not given"] if kind.other else []),
            *(["    value: the address, chosen by the seed if not given"] if kind.numbers else []),
        ]
    return "\n".join(lines)
