"""What a review is bound to: a hash of all that decides what a test does in the real world. Pure.

It changes with a side effect (its text, hazard, safeguard), with what an alarm has of them and brings along, with what
is written, with what may be written, and with the device that it is written to. It does not change with comments, line
breaks, order, titles, limits, poll periods or the point map.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import MISSING, dataclass, field, fields, is_dataclass
from enum import Enum
from typing import Any, Final

from harness.core.links import LinkSpec
from harness.core.model import Alarm, SideEffect, Site

FORM: Final = 1
"""Goes into the hash; counts up where the canonical text is made in another way."""

EFFECT_PARTS: Final = ("its text", "its hazard", "its safeguard")
ALARM_PARTS: Final = ("its side effects", "what it brings along", "what is done to raise and clear it")
LINK_PARTS: Final = ("what may be written there", "the address of its device")

_TOLD_APART: Final = frozenset(
    {"side_effects", "also_raises", "lasts_ns", "raised_at_most_ns", "isolated_by", "by_hand"}
)
_OF_NO_MATTER: Final = frozenset({"name", "alarm_class", "priority", "text", "reference", "hold_off_ns", "origin"})
"""Fields of an alarm that move nothing. Any other one, known today or not, is taken to matter."""

_ONLY_LOOKED_AT: Final = frozenset({"tolerance", "because"})
"""Fields of what may be written that change nothing of what is done: a limit, and a reason in words."""

_DEVICE: Final = ("host", "port", "tcp_port", "device")


@dataclass(frozen=True, slots=True, kw_only=True)
class Binding:
    """``whole`` decides: 12 hexadecimal digits, such as ``3f2a-91c0-77de``, short enough to be read out.

    The parts only say what changed: for each name one group of 4 digits a part, in the order of ``..._PARTS``.
    """

    whole: str
    side_effects: Mapping[str, str] = field(default_factory=dict)
    alarms: Mapping[str, str] = field(default_factory=dict)
    links: Mapping[str, str] = field(default_factory=dict)


def binding_of(site: Site) -> Binding:
    """The binding of a site. The same for every order, wording and layout that changes nothing of what is done."""
    effects = {name: _effect(effect) for name, effect in site.side_effects.items()}
    alarms = {name: _alarm(site, alarm) for name, alarm in site.alarms.items()}
    links = {name: _link(site, name) for name in _written_links(site)}
    whole = _digest({"form": FORM, "site": site.name, "side effects": effects, "alarms": alarms, "links": links})
    return Binding(
        whole="-".join(whole[start : start + 4] for start in (0, 4, 8)),
        side_effects=_groups(effects),
        alarms=_groups(alarms),
        links=_groups(links),
    )


def changes(was: Binding, now: Binding) -> tuple[str, ...]:
    """What differs between two bindings, in words, as far as their parts tell it."""
    return (
        *_changes("side effect", EFFECT_PARTS, was.side_effects, now.side_effects),
        *_changes("alarm", ALARM_PARTS, was.alarms, now.alarms),
        *_changes("link", LINK_PARTS, was.links, now.links),
    )


def _changes(kind: str, parts: Sequence[str], was: Mapping[str, str], now: Mapping[str, str]) -> Iterable[str]:
    for name in dict.fromkeys((*now, *was)):
        if name not in was:
            yield f"{kind} {name} is new"
        elif name not in now:
            yield f"{kind} {name} is no longer there"
        elif was[name] != now[name]:
            pairs = zip(parts, was[name].split("-"), now[name].split("-"), strict=False)
            changed = [part for part, old, new in pairs if old != new]
            yield f"{kind} {name}: {', '.join(changed) or 'changed'}"


def _effect(effect: SideEffect) -> list[Any]:
    return [_plain(effect.text), _plain(effect.hazard), _plain(effect.safeguard)]


def _alarm(site: Site, alarm: Alarm) -> list[Any]:
    """Order does not matter where all of it happens together; the order of writes does.

    What the site sets for every alarm counts as each alarm's own.
    """
    done = {
        it.name: _plain(value)
        for it in fields(alarm)
        if it.name not in _TOLD_APART | _OF_NO_MATTER and (value := getattr(alarm, it.name)) != _default(it)
    }
    effects = None if alarm.side_effects is None else sorted(alarm.side_effects)
    done["ends by itself"] = alarm.lasts_ns is not None
    done["raised at most"] = site.raised_at_most_of(alarm.name)
    done["isolated by"] = _plain(site.isolated_by_of(alarm.name))
    if by_hand := site.by_hand_of(alarm.name):
        done["by hand"] = _plain(by_hand)
    return [effects, sorted(alarm.also_raises), done]


def _link(site: Site, name: str) -> list[Any]:
    writable = (_plain(it) for it in site.writable if it.link == name)
    ranges = sorted(_text({key: value for key, value in it.items() if key not in _ONLY_LOOKED_AT}) for it in writable)
    return [[ranges, name in site.acknowledgeable], _device(site.links.get(name))]


def _device(link: LinkSpec | None) -> Any:
    found = {name: _plain(getattr(link, name)) for name in _DEVICE if getattr(link, name, None) is not None}
    serial = getattr(link, "serial", None)
    return found if serial is None else {**found, "serial port": serial.port}


def _written_links(site: Site) -> list[str]:
    names = {it.link for it in site.writable} | set(site.acknowledgeable)
    for alarm in site.alarms.values():
        names |= {write.link for writes in alarm.writes.values() for write in writes}
        names |= {it.link for it in alarm.acknowledgements}
    return sorted(names)


def _groups(parts: Mapping[str, list[Any]]) -> dict[str, str]:
    return {name: "-".join(_digest(one)[:4] for one in several) for name, several in parts.items()}


def _digest(value: Any) -> str:
    return hashlib.sha256(_text(value).encode("ascii")).hexdigest()


def _text(value: Any) -> str:
    """Canonical: sorted keys, ASCII, no blanks; the same in every version of Python."""
    return json.dumps(value, sort_keys=True, ensure_ascii=True, separators=(",", ":"), allow_nan=False)


def _plain(value: Any) -> Any:
    """What JSON takes. A field that is left at its default is left out, so that a new one changes no old hash."""
    if isinstance(value, Enum):
        return value.value
    if is_dataclass(value) and not isinstance(value, type):
        named = ((it, getattr(value, it.name)) for it in fields(value) if it.name != "origin")
        return {it.name: _plain(found) for it, found in named if found != _default(it)}
    if isinstance(value, Mapping):
        return {str(_plain(key)): _plain(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if isinstance(value, str):
        return " ".join(value.split())
    if value is None or isinstance(value, int | float):
        return value
    raise TypeError(f"{type(value).__name__} in what a review is bound to: expected texts, numbers and what is made of")


def _default(of: Any) -> Any:
    return of.default_factory() if of.default_factory is not MISSING else of.default
