"""Turns the links of a site file into what farend listens on."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from harness.core.links import (
    HAND_FINEST_NS,
    BacnetLink,
    LinkSpec,
    ModbusRtuLink,
    ModbusTcpLink,
    MqttLink,
    PersonLink,
)
from harness.site.forms import Form
from harness.site.link_fields import FIELDS_OF, HOLD_NAMES, LINK_KINDS, ON_EVERY_LINK_NAMES
from harness.site.link_parts import needed
from harness.site.linking_line import modbus_rtu_link, modbus_tcp_link, text_link
from harness.site.linking_told import bacnet_link, mqtt_link
from harness.site.names import did_you_mean, shown
from harness.site.problems import Problems
from harness.site.protocol_kinds import Reaction

_EXAMPLES: Final = {
    "modbus-tcp": "192.0.2.10:502",
    "modbus-rtu": "/dev/ttyUSB0",
    "modbus-rtu+tcp": "192.0.2.11:4001",
    "text+tcp": "192.0.2.11:4002",
    "text+serial": "/dev/ttyUSB1",
    "bacnet": "192.0.2.12",
    "mqtt": "192.0.2.13",
    "person": "annunciator at the door",
}


def build_links(forms: Mapping[str, Form], problems: Problems) -> dict[str, LinkSpec]:
    """The links by name; problems say what is wrong with them. One that does not even say what it is is left out."""
    links: dict[str, LinkSpec] = {}
    for name, form in forms.items():
        kind = kind_of(form)
        _check_kind(form, problems)
        if kind is None:
            continue
        _refuse_foreign(form, kind, problems)
        links[name] = _BUILDERS[kind](form, kind, problems)
    return links


def build_behind(forms: Mapping[str, Form], problems: Problems) -> dict[str, str]:
    """For each link, the one whose device its own device polls. No link is behind itself, through others or not."""
    behind = {name: form.text("behind") for name, form in forms.items() if form.text("behind")}
    for name, other in list(behind.items()):
        if other not in forms:
            text = f"behind={shown(other)}: no such link"
            problems.error(forms[name].at("behind"), "unknown-link", text, did_you_mean(other, forms))
            del behind[name]
    for name in list(behind):
        seen, at = [name], behind.get(name)
        while at is not None and at not in seen:
            seen.append(at)
            at = behind.get(at)
        if at == name:
            text = f"behind={shown(behind[name])}: {' behind '.join([*seen, name])}: a link behind itself"
            problems.error(forms[name].at("behind"), "behind", text, "name the device that is polled, not who polls it")
            del behind[name]
    return behind


def kind_of(form: Form) -> str | None:
    """The kind of a link: the one key that tells it, None where there is none."""
    return next((kind for kind in LINK_KINDS if form.has(kind)), None)


def family_of(link: LinkSpec) -> str:
    """Which family of places a link has: modbus, text, bacnet, mqtt or person."""
    match link:
        case ModbusTcpLink() | ModbusRtuLink():
            return "modbus"
        case BacnetLink():
            return "bacnet"
        case MqttLink():
            return "mqtt"
        case PersonLink():
            return "person"
    return "text"


def known_link(
    form: Form, links: Mapping[str, LinkSpec], link_forms: Mapping[str, Form], problems: Problems
) -> LinkSpec | None:
    """The link that a group names; a problem where there is none of that name."""
    name = form.text("link")
    if not name:
        return None
    if name not in link_forms:
        problems.error(form.at("link"), "unknown-link", f"link={shown(name)}: no such link",
                       did_you_mean(name, link_forms))  # fmt: skip
    return links.get(name)


def _check_kind(form: Form, problems: Problems) -> None:
    found = [kind for kind in LINK_KINDS if form.has(kind)]
    if not found and not problems.is_cut_short:
        text = f"link {form.name}: expected one of {', '.join(LINK_KINDS)}"
        guess = _likely_kind(form)
        problems.error(form.origin, "link-kind", text, f"add for example {guess}: {_EXAMPLES[guess]}")
    if len(found) > 1:
        text = f"link {form.name}: {found[1]} besides {found[0]}: expected one of them"
        problems.error(form.at(found[1]), "link-kind", text, "make two links of it")


def _likely_kind(form: Form) -> str:
    """The kind that has most of the fields that were written."""
    return max(LINK_KINDS, key=lambda kind: len(FIELDS_OF[kind] & form.values.keys()))


def _refuse_foreign(form: Form, kind: str, problems: Problems) -> None:
    for name in form.values:
        if name in LINK_KINDS or name in (*HOLD_NAMES, *ON_EVERY_LINK_NAMES) or name in FIELDS_OF[kind]:
            continue
        text = f"{name}={shown(form.written(name))}: a {kind} link has none"
        problems.error(form.at(name), "foreign-field", text, "delete the line")


def _person(form: Form, kind: str, problems: Problems) -> PersonLink:
    in_sight = form.get("in sight", bool)
    in_sight = True if in_sight is None else in_sight
    reaction, within_ns = form.get("reaction", Reaction), form.get("reaction within", int)
    if reaction is not None and within_ns is not None:
        text = f"reaction within={shown(form.written('reaction within'))}: reaction says it already"
        problems.error(form.at("reaction within"), "reaction", text, "delete one of the two")
    if within_ns is not None and within_ns < HAND_FINEST_NS:
        text = f"reaction within={shown(form.written('reaction within'))}: a claim finer than 0.1 s from keys pressed "
        problems.error(form.at("reaction within"), "reaction", f"{text}by hand is refused", "for example 1 s")
    if in_sight and not form.has("reaction"):
        needed(form, "reaction within", "add for example reaction within: 1 s; it widens what is reported", problems)
    # Out of sight no time is taken from a report, so there is no reaction to widen it.
    most_ns = reaction.max_ns if reaction is not None else within_ns or 0
    return PersonLink(
        name=form.name,
        where=form.text(kind),
        in_sight=in_sight,
        reaction_min_ns=reaction.min_ns if reaction is not None else 0,
        reaction_max_ns=most_ns,
        origin=form.origin,
    )


_BUILDERS: Final[Mapping[str, Callable[[Form, str, Problems], LinkSpec]]] = {
    "modbus-tcp": modbus_tcp_link,
    "modbus-rtu": modbus_rtu_link,
    "modbus-rtu+tcp": modbus_rtu_link,
    "text+tcp": text_link,
    "text+serial": text_link,
    "bacnet": bacnet_link,
    "mqtt": mqtt_link,
    "person": _person,
}
