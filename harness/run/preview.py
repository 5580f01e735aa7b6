"""What a test would do, from the site file alone: the dry run behind ``farend plan``. Opens nothing."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from harness.core.instants import NS_PER_S
from harness.core.links import BacnetLink, BusWay, ModbusRtuLink, ModbusTcpLink, MqttLink, PersonLink
from harness.core.model import Point, Site, Step
from harness.core.places import ModbusPlace, MqttPlace
from harness.core.wording import link_address
from harness.core.writing import writable_words
from harness.correlate.wording import time_text
from harness.links.modbus_plan import plan_blocks, plan_probes
from harness.links.modbus_polls import PROBE_EVERY
from harness.run.gate import acting, effects_of
from harness.run.order import (
    Item,
    Selection,
    carried_links,
    check_selection,
    listened_links,
    plan_of,
)
from harness.run.poll_cycle import line_of
from harness.run.preview_armed import LinkPreview, armed_words, is_written, written_only
from harness.run.spread import Spread
from harness.run.watching_bacnet import bacnet_cost
from harness.run.watching_rtu import rtu_cost


@dataclass(frozen=True, slots=True, kw_only=True)
class RaisePreview:
    """One alarm that would be raised. ``acknowledged_after``: ``raise`` or ``clear``."""

    alarm: str
    rows: int
    usual_ns: int
    longest_ns: int
    brings: tuple[str, ...]
    acknowledged_after: str = Step.RAISE.value


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectPreview:
    """One side effect, and the alarms of the plan that have it."""

    name: str
    text: str
    hazard: str
    safeguard: str
    alarms: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Preview:
    """The whole dry run. ``identity``: whether every pair of alarms is told apart."""

    raised: tuple[RaisePreview, ...]
    by_hand: tuple[str, ...]
    rows: int
    usual_ns: int
    longest_ns: int
    side_effects: tuple[EffectPreview, ...]
    unstated: tuple[str, ...]
    notices: tuple[str, ...]
    links: tuple[LinkPreview, ...]
    writable: tuple[str, ...]
    armed: tuple[str, ...]
    identity: str

    def to_json(self) -> dict[str, Any]:
        """For programs."""
        return asdict(self)


def preview_of(site: Site, selection: Selection) -> Preview:
    """The dry run of a selection of a site. UsageError where it names what the site has not."""
    check_selection(site, selection)
    items = plan_of(site, selection)
    raised = tuple(item for item in items if item.can_be_raised)
    spread = Spread(site)
    opened = {*listened_links(site, items), *(carried_links(site) if raised else ())}
    return Preview(
        raised=tuple(_raise(spread, item) for item in raised),
        by_hand=tuple(item.alarm.name for item in items if not item.can_be_raised),
        rows=len({row.key for item in raised for row in item.rows}),
        usual_ns=sum(spread.usual_ns(item) for item in raised),
        longest_ns=sum(spread.longest_ns(item) for item in raised),
        side_effects=tuple(_effects(site, raised)),
        unstated=tuple(
            dict.fromkeys(it.name for item in raised for it in acting(site, item.alarm) if it.side_effects is None)
        ),
        notices=site.notices,
        links=tuple(
            _link(site, name) if name in opened else written_only(site, name)
            for name in site.links
            if name in opened or (raised and is_written(site, name))
        ),
        writable=tuple(writable_words(it) for it in site.writable),
        armed=armed_words(site, {item.alarm.name: item.alarm for item in raised}.values()),
        identity=_identity(site, raised),
    )


def _raise(spread: Spread, item: Item) -> RaisePreview:
    return RaisePreview(
        alarm=item.alarm.name,
        rows=len(item.rows),
        usual_ns=spread.usual_ns(item),
        longest_ns=spread.longest_ns(item),
        brings=item.alarm.also_raises,
        acknowledged_after=item.acknowledge_after.value,
    )


def _effects(site: Site, items: tuple[Item, ...]) -> list[EffectPreview]:
    owners: dict[str, list[str]] = defaultdict(list)
    for item in items:
        for name in effects_of(site, item.alarm):
            owners[name].append(item.alarm.name)
    return [
        EffectPreview(
            name=name,
            text=site.side_effects[name].text,
            hazard=site.side_effects[name].hazard,
            safeguard=site.side_effects[name].safeguard,
            alarms=tuple(alarms),
        )
        for name, alarms in owners.items()
    ]


def _link(site: Site, name: str) -> LinkPreview:
    spec = site.links[name]
    if isinstance(spec, PersonLink):
        walks = "" if spec.in_sight else "; walks there for every alarm, which is held until then"
        return LinkPreview(
            name=name, address=link_address(spec), cost=f"a person looks and reports{walks}", requests=()
        )
    if isinstance(spec, MqttLink):
        topics = mqtt_topics(spec, site.points.values())
        asked = tuple(f"subscribes to {topic}" for topic in topics)
        return LinkPreview(name=name, address=link_address(spec), cost=mqtt_cost(spec, topics), requests=asked)
    if isinstance(spec, BacnetLink):
        cost, asked = bacnet_cost(spec, site.points.values())
        services = ["AcknowledgeAlarm"] if name in site.acknowledgeable else []
        services += ["WriteProperty and reading it back"] if any(it.link == name for it in site.writable) else []
        armed = f"; one more socket, {' and '.join(services)} while armed" if services else ""
        return LinkPreview(name=name, address=link_address(spec), cost=cost + armed, requests=asked)
    if isinstance(spec, ModbusRtuLink):
        cost, asked = rtu_cost(spec, site.points.values(), line_of(site, spec))
        armed = ""
        if any(it.link == name for it in site.writable):
            armed = "; while armed, writes and reading them back between the polls"
        places = [it.place for it in site.points.values() if it.link == name and isinstance(it.place, ModbusPlace)]
        probing = probing_words(spec, places) if spec.way is BusWay.POLL else ""
        return LinkPreview(name=name, address=link_address(spec), cost=cost + probing + armed, requests=asked)
    if not isinstance(spec, ModbusTcpLink):
        return LinkPreview(name=name, address=link_address(spec), cost="listens only, sends nothing", requests=())
    modbus = [it.place for it in site.points.values() if it.link == name and isinstance(it.place, ModbusPlace)]
    blocks = plan_blocks(modbus, spec.gap_max_bits, spec.gap_max_registers)
    per_s = len(blocks) * NS_PER_S / spec.poll_period_ns
    rate = f"{per_s:g} requests a second"
    if spec.requests_per_s_max is not None and per_s > spec.requests_per_s_max:
        period = time_text(round(len(blocks) * NS_PER_S / spec.requests_per_s_max))
        rate = f"{spec.requests_per_s_max:g} requests a second as declared, so a cycle takes {period}"
    writes = " and one more while armed" if any(it.link == name for it in site.writable) else ""
    cost = (
        f"1 connection{writes}, at most {spec.in_flight} request{'s' * (spec.in_flight != 1)} outstanding, "
        f"a cycle of {len(blocks)} read{'s' * (len(blocks) != 1)} every {time_text(spec.poll_period_ns)}, {rate}"
        f"{probing_words(spec, modbus)}"
    )
    requests = tuple(
        f"unit {it.unit} function {it.table.read_function}: {it.table.value.replace('-', ' ')} {it.address} to "
        f"{it.end - 1} on the wire ({it.count})"
        for it in blocks
    )
    return LinkPreview(name=name, address=link_address(spec), cost=cost, requests=requests)


def probing_words(spec: ModbusTcpLink | ModbusRtuLink, places: Sequence[ModbusPlace]) -> str:
    """What reading around mapped places costs besides, in words; '' where nothing is."""
    probes = plan_probes(places, spec.probe_around)
    if not probes:
        return ""
    every_ns = PROBE_EVERY * spec.poll_period_ns
    per_s = len(probes) * NS_PER_S / every_ns
    return (
        f"; and around them {len(probes)} read{'s' * (len(probes) != 1)} every {time_text(every_ns)}, {per_s:g} "
        "requests a second, of which those that are refused are not sent again"
    )


def mqtt_topics(spec: MqttLink, points: Iterable[Point]) -> tuple[str, ...]:
    """What is subscribed to on a broker."""
    mine = [it.place.topic for it in points if it.link == spec.name and isinstance(it.place, MqttPlace)]
    return tuple(dict.fromkeys(mine if spec.alive_topic is None else [spec.alive_topic, *mine]))


def mqtt_cost(spec: MqttLink, topics: Sequence[str]) -> str:
    """What listening costs a broker, in words."""
    own = ""
    if spec.client_id:
        own = f"; as client {spec.client_id}: of two clients with one identifier the broker throws the first out"
    return (
        f"1 connection, {len(topics)} topic{'s' * (len(topics) != 1)} with QoS {spec.qos}, a ping after "
        f"{spec.keep_alive_s} s of silence, a clean session, nothing published{own}"
    )


def _identity(site: Site, items: tuple[Item, ...]) -> str:
    """Alarms are raised one at a time, so only those that always come together are not told apart."""
    names = {item.alarm.name for item in items}
    together = [
        f"{name} and {lower}"
        for name in sorted(names)
        for lower in site.alarms[name].also_raises
        if lower in site.alarms and lower not in names
    ]
    if together:
        return "not proven for " + ", ".join(together) + ", which are never raised apart in this plan"
    return "proven for every pair, since each is raised alone at least once"
